// Steps: how one begins, when it ends, what comes next.
#include "daemon/engine/machine.hpp"

#include <algorithm>

namespace slowfilm::engine {

namespace {

using namespace literals;

constexpr Duration taper_for = 30_s;

// Charge moved in this visit in the step's own direction.
Charge amount_of(const PlanStep& step, const VisitTotals& totals) {
    const Charge in = totals.charge_in.whole;
    const Charge out = totals.charge_out.whole;
    switch (step.kind) {
        case StepKind::charge: return in;
        case StepKind::discharge: return out;
        case StepKind::ramp:
        case StepKind::pulse: return in + out;
        case StepKind::hold:
            switch (step.direction) {
                case protocol::Direction::charge: return in;
                case protocol::Direction::discharge: return out;
                case protocol::Direction::either: return in + out;
            }
            return in + out;
        case StepKind::rest:
        case StepKind::ask:
        case StepKind::repeat: return in + out;
    }
    return in + out;
}

bool discharges(const PlanStep& step) {
    return step.kind == StepKind::discharge ||
           (step.kind == StepKind::hold && step.direction == protocol::Direction::discharge);
}

}  // namespace

void Machine::begin_first_step() {
    begin_step(first_leaf(0));
}

void Machine::begin_next_step() {
    const std::int32_t next = step_after(run_.step);
    if (next < 0) {
        finish(RunState::done);
    } else {
        begin_step(next);
    }
}

// The first step with no steps inside it, at or under `index`; opens the repeats on the way.
std::int32_t Machine::first_leaf(std::int32_t index) {
    while (plan_.steps[static_cast<std::size_t>(index)].kind == StepKind::repeat) {
        const PlanStep& repeat = plan_.steps[static_cast<std::size_t>(index)];
        run_.pass[repeat.depth] = 1;
        run_.repeat_time[repeat.depth] = Duration{};
        index = repeat.first_child;
    }
    return index;
}

// What follows a step in the order of the file, repeats counted; -1 at the end. At most one turn a level.
std::int32_t Machine::step_after(std::int32_t index) {
    for (;;) {
        const PlanStep& step = plan_.steps[static_cast<std::size_t>(index)];
        if (step.next >= 0) {
            return first_leaf(step.next);
        }
        if (step.parent < 0) {
            return -1;
        }
        const PlanStep& repeat = plan_.steps[static_cast<std::size_t>(step.parent)];
        std::uint32_t& pass = run_.pass[repeat.depth];
        if (pass < repeat.times) {
            ++pass;
            return first_leaf(repeat.first_child);
        }
        pass = 0;
        index = step.parent;
    }
}

void Machine::begin_step(std::int32_t index) {
    const auto place = static_cast<std::size_t>(index);
    run_.step = static_cast<std::uint16_t>(place);
    run_.visit += run_.begun ? 1 : 0;
    run_.begun = true;
    run_.in_visit = true;
    run_.visit_time = Duration{};
    run_.uncertain_visit = Charge{};
    const PlanStep& step = plan_.steps[place];
    VisitTotals& totals = run_.totals;  // holds what flowed since the visit before ended: nothing is lost between two
    totals.visit = run_.visit;
    totals.step = run_.step;
    totals.pass = run_.pass;
    totals.cycle = run_.cycle;
    totals.started = now_;
    totals.net_at_start = run_.net.whole - (totals.charge_in.whole - totals.charge_out.whole);
    totals.voltage_seen = run_.last.voltage.good();
    totals.voltage_start = totals.voltage_end = run_.last.voltage.value;
    totals.temperature_seen = run_.last.temperature.good();
    totals.temperature_max = run_.last.temperature.value;
    emit(EventKind::step_began);
    decision_.commit = true;
    std::uint64_t& already = run_.already_so[place / 64 % run_.already_so.size()];
    const std::uint64_t bit = std::uint64_t{1} << (place % 64);
    if (!already_so(step)) {
        already &= ~bit;
        go_on_with_step();
        return;
    }
    const bool twice = step.depth > 0 && (already & bit) != 0;
    already |= bit;
    demand(Open{});
    run_.state = RunState::forming;  // the next input begins the next step
    end_visit(EndReason::already_so);
    if (twice) {
        run_.wait = WaitReason::already_so_twice;
        finish(RunState::stopped);
    }
}

void Machine::go_on_with_step() {
    const PlanStep& step = plan_.steps[run_.step];
    run_.taper_time = Duration{};
    run_.kept_any = false;
    restart_soft_guards(run_.guards);
    switch (step.kind) {
        case StepKind::charge:
        case StepKind::discharge:
        case StepKind::hold:
        case StepKind::ramp:
        case StepKind::pulse: run_.state = RunState::forming; break;
        case StepKind::rest: run_.state = RunState::resting; break;
        case StepKind::ask:
            run_.state = RunState::asking;
            emit(EventKind::asking);
            break;
        case StepKind::repeat: break;  // first_leaf never stops at one
    }
    demand(step.demand);
}

bool Machine::already_so(const PlanStep& step) const {
    const Reading<Voltage>& voltage = run_.last.voltage;
    if (step.kind == StepKind::charge) {
        return (step.end_voltage.set && voltage.good() && voltage.value >= step.end_voltage.value) ||
               (step.end_net.set && run_.net.whole >= step.end_net.value);
    }
    if (step.kind == StepKind::discharge) {
        return (step.end_voltage.set && voltage.good() && voltage.value <= step.end_voltage.value) ||
               (step.end_net.set && run_.net.whole <= step.end_net.value);
    }
    return false;
}

void Machine::end_visit(EndReason reason) {
    if (!run_.in_visit) {
        return;
    }
    const PlanStep& step = plan_.steps[run_.step];
    VisitTotals& totals = run_.totals;
    totals.ended = now_;
    totals.ended_by = reason;
    totals.ends_cycle = step.ends_cycle_by_voltage && reason == EndReason::voltage;
    run_.visit_before_last = run_.last_visit;
    run_.last_visit = totals;
    run_.totals = VisitTotals{};
    run_.in_visit = false;
    run_.cycle += run_.last_visit.ends_cycle ? 1 : 0;
    emit(EventKind::step_ended, static_cast<std::uint8_t>(reason));
    decision_.keep = true;
    decision_.commit = true;
}

void Machine::end_step(EndReason reason) {
    end_visit(reason);
    begin_next_step();
}

void Machine::finish(RunState state) {
    demand(Open{});
    end_visit(EndReason::stopped);
    run_.state = state;
    emit(state == RunState::done ? EventKind::done : EventKind::stopped);
    decision_.commit = true;
    decision_.keep = true;
}

// The cap was reached: the visit is over, and the protocol says what follows. `repeat` is the repeat whose cap it was,
// or -1.
void Machine::overrun(EndReason reason, protocol::OnOverrun what, std::int32_t repeat) {
    const bool unanswered = repeat < 0 && plan_.steps[run_.step].kind == StepKind::ask;
    if (unanswered && what == protocol::OnOverrun::wait) {
        run_.visit_time = Duration{};
        wait(WaitReason::overrun);  // the ask stays open: a resume asks again, nothing goes on without its confirm
        return;
    }
    end_visit(reason);
    if (repeat >= 0) {
        run_.step = static_cast<std::uint16_t>(repeat);  // what comes next follows the whole repeat
        std::fill(run_.pass.begin() + plan_.steps[run_.step].depth, run_.pass.end(), 0U);
    }
    switch (what) {
        case protocol::OnOverrun::stop:
            run_.wait = WaitReason::overrun;
            finish(RunState::stopped);
            return;
        case protocol::OnOverrun::wait: wait(WaitReason::overrun); return;
        case protocol::OnOverrun::next: begin_next_step(); return;
    }
}

bool Machine::voltage_reached(const PlanStep& step, const Sample& sample) const {
    if (!step.end_voltage.set || !sample.voltage.good()) {
        return false;
    }
    const auto* drive = std::get_if<DriveCurrent>(&step.demand);
    const Voltage margin = drive == nullptr ? Voltage{} : drive->ceiling - step.end_voltage.value;
    const Voltage under = drive == nullptr ? Voltage{} : step.end_voltage.value - drive->floor;
    const Voltage end = step.end_voltage.value;
    const Voltage seen = sample.voltage.value;
    if (step.kind == StepKind::charge) {
        return seen >= end || (sample.mode == StageMode::at_ceiling && seen >= end - margin);
    }
    if (step.kind == StepKind::discharge) {
        return seen <= end || (sample.mode == StageMode::at_floor && seen <= end + under);
    }
    return false;
}

void Machine::judge_taper(const Sample& sample, Duration span) {
    if (run_.state != RunState::forming || !run_.in_visit) {
        return;
    }
    const PlanStep& step = plan_.steps[run_.step];
    const auto* hold = std::get_if<HoldVoltage>(&step.demand);
    if (hold == nullptr || !step.end_current.set) {
        return;
    }
    const Reading<Voltage>& voltage = sample.voltage.good() ? sample.voltage : run_.last.voltage;
    const Reading<Current>& reading = sample.current.good() ? sample.current : run_.last.current;
    const bool any = sample.voltage.good() || sample.current.good();
    if (!any || !voltage.good() || !reading.good()) {
        return;  // neither met nor missed: staleness is judged elsewhere
    }
    const std::int64_t hold_error = plan_.guards[static_cast<std::size_t>(GuardId::hold_error)].trip;
    const bool at_setpoint = magnitude(voltage.value - hold->voltage).count <= hold_error;
    const Current current = reading.value;
    bool in_direction = true;
    switch (step.direction) {
        case protocol::Direction::charge: in_direction = current.count > 0; break;
        case protocol::Direction::discharge: in_direction = current.count < 0; break;
        case protocol::Direction::either: break;
    }
    const bool settled = run_.taken && now_ >= run_.applied_at + plan_.traits.settle;
    const bool met = at_setpoint && in_direction && settled && magnitude(current) <= step.end_current.value;
    run_.taper_time = met ? run_.taper_time + std::min(span, plan_.stale_current) : Duration{};
}

EndReason Machine::end_reason(const PlanStep& step, const Sample* sample) const {
    if (sample != nullptr && voltage_reached(step, *sample)) {
        return EndReason::voltage;
    }
    if (step.end_current.set && run_.taper_time >= taper_for) {
        return EndReason::current;
    }
    if (step.end_time.set && run_.visit_time >= step.end_time.value) {
        return EndReason::time;
    }
    if (step.end_amount.set && amount_of(step, run_.totals) + run_.uncertain_visit >= step.end_amount.value) {
        return EndReason::amount;
    }
    if (step.end_net.set) {
        const Charge net = run_.net.whole;
        if (discharges(step) ? net - run_.uncertain <= step.end_net.value
                             : net + run_.uncertain >= step.end_net.value) {
            return EndReason::net;
        }
    }
    return EndReason::none;
}

void Machine::judge_ends(const Sample* sample) {
    const bool live = run_.state == RunState::forming || run_.state == RunState::resting;
    if (!live && run_.state != RunState::asking) {
        return;
    }
    if (!run_.in_visit) {
        begin_next_step();  // the visit before ended without current
        return;
    }
    const PlanStep& step = plan_.steps[run_.step];
    const bool pending = run_.guards.out != 0;  // a fault never passes for an end
    if (live && !pending && (run_.taken || is_open(run_.demand))) {
        const EndReason reason = end_reason(step, sample);
        if (reason != EndReason::none) {
            end_step(reason);
            return;
        }
    }
    const auto allowed = [&](protocol::OnOverrun what) { return !pending || what != protocol::OnOverrun::next; };
    if (step.at_most_amount.set && amount_of(step, run_.totals) + run_.uncertain_visit >= step.at_most_amount.value) {
        // A charge cap is never passed over by going on: the plan allows `next` for a time cap only.
        overrun(EndReason::at_most_amount, step.on_overrun, -1);
        return;
    }
    if (step.at_most_time.set && run_.visit_time >= step.at_most_time.value && allowed(step.on_overrun)) {
        overrun(EndReason::at_most_time, step.on_overrun, -1);
        return;
    }
    // A repeat's cap never passes over a question to a person.
    for (std::int32_t parent = live ? step.parent : -1; parent >= 0;) {
        const PlanStep& repeat = plan_.steps[static_cast<std::size_t>(parent)];
        if (repeat.at_most_time.set && run_.repeat_time[repeat.depth] >= repeat.at_most_time.value &&
            allowed(repeat.on_overrun)) {
            overrun(EndReason::at_most_time, repeat.on_overrun, parent);
            return;
        }
        parent = repeat.parent;
    }
}

}  // namespace slowfilm::engine
