// What the voltage tells: limits, an internal short, a loose contact, a lifted sense lead, a frozen converter.
#include "daemon/engine/guards_judge.hpp"

namespace slowfilm::engine {

namespace {

using namespace literals;

constexpr Duration fall_after = 10_min;
constexpr Duration jump_after = 10_s;
constexpr Voltage first_charge_settles_at = 3000_mV;
constexpr Voltage wrong_way = 50_mV;  // more than a cell still relaxes by against a new current; common practice

Time last_change(const Run& run) {
    return std::max(run.demand_at, run.applied_at);
}

const PlanStep* step_of(const Judge& judge) {
    return judge.run.in_visit ? &judge.plan.steps[judge.run.step] : nullptr;
}

// A sweep downwards takes the voltage with it.
bool sweeps_down(const PlanStep* step, const Run& run) {
    return step != nullptr && step->kind == StepKind::ramp &&
           step->sweep.to < (step->sweep.from_now ? run.shape.from : step->sweep.from);
}

// An internal short takes the voltage of a charging cell down. What it falls from is the lower of two readings in a
// row, or one spurious reading would stand as the highest.
void judge_fall(Judge& judge, Voltage voltage, Duration span, bool charging) {
    GuardState& guards = judge.run.guards;
    if (!charging || judge.now < last_change(judge.run) + fall_after) {
        guards.highest_known = false;
        judge.suspend(GuardId::voltage_fall);
        return;
    }
    const Reading<Voltage>& last = judge.run.last.voltage;
    const Voltage seen = last.good() ? std::min(voltage, last.value) : voltage;
    if (!guards.highest_known || seen > guards.highest_charging || sweeps_down(step_of(judge), judge.run)) {
        guards.highest_charging = seen;
        guards.highest_known = true;
    }
    judge.above(GuardId::voltage_fall, (guards.highest_charging - voltage).count, span);
}

// How far the voltage went where a change of demand, or a fresh cell's first rise, takes it along: only what neither
// can do counts. It falls though more charge current was switched on, rises though discharge was, or leaps. What it
// undoes of the step before does not count, or one spurious reading would be a jump when it is over.
Voltage moved_wrongly(const Judge& judge, Voltage step, bool settling, bool first_charge) {
    const GuardState& guards = judge.run.guards;
    const auto* drive = std::get_if<DriveCurrent>(&judge.run.demand);
    const Current level = drive != nullptr ? drive->current : Current{};
    // Clearly more than flowed before: what it was is read while it changes, and with noise.
    const Current clearly = magnitude(level) / 10;
    const bool must_rise = level.count > 0 && (!settling || level > guards.settles_from + clearly);
    const bool must_fall = level.count < 0 && settling && level < guards.settles_from - clearly;
    const Voltage fell = -step - std::max(guards.voltage_step, Voltage{});
    const Voltage rose = step + std::min(guards.voltage_step, Voltage{});
    if ((must_rise && fell > wrong_way) || (must_fall && rose > wrong_way)) {
        return must_rise ? fell : rose;
    }
    const Voltage moved = first_charge ? fell : std::max(fell, rose);
    return moved > leap_of_no_cell ? moved : Voltage{};
}

// A step in the voltage with none in demand. A steep slope is none: at the end of a discharge each reading is far from
// the last, but not from where the last two were heading. While a jump is not settled what counts is the distance from
// where it began.
void judge_jump(Judge& judge, const Reading<Voltage>& voltage, Duration span) {
    const Run& run = judge.run;
    GuardState& guards = judge.run.guards;
    const Reading<Voltage>& last = run.last.voltage;
    if (!last.good() || voltage.time - last.time > judge.plan.stale_voltage) {
        guards.jump_known = false;
        guards.voltage_step = Voltage{};
        judge.suspend(GuardId::voltage_jump);
        return;
    }
    const Time changed = last_change(run);
    if (last.time < changed) {
        guards.jump_known = false;
        guards.voltage_step = Voltage{};
    }
    // A reading of the very instant may be the one that ended the step before, or the first of this one.
    if (guards.settles_since != changed && last.time <= changed) {
        guards.settles_since = changed;
        guards.settles_from = run.last.current.value;
    }
    const bool settling = voltage.time < changed + jump_after;
    const bool first_charge =
        !run.history.first_leg_over && std::min(voltage.value, last.value) < first_charge_settles_at;
    const Voltage step = voltage.value - last.value;
    Voltage jump = std::min(magnitude(step), magnitude(step - guards.voltage_step));
    if (guards.jump_known) {
        jump = magnitude(voltage.value - guards.jump_from);
    } else if (settling || first_charge) {
        jump = moved_wrongly(judge, step, settling, first_charge);
    }
    judge.above(GuardId::voltage_jump, jump.count, span);
    const bool out = is_out(guards, GuardId::voltage_jump);
    if (out && !guards.jump_known) [[unlikely]] {
        guards.jump_from = last.value;
    }
    guards.voltage_step = out || guards.jump_known ? Voltage{} : step;
    guards.jump_known = out;
}

// Terminals against sense leads.
void judge_leads(Judge& judge, const Sample& sample, Duration span) {
    const Reading<Voltage>& terminals = newest(sample.terminals, judge.run.last.terminals);
    if (!terminals.good() || leads_unseen(judge, sample) || leads_cut(judge.plan, judge.run)) {
        judge.suspend(GuardId::lead_drop);
        return;
    }
    judge.above(GuardId::lead_drop, magnitude(terminals.value - sample.voltage.value).count, span);
}

// In constant current a voltage that does not change by one digit over so much charge is a frozen converter. The
// current of a constant current, and the voltage of a hold or a rest, may stand still for ever.
void judge_stuck(Judge& judge, const Sample& sample, Duration span) {
    GuardState& guards = judge.run.guards;
    const PlanStep* step = step_of(judge);
    const bool constant_current = judge.scope.running && step != nullptr && step->kind != StepKind::ramp &&
                                  std::holds_alternative<DriveCurrent>(judge.run.demand) &&
                                  sample.mode != StageMode::at_ceiling && sample.mode != StageMode::at_floor;
    if (!constant_current) {
        guards.stuck_known = false;
        judge.suspend(GuardId::stuck);
        return;
    }
    const Charge net = judge.run.net.whole;
    if (!guards.stuck_known || sample.voltage.value != guards.stuck_voltage) {
        guards.stuck_voltage = sample.voltage.value;
        guards.stuck_charge = net;
        guards.stuck_known = true;
        judge.judge(GuardId::stuck, 0, judge.setting(GuardId::stuck).trip, false, span);
        return;
    }
    judge.above(GuardId::stuck, magnitude(net - guards.stuck_charge).count, span);
}

void judge_climb(Judge& judge, Duration span) {
    const Run& run = judge.run;
    const Voltage highest = run.history.highest;
    bool climbed = true;
    std::int64_t missed = 0;
    for (const ClimbGate& gate : judge.plan.climb) {
        if (run.history.net + run.history.net_unseen >= gate.by && highest < gate.above) {
            climbed = false;
            missed = gate.above.count;
            break;
        }
    }
    judge.judge(GuardId::climb, highest.count, missed, !climbed, span);
}

}  // namespace

bool leads_unseen(const Judge& judge, const Sample& sample) {
    if (!sample.voltage.good()) {
        return false;
    }
    const Reading<Voltage>& terminals = newest(sample.terminals, judge.run.last.terminals);
    return !terminals.good() || sample.voltage.time - terminals.time > judge.plan.stale_voltage;
}

void judge_voltage(Judge& judge, const Sample& sample, Duration span, const Flow& flow) {
    const Voltage voltage = sample.voltage.value;
    if (!judge.scope.idle) {  // the wiring first: what it shows is no cell's
        judge_jump(judge, sample.voltage, span);
        if (judge.setting(GuardId::lead_drop).origin != Origin::off) {
            judge_leads(judge, sample, span);
        }
    }
    judge.above(GuardId::over_voltage, voltage.count, span);
    judge.below(GuardId::reversed, voltage.count, span);
    if (judge.run.history.armed) {
        judge.below(GuardId::low_voltage, voltage.count, span);
    }
    if (judge.scope.idle) {
        return;  // what judges an answer to a demand has nothing to say of a cell that only lies there
    }
    if (flow.discharging) {
        judge.below(GuardId::discharge_floor, voltage.count, span);
    } else {
        judge.suspend(GuardId::discharge_floor);
    }
    judge_fall(judge, voltage, span, flow.charging);
    judge_stuck(judge, sample, span);
    judge_climb(judge, span);
}

}  // namespace slowfilm::engine
