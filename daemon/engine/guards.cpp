#include "daemon/engine/guards.hpp"

#include "daemon/engine/engine.hpp"
#include "daemon/engine/guards_judge.hpp"

namespace slowfilm::engine {

namespace {

using namespace literals;

constexpr std::int32_t two_in_a_row = 4;

// Persistence is time: that between two readings, however seldom they are taken.
Duration span_of(const Scope& scope, Time reading, Time fresh, Duration stale_after) {
    return std::clamp(reading - fresh, Duration{}, longest_gap(scope, stale_after));
}

// The connection checks have their own deadline, and until a person sets them going again nothing is missed.
bool not_awaited(const Judge& judge) {
    const RunState state = judge.run.state;
    return state == RunState::checking || (state == RunState::waiting && !judge.scope.voltage);
}

void judge_charge(Judge& judge) {
    const Plan& plan = judge.plan;
    const Run& run = judge.run;
    const CellHistory& history = run.history;
    const Charge leg_max = history.first_leg_over ? plan.leg_max_later : plan.leg_max_first;
    const Charge leg = history.leg + history.leg_unseen;
    judge.note_closest(GuardId::charge_leg, leg.count, (leg_max - leg).count);
    judge.at_once(GuardId::charge_leg, leg.count, leg_max.count, !(leg <= leg_max));
    const GuardSetting& net = judge.setting(GuardId::charge_net);
    const Charge moved = run.net.whole + run.uncertain;
    judge.note_closest(GuardId::charge_net, moved.count, net.trip - moved.count);
    judge.at_once(GuardId::charge_net, moved.count, net.trip, !(moved.count <= net.trip));
}

// The bench's own limits hold whatever the protocol says, without persistence.
void judge_caps(Judge& judge, const Sample& sample, Current stray) {
    const BenchCaps& caps = judge.plan.caps;
    if (sample.temperature.good()) {
        judge.at_once(GuardId::bench_cap, sample.temperature.value.count, caps.temperature_max.count,
                      !(sample.temperature.value <= caps.temperature_max));
    }
    if (is_out(judge.run.guards, GuardId::bench_cap)) {
        return;
    }
    if (sample.voltage.good() && (judge.scope.voltage || stray.count > 0)) {
        judge.at_once(GuardId::bench_cap, sample.voltage.value.count, caps.voltage_max.count,
                      !(sample.voltage.value <= caps.voltage_max));
    }
    if (sample.current.good() && !is_out(judge.run.guards, GuardId::bench_cap)) {
        judge.at_once(GuardId::bench_cap, sample.current.value.count, caps.current_max.count,
                      !(magnitude(sample.current.value) <= caps.current_max));
    }
}

void judge_stale(Judge& judge) {
    const Plan& plan = judge.plan;
    const auto check = [&](Time fresh, Duration stale_after) {
        const Duration limit = longest_gap(judge.scope, stale_after);
        if (judge.now - fresh <= limit) [[likely]] {
            return false;
        }
        judge.at_once(GuardId::stale, (judge.now - fresh).count, limit.count, true);
        return true;
    };
    judge.suspend(GuardId::stale);
    if (not_awaited(judge)) {
        return;
    }
    const GuardState& guards = judge.run.guards;
    if ((judge.scope.voltage || judge.scope.idle) && check(guards.voltage_fresh, plan.stale_voltage)) {
        return;
    }
    if (judge.scope.leakage && check(guards.current_fresh, plan.stale_current)) {
        return;
    }
    if (judge.scope.idle && is_out(guards, GuardId::not_plausible)) {
        return;  // a thermometer that is out of its range is not silent, and has been told
    }
    if (plan.traits.temperature_of != TemperatureOf::none && check(guards.temperature_fresh, plan.stale_temperature)) {
        return;
    }
    if (plan.traits.has_ambient) {
        check(guards.ambient_fresh, plan.stale_temperature);
    }
}

void judge_run_time(Judge& judge) {
    if (!judge.scope.running) {
        return;
    }
    const Duration length = judge.now - judge.run.started - judge.run.aside;
    const GuardSetting& s = judge.setting(GuardId::run_time);
    judge.note_closest(GuardId::run_time, length.count, s.trip - length.count);
    judge.at_once(GuardId::run_time, length.count, s.trip, !(length.count <= s.trip));
}

bool thermometers_sound(const Sample& sample) {
    return sample.temperature.quality != Quality::bad && sample.ambient.quality != Quality::bad;
}

bool sound(const Sample& sample) {
    return sample.voltage.quality != Quality::bad && sample.current.quality != Quality::bad &&
           thermometers_sound(sample);
}

// Bad readings are counted in every state. Of a cell that lies there, or that a person has in hand, only the
// thermometers must make sense.
void judge_plausible(Judge& judge, const Sample& sample) {
    const bool reads_leads =
        judge.setting(GuardId::lead_drop).origin != Origin::off && !leads_cut(judge.plan, judge.run);
    const bool all_sound = sound(sample) && !(reads_leads && leads_unseen(judge, sample));
    if (!all_sound) {
        ++judge.run.guards.bad_readings;
    }
    if (not_awaited(judge)) {
        judge.suspend(GuardId::not_plausible);
        return;
    }
    const bool out = judge.scope.voltage && !judge.scope.idle ? !all_sound : !thermometers_sound(sample);
    judge.judge(GuardId::not_plausible, 0, 0, out,
                span_of(judge.scope, judge.now, judge.run.last_sample, judge.plan.stale_voltage));
}

// Current that nobody asked for, once it is known to flow: leakage has fired and is still out, or the openings are
// sent in vain. It goes through the cell whatever is in doubt. 0: none.
Current stray_of(const Judge& judge, const Sample& sample) {
    const Run& run = judge.run;
    const bool leaks = (run.guards.fired & run.guards.out & bit_of(GuardId::leakage)) != 0;
    if (!leaks && !run.opening.escalated) [[likely]] {
        return {};
    }
    const Reading<Current>& flowing = newest(sample.current, run.last.current);
    const bool fresh = judge.now - flowing.time <= longest_gap(judge.scope, judge.plan.stale_current);
    const bool flows = is_open(run.demand) && flowing.good() && fresh &&
                       !(magnitude(flowing.value).count <= judge.setting(GuardId::leakage).trip);
    return flows ? flowing.value : Current{};
}

// A voltage that is in doubt is the cell's all the same where current flows through it unasked.
void judge_stray(Judge& judge, const Sample& sample, Duration span, Current stray) {
    const bool connected = judge.run.begun && judge.run.history.armed;
    if (stray.count > 0) {
        judge.above(GuardId::over_voltage, sample.voltage.value.count, span);
    } else if (stray.count < 0 && connected) {
        judge.below(GuardId::low_voltage, sample.voltage.value.count, span);
        judge.below(GuardId::discharge_floor, sample.voltage.value.count, span);
    }
}

template <class Q>
void mark_bad_unless(Reading<Q>& reading, bool plausible) {
    if (reading.good() && !plausible) {
        reading.quality = Quality::bad;
        reading.value = Q{};
    }
}

template <class Q>
void drop_unless_newer(Reading<Q>& reading, const Reading<Q>& last) {
    if (reading.good() && last.good() && reading.time <= last.time) [[unlikely]] {
        reading = Reading<Q>{};
    }
}

// What flows, or is asked to.
Flow flow_of(const Judge& judge, const Sample& sample) {
    const Run& run = judge.run;
    const Current leakage{judge.setting(GuardId::leakage).trip};
    const Reading<Current>& flowing = newest(sample.current, run.last.current);
    const auto* drive = std::get_if<DriveCurrent>(&run.demand);
    const auto* hold = std::get_if<HoldVoltage>(&run.demand);
    const bool asks_out =
        (drive != nullptr && drive->current.count < 0) || (hold != nullptr && hold->source_max.count == 0);
    return {.charging = judge.scope.running && flowing.good() && flowing.value > leakage && !is_open(run.demand),
            .discharging = (judge.scope.running && ((flowing.good() && flowing.value < -leakage) || asks_out)) ||
                           (judge.stray && run.history.armed && flowing.good() && flowing.value < -leakage)};
}

}  // namespace

Scope scope_at_rest(const Plan& plan, const Run& run, Time now) {
    // In somebody's hands: before the first checks are passed, in an ask, and until the checks after it are.
    const bool hands_on = !run.begun || run.window == StartWindow::by_history || run.window == StartWindow::same_cell ||
                          (run.in_visit && plan.steps[run.step].kind == StepKind::ask);
    const bool unknown = hands_on || run.wait == WaitReason::connection || run.wait == WaitReason::acknowledged ||
                         run.wait == WaitReason::moved;
    const bool doubt = cell_in_doubt(plan, run, now);
    switch (run.state) {
        case RunState::paused: return {.voltage = !hands_on, .heat = true, .leakage = true, .doubt = doubt};
        case RunState::waiting: return {.voltage = !unknown, .heat = true, .leakage = true, .doubt = doubt};
        case RunState::checking: {
            const bool driven = !is_open(run.demand);  // the test current is a current like any other
            return {.voltage = driven, .heat = true, .leakage = true, .running = driven};
        }
        case RunState::asking: return {.heat = true, .leakage = true};
        // A run that is over leaves a cell behind: until it is taken away it can leak, warm, or burn. It may be taken
        // at any time. After a trip of class channel the voltage is not known at all.
        case RunState::tripped:
            return {.voltage = !hands_on && run.trip_class == TripClass::cell,
                    .heat = true,
                    .leakage = true,
                    .idle = true,
                    .doubt = true};
        case RunState::stopped:
        case RunState::done: return {.voltage = !unknown, .heat = true, .leakage = true, .idle = true, .doubt = true};
        case RunState::forming:
        case RunState::resting:
        case RunState::planned: return {};
    }
    return {};
}

void Judge::fill_up(GuardId id, std::int64_t value, std::int64_t limit, bool out, Duration span) {
    const GuardSetting& s = setting(id);
    if (s.origin == Origin::off) {
        return;
    }
    mark(id, out);
    GuardFill& fill = run.guards.fill[index_of(id)];
    if (out && (run.guards.filled & falling_guards & bit_of(id)) != (falling_guards & bit_of(id))) {
        note_leap(id, Voltage{value});
    }
    bool fires = false;
    if (s.persistence.count == 0) {
        fill.samples = out ? std::min(fill.samples + 2, two_in_a_row) : std::max(fill.samples - 1, 0);
        fires = out && fill.samples >= two_in_a_row;
    } else {
        fill.out_for =
            out ? std::min(fill.out_for + span, s.persistence) : std::max(fill.out_for - span / 2, Duration{});
        fires = out && fill.out_for >= s.persistence;
    }
    const bool gathered = fill.samples > 0 || fill.out_for.count > 0;
    run.guards.filled = gathered ? run.guards.filled | bit_of(id) : run.guards.filled & ~bit_of(id);
    if (!gathered) {
        run.guards.fired &= ~bit_of(id);
        run.guards.leapt &= ~bit_of(id);
    }
    if (fires) {
        trip(id, value, limit);
    }
}

void Judge::note_leap(GuardId id, Voltage voltage) {
    GuardState& guards = run.guards;
    const Reading<Voltage>& last = run.last.voltage;
    const Duration since = guards.voltage_fresh - last.time;
    if (last.good() && since <= longest_gap(scope, plan.stale_voltage) && last.value - voltage > leap_of_no_cell) {
        guards.leapt |= bit_of(id);
        guards.leapt_from = last.value;
    }
}

// What a lead that lifts or a contact that lets go does to the voltage blames no cell.
bool Judge::is_of_wiring(GuardId id) const {
    constexpr std::uint32_t wiring = bit_of(GuardId::voltage_jump) | bit_of(GuardId::lead_drop);
    const GuardState& guards = run.guards;
    return !stray && (falling_guards & bit_of(id)) != 0 && ((guards.leapt & bit_of(id)) | (guards.out & wiring)) != 0;
}

void Judge::trip_wiring(Voltage voltage) {
    const GuardState& guards = run.guards;
    if (is_out(guards, GuardId::voltage_jump)) {
        trip(GuardId::voltage_jump, magnitude(voltage - guards.jump_from).count, setting(GuardId::voltage_jump).trip);
    } else if (is_out(guards, GuardId::lead_drop)) {
        trip(GuardId::lead_drop, guards.fill[index_of(GuardId::lead_drop)].closest, setting(GuardId::lead_drop).trip);
    } else {
        trip(GuardId::voltage_jump, magnitude(voltage - guards.leapt_from).count, leap_of_no_cell.count);
    }
}

void Judge::warn(GuardId id, std::int64_t value, std::int64_t level, bool beyond) {
    GuardFill& fill = run.guards.fill[index_of(id)];
    if (!beyond || fill.warned) {
        fill.warned = beyond;
        return;
    }
    if (finding.warned) {
        return;
    }
    fill.warned = finding.warned = true;
    finding.warned_id = id;
    finding.warned_value = value;
    finding.warned_level = level;
}

// Class cell before class channel before what is only told, then the table's order. Of a cell that only lies there, or
// that somebody may have in hand, each guard is told once; but heat that comes back opens the neighbours again.
void Judge::trip(GuardId id, std::int64_t value, std::int64_t limit) {
    const bool anew = (run.guards.fired & bit_of(id)) == 0;
    run.guards.fired |= bit_of(id);
    const bool hot_cap = id == GuardId::bench_cap && limit == plan.caps.temperature_max.count;
    const bool heat = hot_cap || (heat_guards & bit_of(id)) != 0;
    const bool doubted = scope.doubt && !stray && (cell_voltage_guards & bit_of(id)) != 0;
    if (!doubted && is_of_wiring(id)) {
        trip_wiring(Voltage{value});
        return;
    }
    const bool told = (scope.idle || doubted) && (run.idle_said & bit_of(id)) != 0;
    finding.heat = finding.heat || (heat && (anew || !told));
    if (told) {
        return;
    }
    const auto weight = [](GuardId of, bool in_doubt) {
        return in_doubt ? 0 : guard_row(of).trip_class == TripClass::channel ? 1 : 2;
    };
    if (!finding.tripped || weight(id, doubted) > weight(finding.id, finding.in_doubt)) {
        finding.tripped = true;
        finding.in_doubt = doubted;
        finding.id = id;
        finding.value = value;
        finding.limit = limit;
    }
}

Sample plausible_part(const Plan& plan, const Sample& last, const Sample& sample, Time now) {
    const ChannelTraits& traits = plan.traits;
    const Voltage most = traits.voltage_max + traits.voltage_max / 10;
    const Current range = std::max(traits.source_max, traits.sink_max);
    const auto temperature_plausible = [&](Temperature value) {
        return value >= traits.temperature_plausible_min && value <= traits.temperature_plausible_max;
    };
    Sample part = sample;
    mark_bad_unless(part.voltage, part.voltage.time <= now && magnitude(part.voltage.value) <= most);
    mark_bad_unless(part.current, part.current.time <= now && magnitude(part.current.value) <= range + range / 10);
    mark_bad_unless(part.temperature, part.temperature.time <= now && temperature_plausible(part.temperature.value));
    mark_bad_unless(part.terminals, part.terminals.time <= now);
    mark_bad_unless(part.ambient, part.ambient.time <= now && temperature_plausible(part.ambient.value));
    drop_unless_newer(part.voltage, last.voltage);
    drop_unless_newer(part.terminals, last.terminals);
    drop_unless_newer(part.current, last.current);
    drop_unless_newer(part.temperature, last.temperature);
    drop_unless_newer(part.ambient, last.ambient);
    return part;
}

bool is_out(const GuardState& guards, GuardId id) {
    return (guards.out & bit_of(id)) != 0;
}

GuardFinding judge_sample(const Plan& plan, Run& run, const Sample& sample, Time now) {
    const Scope scope = scope_of(plan, run, now);
    Judge judge{plan, run, scope, now};
    if (!scope.heat) {
        return judge.finding;
    }
    GuardState& guards = run.guards;
    const Current stray = stray_of(judge, sample);
    judge.stray = stray.count != 0;
    judge_plausible(judge, sample);
    judge_caps(judge, sample, stray);
    const Flow flow = flow_of(judge, sample);
    if (sample.voltage.good() && sample.voltage.time > guards.voltage_fresh) {
        const Duration span = span_of(scope, sample.voltage.time, guards.voltage_fresh, plan.stale_voltage);
        guards.voltage_fresh = sample.voltage.time;
        if (scope.voltage) {
            judge_voltage(judge, sample, span, flow);
        } else if (stray.count != 0) {
            judge_stray(judge, sample, span, stray);
        }
    }
    if (sample.current.good() && sample.current.time > guards.current_fresh) {
        const Duration span = span_of(scope, sample.current.time, guards.current_fresh, plan.stale_current);
        guards.current_fresh = sample.current.time;
        judge_current(judge, sample, span);
    }
    note_ambient(judge, sample);
    if (sample.temperature.good() && sample.temperature.time > guards.temperature_fresh) {
        const Duration span = span_of(scope, sample.temperature.time, guards.temperature_fresh, plan.stale_temperature);
        guards.temperature_fresh = sample.temperature.time;
        judge_temperature(judge, sample, span);
    }
    if (scope.running || stray.count != 0) {
        judge_charge(judge);
    }
    judge_stale(judge);
    judge_run_time(judge);
    return judge.finding;
}

GuardFinding judge_tick(const Plan& plan, Run& run, Time now) {
    const Scope scope = scope_of(plan, run, now);
    Judge judge{plan, run, scope, now};
    if (!scope.heat) {
        return judge.finding;
    }
    judge_stale(judge);
    judge_run_time(judge);
    return judge.finding;
}

void restart_soft_guards(GuardState& guards) {
    for (const GuardId id : {GuardId::current_error, GuardId::hold_error, GuardId::current_lost, GuardId::voltage_jump,
                             GuardId::lead_drop, GuardId::stuck}) {
        GuardFill& fill = guards.fill[index_of(id)];
        fill.out_for = Duration{};
        fill.samples = 0;
        guards.out &= ~bit_of(id);
        guards.filled &= ~bit_of(id);
    }
    guards.lost_from = Current{};
    guards.highest_known = false;
    guards.jump_known = false;
    guards.stuck_known = false;
}

void start_guards(GuardState& guards, Time now) {
    skip_gap(guards, now);
    guards.current_stopped = now;
    guards.lost_from = Current{};
    guards.out = guards.fired = 0;
}

void skip_gap(GuardState& guards, Time now) {
    guards.voltage_fresh = guards.current_fresh = guards.temperature_fresh = guards.ambient_fresh = now;
    guards.slope = SlopeWindow{};
    guards.highest_known = false;
    guards.jump_known = false;
    guards.stuck_known = false;
    guards.stuck_temperature_at = now;
}

}  // namespace slowfilm::engine
