// What the current tells: too much, not what was asked for, gone, or there though the circuit is open.
#include "daemon/engine/guards_judge.hpp"

namespace slowfilm::engine {

namespace {

using namespace literals;

constexpr Duration lost_after = 10_s;  // beside settling

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

// A sweep moves its set-point between two readings: how far a reading may lag behind it, in the sweep's unit.
std::int64_t lag_of_sweep(const Plan& plan, const Run& run, bool of_current) {
    const SweepPlan& sweep = plan.steps[run.step].sweep;
    if (sweep.of_current != of_current) {
        return 0;
    }
    const Duration lag = plan.traits.period + plan.traits.settle;
    if (of_current) {
        __extension__ using Wide = __int128;
        const std::int64_t from = sweep.from_now ? run.shape.from : sweep.from;
        const Wide way = sweep.to < from ? from - sweep.to : sweep.to - from;
        return sweep.over.count > 0 ? static_cast<std::int64_t>(way * lag.count / sweep.over.count) : 0;
    }
    return moved_by(sweep.rate, lag).count;
}

std::int64_t sweep_lag(const Plan& plan, const Run& run, bool of_current) {
    const bool sweeps = run.in_visit && plan.steps[run.step].kind == StepKind::ramp;
    return sweeps ? lag_of_sweep(plan, run, of_current) : 0;
}

void judge_drive(Judge& judge, const DriveCurrent& drive, const Sample& sample, Duration span) {
    const Plan& plan = judge.plan;
    judge.suspend(GuardId::hold_error);
    judge.suspend(GuardId::current_lost);
    if (at_bound(plan, drive, sample.mode, newest(sample.voltage, judge.run.last.voltage))) {
        judge.suspend(GuardId::current_error);
        return;
    }
    const GuardSetting& s = judge.setting(GuardId::current_error);
    const std::int64_t off = magnitude(sample.current.value - drive.current).count - sweep_lag(plan, judge.run, true);
    const std::int64_t limit = s.origin == Origin::by_default
                                   ? (plan.traits.current_accuracy * 2 + magnitude(drive.current) / 100).count
                                   : s.trip;
    judge.above_limit(GuardId::current_error, off, limit, span);
}

// In a hold the voltage must be at its setpoint unless the stage is at one of its current limits.
void judge_hold(Judge& judge, const HoldVoltage& hold, const Sample& sample, Duration span) {
    const Plan& plan = judge.plan;
    Run& run = judge.run;
    judge.suspend(GuardId::current_error);
    const Current current = sample.current.value;
    const Current slack = plan.traits.current_accuracy * 2 + std::max(hold.source_max, hold.sink_max) / 100;
    const bool at_source = hold.source_max.count > 0 && current >= hold.source_max - slack;
    const bool at_sink = hold.sink_max.count > 0 && current <= -(hold.sink_max - slack);
    const Reading<Voltage>& voltage = newest(sample.voltage, run.last.voltage);
    if (at_source || at_sink || !voltage.good()) {
        judge.suspend(GuardId::hold_error);
    } else {
        const std::int64_t off = magnitude(voltage.value - hold.voltage).count - sweep_lag(plan, run, false);
        judge.above(GuardId::hold_error, off, span);
    }
    // A taper falls slowly; a lost contact takes the current away between two readings.
    const PlanStep& step = plan.steps[run.step];
    const bool judged = run.applied_known && sample.current.time >= run.applied_at + plan.traits.settle + lost_after;
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

}  // namespace

void judge_current(Judge& judge, const Sample& sample, Duration span) {
    const Run& run = judge.run;
    const Current current = sample.current.value;
    judge.above(GuardId::over_current, magnitude(current).count, span);  // asked for or not
    const bool settled = sample.current.time >= run.applied_at + judge.plan.traits.settle;
    // Judged against what the stage has taken: current that nobody has let flow yet is current at open circuit.
    if (judge.scope.leakage && run.applied_known && settled && is_open(run.applied)) {
        judge.above(GuardId::leakage, magnitude(current).count, span);
    } else {
        judge.suspend(GuardId::leakage);
    }
    if (is_open(run.demand)) {
        judge.suspend(GuardId::current_error);
        judge.suspend(GuardId::hold_error);
        return;
    }
    if (!settled || !run.taken || !judge.scope.running) {
        return;
    }
    if (const auto* drive = std::get_if<DriveCurrent>(&run.demand)) {
        judge_drive(judge, *drive, sample, span);
    } else if (const auto* hold = std::get_if<HoldVoltage>(&run.demand)) {
        judge_hold(judge, *hold, sample, span);
    }
}

}  // namespace slowfilm::engine
