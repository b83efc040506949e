#include "daemon/engine/guards.hpp"

#include "daemon/engine/run.hpp"

#include <algorithm>

namespace slowfilm::engine {

namespace {

using namespace literals;

constexpr std::int32_t two_in_a_row = 4;
constexpr Duration slope_span = 60_s;
constexpr Duration slope_spacing = 5_s;
constexpr std::uint8_t slope_updates_min = 3;
constexpr Duration still_warming_after = 10_min;

constexpr std::size_t index_of(GuardId id) {
    return static_cast<std::size_t>(id);
}

constexpr std::uint32_t bit_of(GuardId id) {
    return 1U << static_cast<unsigned>(id);
}
static_assert(guard_count <= 32, "GuardState::out has a bit for each guard");

// What the state of the run lets be judged. A cell under a person's hands, or one whose connection is in doubt, is not
// blamed for its voltage; heat is judged always.
struct Scope {
    bool voltage{false}, heat{false}, leakage{false}, running{false};
};

Scope scope_of(const Plan& plan, const Run& run) {
    // In somebody's hands: before the first checks are passed, in an ask, and until the checks after it are.
    const bool hands_on = !run.begun || run.window == StartWindow::by_history ||
                          (run.in_visit && plan.steps[run.step].kind == StepKind::ask);
    switch (run.state) {
        case RunState::forming:
        case RunState::resting: return {.voltage = true, .heat = true, .leakage = true, .running = true};
        case RunState::paused: return {.voltage = !hands_on, .heat = true, .leakage = true};
        case RunState::waiting: {
            const bool in_doubt = run.wait == WaitReason::connection || run.wait == WaitReason::restart ||
                                  run.wait == WaitReason::acknowledged;
            return {.voltage = !in_doubt && !hands_on, .heat = true, .leakage = true};
        }
        case RunState::checking:
        case RunState::asking: return {.heat = true, .leakage = true};
        // A cell that tripped may be on its way to burning: its heat still opens the neighbours.
        case RunState::tripped:
        case RunState::stopped:
        case RunState::done: return {.heat = true};
        case RunState::planned: return {};
    }
    return {};
}

class Judge {
  public:
    Judge(const Plan& plan, Run& run, Time now) : plan_{plan}, run_{run}, now_{now} {}

    // Out of the limit unless value <= trip.
    void above(GuardId id, std::int64_t value, Duration span) { above_limit(id, value, setting(id).trip, span); }

    // The same where the limit is the step's own.
    void above_limit(GuardId id, std::int64_t value, std::int64_t limit, Duration span) {
        const GuardSetting& s = setting(id);
        if (s.origin == Origin::off) {
            return;
        }
        if (s.has_warn) {
            warn(id, !(value <= s.warn));
        }
        note_closest(id, value, limit - value);
        judge(id, value, limit, !(value <= limit) && !s.warn_only, span);
    }

    // Out of the limit unless value >= low.
    void below(GuardId id, std::int64_t value, Duration span) {
        const GuardSetting& s = setting(id);
        if (s.origin == Origin::off) {
            return;
        }
        if (s.has_warn) {
            warn(id, !(value >= s.warn));
        }
        note_closest(id, value, value - s.low);
        judge(id, value, s.low, !(value >= s.low) && !s.warn_only, span);
    }

    // Out of the limit unless low <= value <= trip.
    void within(GuardId id, std::int64_t value, Duration span) {
        const GuardSetting& s = setting(id);
        if (s.origin == Origin::off) {
            return;
        }
        const bool in = value >= s.low && value <= s.trip;
        const std::int64_t to_low = value - s.low;
        const std::int64_t to_high = s.trip - value;
        note_closest(id, value, std::min(to_low, to_high));
        judge(id, value, to_low < to_high ? s.low : s.trip, !in, span);
    }

    // A guard that is in its limit and has nothing to drain costs two tests.
    void judge(GuardId id, std::int64_t value, std::int64_t limit, bool out, Duration span) {
        const bool idle = ((run_.guards.out | run_.guards.filled) & bit_of(id)) == 0;
        if (!out && idle) [[likely]] {
            return;
        }
        fill_up(id, value, limit, out, span);
    }

    // No persistence: this reading alone is enough.
    void at_once(GuardId id, std::int64_t value, std::int64_t limit, bool out) {
        if (!out || setting(id).origin == Origin::off) {
            mark(id, false);
            return;
        }
        mark(id, true);
        trip(id, value, limit);
    }

    // Not judged now: neither in nor out.
    void suspend(GuardId id) { mark(id, false); }

    void note_closest(GuardId id, std::int64_t value, std::int64_t margin) {
        GuardFill& fill = run_.guards.fill[index_of(id)];
        if (margin < fill.margin) [[unlikely]] {
            fill.closest = value;
            fill.margin = margin;
            fill.closest_at = now_;
        }
    }

    GuardFinding finding;

  private:
    void mark(GuardId id, bool out) {
        const std::uint32_t bit = bit_of(id);
        run_.guards.out = out ? run_.guards.out | bit : run_.guards.out & ~bit;
    }

    [[nodiscard]] const GuardSetting& setting(GuardId id) const { return plan_.guards[index_of(id)]; }

    void fill_up(GuardId id, std::int64_t value, std::int64_t limit, bool out, Duration span) {
        const GuardSetting& s = setting(id);
        if (s.origin == Origin::off) {
            return;
        }
        mark(id, out);
        GuardFill& fill = run_.guards.fill[index_of(id)];
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
        run_.guards.filled = gathered ? run_.guards.filled | bit_of(id) : run_.guards.filled & ~bit_of(id);
        if (fires) {
            trip(id, value, limit);
        }
    }

    void warn(GuardId id, bool beyond) {
        GuardFill& fill = run_.guards.fill[index_of(id)];
        if (beyond && !fill.warned) {
            finding.new_warnings |= bit_of(id);
        }
        fill.warned = beyond;
    }

    // Class cell before class channel, then the table's order.
    void trip(GuardId id, std::int64_t value, std::int64_t limit) {
        const bool hot_cap = id == GuardId::bench_cap && limit == plan_.caps.temperature_max.count;
        finding.heat = finding.heat || hot_cap || id == GuardId::over_temperature || id == GuardId::temperature_rise;
        const bool worse = !finding.tripped || (guard_row(id).trip_class == TripClass::cell &&
                                                guard_row(finding.id).trip_class == TripClass::channel);
        if (worse) {
            finding.tripped = true;
            finding.id = id;
            finding.value = value;
            finding.limit = limit;
        }
    }

    const Plan& plan_;
    Run& run_;
    Time now_;
};

Duration span_of(Time reading, Time fresh, Duration stale_after) {
    return std::clamp(reading - fresh, Duration{}, stale_after);
}

void judge_voltage(Judge& judge, const Plan& plan, Run& run, Voltage voltage, Duration span, bool discharging) {
    judge.above(GuardId::over_voltage, voltage.count, span);
    judge.below(GuardId::reversed, voltage.count, span);
    if (run.history.armed) {
        judge.below(GuardId::low_voltage, voltage.count, span);
    }
    if (discharging) {
        judge.below(GuardId::discharge_floor, voltage.count, span);
    } else {
        judge.suspend(GuardId::discharge_floor);
    }
    const Voltage highest = run.history.highest;
    bool climbed = true;
    std::int64_t missed = 0;
    for (const ClimbGate& gate : plan.climb) {
        if (run.history.net + run.uncertain >= gate.by && highest < gate.above) {
            climbed = false;
            missed = gate.above.count;
            break;
        }
    }
    judge.judge(GuardId::climb, highest.count, missed, !climbed, span);
}

// The newest good reading of a quantity: voltage and current need not come in the same sample.
template <class Q>
const Reading<Q>& newest(const Reading<Q>& fresh, const Reading<Q>& last) {
    return fresh.good() ? fresh : last;
}

// At its own bound the stage gives less than it was asked for, and that is no fault if the voltage is there. A blown
// fuse drives the terminals to the ceiling too, but not the sense leads. How much current still flows tells nothing: at
// the cliff of a fresh cell, or at the end of a discharge, it is gone within a second.
bool at_bound(const Plan& plan, const DriveCurrent& drive, StageMode mode, const Reading<Voltage>& voltage) {
    if (!voltage.good()) {
        return false;
    }
    const bool charges = drive.current.count > 0;
    const bool near = charges ? voltage.value >= drive.ceiling - plan.end_margin * 2
                              : voltage.value <= drive.floor + plan.end_margin * 2;
    const bool says_so = mode == StageMode::at_ceiling || mode == StageMode::at_floor;
    return near && (says_so || !plan.traits.reports_ceiling);
}

void judge_drive(Judge& judge, const Plan& plan, const Run& run, const DriveCurrent& drive, const Sample& sample,
                 Duration span) {
    judge.suspend(GuardId::hold_error);
    judge.suspend(GuardId::current_lost);
    const PlanStep& step = plan.steps[run.step];
    if (at_bound(plan, drive, sample.mode, newest(sample.voltage, run.last.voltage))) {
        judge.suspend(GuardId::current_error);
        return;
    }
    const Current off = magnitude(sample.current.value - drive.current);
    judge.above_limit(GuardId::current_error, off.count, step.current_error.count, span);
}

// In a hold the voltage must be at its setpoint unless the stage is at one of its current limits.
void judge_hold(Judge& judge, const Plan& plan, Run& run, const HoldVoltage& hold, const Sample& sample,
                Duration span) {
    judge.suspend(GuardId::current_error);
    const Current current = sample.current.value;
    const Current slack = plan.traits.current_accuracy * 2 + std::max(hold.source_max, hold.sink_max) / 100;
    const bool at_source = hold.source_max.count > 0 && current >= hold.source_max - slack;
    const bool at_sink = hold.sink_max.count > 0 && current <= -(hold.sink_max - slack);
    const Reading<Voltage>& voltage = newest(sample.voltage, run.last.voltage);
    if (at_source || at_sink || !voltage.good()) {
        judge.suspend(GuardId::hold_error);
    } else {
        judge.above(GuardId::hold_error, magnitude(voltage.value - hold.voltage).count, span);
    }
    // A taper falls slowly; a lost contact takes the current away between two readings.
    const PlanStep& step = plan.steps[run.step];
    const bool judged = run.applied_known && sample.current.time >= run.applied_at + plan.traits.settle + 10_s;
    const Current before = magnitude(run.last.current.value);
    GuardState& guards = run.guards;
    if (judged && guards.lost_from.count == 0 && run.last.current.good() && before > step.lost_below &&
        magnitude(current) * 2 < before) {
        guards.lost_from = before;
    }
    const bool lost = guards.lost_from.count > 0 && magnitude(current) * 2 < guards.lost_from;
    if (!lost) {
        guards.lost_from = Current{};
    }
    judge.judge(GuardId::current_lost, current.count, guards.lost_from.count / 2, lost, span);
}

void judge_current(Judge& judge, const Plan& plan, Run& run, const Scope& scope, const Sample& sample, Duration span) {
    const Current current = sample.current.value;
    if (scope.running) {
        judge.above(GuardId::over_current, magnitude(current).count, span);
    }
    const bool settled = sample.current.time >= run.applied_at + plan.traits.settle;
    // Judged against what the stage has taken: current that nobody has let flow yet is current at open circuit.
    if (scope.leakage && run.applied_known && settled && is_open(run.applied)) {
        judge.above(GuardId::leakage, magnitude(current).count, span);
    } else {
        judge.suspend(GuardId::leakage);
    }
    if (is_open(run.demand)) {
        judge.suspend(GuardId::current_error);
        judge.suspend(GuardId::hold_error);
        return;
    }
    if (!settled || !run.taken || !scope.running) {
        return;
    }
    if (const auto* drive = std::get_if<DriveCurrent>(&run.demand)) {
        judge_drive(judge, plan, run, *drive, sample, span);
    } else if (const auto* hold = std::get_if<HoldVoltage>(&run.demand)) {
        judge_hold(judge, plan, run, *hold, sample, span);
    }
}

// One spurious reading must neither look like a rise nor stand as the start of one.
TemperatureDifference median_of_three(SlopeWindow& window, TemperatureDifference reading) {
    const auto [a, b] = window.before;
    const bool enough = window.seen >= 2;
    window.before = {b, reading};
    window.seen = enough ? std::uint8_t{2} : static_cast<std::uint8_t>(window.seen + 1);
    return enough ? std::max(std::min(a, b), std::min(std::max(a, b), reading)) : reading;
}

// mK/h between the newest value kept and the youngest one at least slope_span older; 0 until there are enough of them.
std::int64_t slope_of(SlopeWindow& window, Time at, TemperatureDifference reading) {
    constexpr auto size = static_cast<std::uint8_t>(SlopeWindow::size);
    const TemperatureDifference rise = median_of_three(window, reading);
    if (window.filled > 0 && at - window.at[window.newest] < slope_spacing) {
        return window.slope;
    }
    window.newest = static_cast<std::uint8_t>((window.newest + 1) % size);
    window.at[window.newest] = at;
    window.rise[window.newest] = rise;
    window.filled = std::min<std::uint8_t>(static_cast<std::uint8_t>(window.filled + 1), size);
    window.slope = 0;
    if (window.filled < slope_updates_min) {
        return 0;
    }
    for (std::uint8_t back = 1; back < window.filled; ++back) {
        const std::size_t i = (window.newest + size - back) % size;
        const Duration age = at - window.at[i];
        if (age >= slope_span) {
            window.slope = (rise - window.rise[i]).count * (1_h).count / age.count;
            break;
        }
    }
    return window.slope;
}

void judge_temperature(Judge& judge, const Plan& plan, Run& run, const Scope& scope, const Sample& sample,
                       Duration span) {
    const Temperature temperature = sample.temperature.value;
    judge.above(GuardId::over_temperature, temperature.count, span);
    judge.below(GuardId::under_temperature, temperature.count, span);
    const Current current = run.last.current.value;
    const bool flows = scope.running && !is_open(run.demand) && run.last.current.good() &&
                       magnitude(current).count > plan.guards[index_of(GuardId::leakage)].trip;
    if (flows && current.count > 0) {
        judge.within(GuardId::charge_temperature, temperature.count, span);
    } else {
        judge.suspend(GuardId::charge_temperature);
    }
    if (flows && current.count < 0) {
        judge.within(GuardId::discharge_temperature, temperature.count, span);
    } else {
        judge.suspend(GuardId::discharge_temperature);
    }
    GuardState& guards = run.guards;
    if (flows || !guards.current_flows) {
        guards.current_stopped = flows ? sample.temperature.time : guards.current_stopped;
    }
    guards.current_flows = flows;
    if (plan.guards[index_of(GuardId::temperature_rise)].origin == Origin::off) {
        return;
    }
    // A thermometer of the room that falls silent must not switch the guard off: its last reading goes on standing for
    // it.
    const Reading<Temperature>& ambient = sample.ambient.good() ? sample.ambient : run.last.ambient;
    const bool relative = plan.traits.has_ambient && ambient.good();
    const TemperatureDifference rise{temperature.count - (relative ? ambient.value.count : 0)};
    const std::int64_t slope = slope_of(guards.slope, sample.temperature.time, rise);
    // Ten minutes after the current stopped a sound cell cools: still warming at a quarter of the limit is
    // self-heating.
    const bool should_cool = !flows && sample.temperature.time - guards.current_stopped >= still_warming_after;
    const GuardSetting& s = plan.guards[index_of(GuardId::temperature_rise)];
    const std::int64_t limit = should_cool ? s.trip / 4 : s.trip;
    judge.note_closest(GuardId::temperature_rise, slope, limit - slope);
    judge.judge(GuardId::temperature_rise, slope, limit, !(slope <= limit) && !s.warn_only, span);
}

void judge_charge(Judge& judge, const Plan& plan, const Run& run) {
    const CellHistory& history = run.history;
    const Charge leg_max = history.first_leg_over ? plan.leg_max_later : plan.leg_max_first;
    const Charge leg = history.leg + run.uncertain_leg;
    judge.note_closest(GuardId::charge_leg, leg.count, (leg_max - leg).count);
    judge.at_once(GuardId::charge_leg, leg.count, leg_max.count, !(leg <= leg_max));
    const GuardSetting& net = plan.guards[index_of(GuardId::charge_net)];
    const Charge moved = run.net.whole + run.uncertain;
    judge.note_closest(GuardId::charge_net, moved.count, net.trip - moved.count);
    judge.at_once(GuardId::charge_net, moved.count, net.trip, !(moved.count <= net.trip));
}

// The bench's own limits hold whatever the protocol says, without persistence.
void judge_caps(Judge& judge, const Plan& plan, const Run& run, const Scope& scope, const Sample& sample) {
    if (scope.heat && sample.temperature.good()) {
        judge.at_once(GuardId::bench_cap, sample.temperature.value.count, plan.caps.temperature_max.count,
                      !(sample.temperature.value <= plan.caps.temperature_max));
    }
    if (is_out(run.guards, GuardId::bench_cap) || !scope.running) {
        return;
    }
    if (sample.voltage.good()) {
        judge.at_once(GuardId::bench_cap, sample.voltage.value.count, plan.caps.voltage_max.count,
                      !(sample.voltage.value <= plan.caps.voltage_max));
    }
    if (sample.current.good() && !is_out(run.guards, GuardId::bench_cap)) {
        judge.at_once(GuardId::bench_cap, sample.current.value.count, plan.caps.current_max.count,
                      !(magnitude(sample.current.value) <= plan.caps.current_max));
    }
}

void judge_stale(Judge& judge, const Plan& plan, const Run& run, const Scope& scope, Time now) {
    const auto check = [&](Time fresh, Duration stale_after) {
        if (!(now - fresh <= stale_after)) {
            judge.at_once(GuardId::stale, (now - fresh).count, stale_after.count, true);
            return true;
        }
        return false;
    };
    judge.suspend(GuardId::stale);
    const bool in_doubt = run.state == RunState::waiting && !scope.voltage;
    if (run.state == RunState::checking || run.state == RunState::tripped || in_doubt) {
        return;  // the connection checks have their own deadline; a trip is what a stale reading leads to
    }
    const GuardState& guards = run.guards;
    if (scope.voltage && check(guards.voltage_fresh, plan.stale_voltage)) {
        return;
    }
    if (scope.leakage && check(guards.current_fresh, plan.stale_current)) {
        return;
    }
    if (scope.heat && plan.traits.temperature_of != TemperatureOf::none) {
        check(guards.temperature_fresh, plan.stale_temperature);
    }
}

void judge_run_time(Judge& judge, const Plan& plan, const Run& run, const Scope& scope, Time now) {
    if (!scope.running) {
        return;
    }
    const Duration length = now - run.started - run.aside;
    const GuardSetting& s = plan.guards[index_of(GuardId::run_time)];
    judge.note_closest(GuardId::run_time, length.count, s.trip - length.count);
    judge.at_once(GuardId::run_time, length.count, s.trip, !(length.count <= s.trip));
}

bool sound(const Sample& sample) {
    return sample.voltage.quality != Quality::bad && sample.current.quality != Quality::bad &&
           sample.temperature.quality != Quality::bad;
}

template <class Q>
void mark_bad_unless(Reading<Q>& reading, bool plausible) {
    if (reading.good() && !plausible) {
        reading.quality = Quality::bad;
        reading.value = Q{};
    }
}

}  // namespace

Sample plausible_part(const Plan& plan, const Sample& sample, Time now) {
    const ChannelTraits& traits = plan.traits;
    Sample part = sample;
    mark_bad_unless(part.voltage, part.voltage.time <= now);
    mark_bad_unless(part.current, part.current.time <= now);
    mark_bad_unless(part.temperature, part.temperature.time <= now);
    mark_bad_unless(part.ambient, part.ambient.time <= now);
    mark_bad_unless(part.temperature, part.temperature.value >= traits.temperature_plausible_min &&
                                          part.temperature.value <= traits.temperature_plausible_max);
    mark_bad_unless(part.voltage, magnitude(part.voltage.value) <= traits.voltage_max + traits.voltage_max / 10);
    const Current range = std::max(traits.source_max, traits.sink_max);
    mark_bad_unless(part.current, magnitude(part.current.value) <= range + range / 10);
    return part;
}

bool is_out(const GuardState& guards, GuardId id) {
    return (guards.out & bit_of(id)) != 0;
}

GuardFinding judge_sample(const Plan& plan, Run& run, const Sample& sample, Time now) {
    const Scope scope = scope_of(plan, run);
    Judge judge{plan, run, now};
    if (!scope.heat) {
        return judge.finding;
    }
    GuardState& guards = run.guards;
    const bool all_sound = sound(sample);
    if (!all_sound) {
        ++guards.bad_readings;
    }
    if (scope.voltage) {
        const Duration span = span_of(now, run.last_sample, plan.stale_voltage);
        judge.judge(GuardId::not_plausible, 0, 0, !all_sound, span);
    }
    judge_caps(judge, plan, run, scope, sample);
    const Current leakage{plan.guards[index_of(GuardId::leakage)].trip};
    const Reading<Current>& flowing = newest(sample.current, run.last.current);
    const auto* drive = std::get_if<DriveCurrent>(&run.demand);
    const auto* hold = std::get_if<HoldVoltage>(&run.demand);
    const bool discharging = (flowing.good() && flowing.value < -leakage) ||
                             (drive != nullptr && drive->current.count < 0) ||
                             (hold != nullptr && hold->source_max.count == 0);
    if (sample.voltage.good() && sample.voltage.time > guards.voltage_fresh) {
        const Duration span = span_of(sample.voltage.time, guards.voltage_fresh, plan.stale_voltage);
        guards.voltage_fresh = sample.voltage.time;
        if (scope.voltage) {
            judge_voltage(judge, plan, run, sample.voltage.value, span, scope.running && discharging);
        }
    }
    if (sample.current.good() && sample.current.time > guards.current_fresh) {
        const Duration span = span_of(sample.current.time, guards.current_fresh, plan.stale_current);
        guards.current_fresh = sample.current.time;
        judge_current(judge, plan, run, scope, sample, span);
    }
    if (sample.temperature.good() && sample.temperature.time > guards.temperature_fresh) {
        const Duration span = span_of(sample.temperature.time, guards.temperature_fresh, plan.stale_temperature);
        guards.temperature_fresh = sample.temperature.time;
        judge_temperature(judge, plan, run, scope, sample, span);
    }
    if (scope.running) {
        judge_charge(judge, plan, run);
    }
    judge_stale(judge, plan, run, scope, now);
    judge_run_time(judge, plan, run, scope, now);
    return judge.finding;
}

GuardFinding judge_tick(const Plan& plan, Run& run, Time now) {
    const Scope scope = scope_of(plan, run);
    Judge judge{plan, run, now};
    if (!scope.heat) {
        return judge.finding;
    }
    judge_stale(judge, plan, run, scope, now);
    judge_run_time(judge, plan, run, scope, now);
    return judge.finding;
}

void restart_soft_guards(GuardState& guards) {
    for (const GuardId id : {GuardId::current_error, GuardId::hold_error, GuardId::current_lost}) {
        GuardFill& fill = guards.fill[index_of(id)];
        fill.out_for = Duration{};
        fill.samples = 0;
        guards.out &= ~bit_of(id);
        guards.filled &= ~bit_of(id);
    }
    guards.lost_from = Current{};
}

void start_guards(GuardState& guards, Time now) {
    guards.voltage_fresh = now;
    guards.current_fresh = now;
    guards.temperature_fresh = now;
    guards.current_stopped = now;
    guards.slope = SlopeWindow{};
    guards.lost_from = Current{};
    guards.out = 0;
}

}  // namespace slowfilm::engine
