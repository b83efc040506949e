// Which condition ends a step.
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
        case StepKind::hold:
            switch (step.direction) {
                case protocol::Direction::charge: return in;
                case protocol::Direction::discharge: return out;
                case protocol::Direction::either: return in + out;
            }
            return in + out;
        case StepKind::rest:
        case StepKind::ramp:
        case StepKind::pulse:
        case StepKind::ask:
        case StepKind::repeat: return in + out;
    }
    return in + out;
}

}  // namespace

// A sweep of the voltage goes where it is led; one of the current charges or discharges by its sign, and by the current
// it comes to where it changes sign. A hold in either direction comes to its net charge from where it began.
bool Machine::goes_up(const PlanStep& step) const {
    switch (step.kind) {
        case StepKind::charge: return true;
        case StepKind::ramp: {
            const std::int64_t from = run_.shape.from;
            const bool charges = step.sweep.to > 0 || (step.sweep.to == 0 && from >= 0);
            return step.sweep.of_current ? charges : step.sweep.to >= from;
        }
        case StepKind::hold:
            return step.direction == protocol::Direction::charge ||
                   (step.direction == protocol::Direction::either && run_.totals.net_at_start <= run_.goals.end_net);
        case StepKind::discharge:
        case StepKind::rest:
        case StepKind::pulse:
        case StepKind::ask:
        case StepKind::repeat: return false;
    }
    return false;
}

bool Machine::goes_down(const PlanStep& step) const {
    switch (step.kind) {
        case StepKind::discharge: return true;
        case StepKind::ramp:
        case StepKind::hold: return !goes_up(step);
        case StepKind::charge:
        case StepKind::rest:
        case StepKind::pulse:
        case StepKind::ask:
        case StepKind::repeat: return false;
    }
    return false;
}

// The condition that holds before any current, or none.
EndReason Machine::already_so(const PlanStep& step) const {
    const bool moves = step.kind == StepKind::charge || step.kind == StepKind::discharge || step.kind == StepKind::ramp;
    if (!moves || step.not_before.count > 0) {
        return EndReason::none;
    }
    const Reading<Voltage>& voltage = run_.last.voltage;
    const bool up = goes_up(step);
    if (step.end_voltage.set && voltage.good() &&
        (up ? voltage.value >= step.end_voltage.value : voltage.value <= step.end_voltage.value)) {
        return EndReason::voltage;
    }
    const bool there = up ? run_.net.whole >= run_.goals.end_net : run_.net.whole <= run_.goals.end_net;
    return step.end_net.set && there ? EndReason::net : EndReason::none;
}

bool Machine::voltage_reached(const PlanStep& step, const Sample& sample) const {
    if (!sample.voltage.good()) {
        return false;
    }
    const Voltage seen = sample.voltage.value;
    if ((step.end_above.set && seen >= step.end_above.value) || (step.end_below.set && seen <= step.end_below.value)) {
        return true;
    }
    if (!step.end_voltage.set) {
        return false;
    }
    const auto* drive = std::get_if<DriveCurrent>(&run_.goals.demand);
    const Voltage end = step.end_voltage.value;
    const Voltage margin = drive == nullptr ? Voltage{} : drive->ceiling - end;
    const Voltage under = drive == nullptr ? Voltage{} : end - drive->floor;
    if (goes_up(step)) {
        return seen >= end || (sample.mode == StageMode::at_ceiling && seen >= end - margin);
    }
    if (goes_down(step)) {
        return seen <= end || (sample.mode == StageMode::at_floor && seen <= end + under);
    }
    return false;
}

void Machine::judge_taper(const Sample& sample, Duration span) {
    if (run_.state != RunState::forming || !run_.underway) {
        return;
    }
    const PlanStep& step = plan_.steps[run_.step];
    const auto* hold = std::get_if<HoldVoltage>(&run_.goals.demand);
    if (hold == nullptr || !step.end_current.set) {
        return;
    }
    const Reading<Voltage>& voltage = newest(sample.voltage, run_.last.voltage);
    const Reading<Current>& reading = newest(sample.current, run_.last.current);
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
    const bool met = at_setpoint && in_direction && settled && magnitude(current) <= run_.goals.end_current;
    run_.taper_time = met ? run_.taper_time + std::min(span, plan_.stale_current) : Duration{};
}

// A temperature reached and kept: one reading outside begins it anew.
void Machine::judge_reached(const Sample& sample, Duration span) {
    const bool live = run_.state == RunState::forming || run_.state == RunState::resting;
    if (!live || !run_.underway) {
        return;
    }
    const PlanStep& step = plan_.steps[run_.step];
    if ((step.end_temperature_min.set || step.end_temperature_max.set) && sample.temperature.good()) {
        const Temperature seen = sample.temperature.value;
        const bool within = (!step.end_temperature_min.set || seen >= step.end_temperature_min.value) &&
                            (!step.end_temperature_max.set || seen <= step.end_temperature_max.value);
        run_.temperature_for = within ? run_.temperature_for + std::min(span, plan_.stale_temperature) : Duration{};
    }
    if (step.settle_below.set && sample.voltage.good()) {
        note_drift(step, sample.voltage);
    }
}

void Machine::note_drift(const PlanStep& step, const Reading<Voltage>& voltage) {
    SettleWindow& window = run_.settle;
    if (!run_.opening.verified && is_open(run_.demand)) {
        window = SettleWindow{};
        return;
    }
    if (!window.begun) {
        window = SettleWindow{.since = voltage.time, .first = voltage.value, .begun = true};
    }
    const Duration age = voltage.time - window.since;
    const std::size_t half = age * 2 < step.settle_over ? 0 : 1;
    window.sum[half] += (voltage.value - window.first).count;
    ++window.count[half];
}

// Whether a whole window has passed and drifts by less; a window that does not is followed by the next.
bool Machine::settled(const PlanStep& step) {
    SettleWindow& window = run_.settle;
    if (!window.begun || run_.last.voltage.time - window.since < step.settle_over) {
        return false;
    }
    const SettleWindow over = window;
    window = SettleWindow{};
    if (over.count[0] == 0 || over.count[1] == 0) {
        return false;
    }
    const std::int64_t early = over.sum[0] / over.count[0];
    const std::int64_t late = over.sum[1] / over.count[1];
    const auto slope = decay_of(Voltage{early}, Voltage{late}, step.settle_over / 2);
    return slope && magnitude(*slope) < step.settle_below.value;
}

EndReason Machine::end_reason(const PlanStep& step, const Sample* sample) {
    if (run_.visit_time < step.not_before) {
        return EndReason::none;
    }
    if (sample != nullptr && voltage_reached(step, *sample)) {
        return EndReason::voltage;
    }
    if (step.end_current.set && run_.taper_time >= taper_for) {
        return EndReason::current;
    }
    const bool temperature = step.end_temperature_min.set || step.end_temperature_max.set;
    if (temperature && run_.temperature_for > Duration{} && run_.temperature_for >= step.end_temperature_for) {
        return EndReason::temperature;
    }
    if (step.settle_below.set && settled(step)) {
        return EndReason::settled;
    }
    if (step.end_time.set && run_.visit_time >= step.end_time.value) {
        return EndReason::time;
    }
    if (step.end_amount.set && amount_of(step, run_.totals) + run_.uncertain_visit >= run_.goals.end_amount) {
        return EndReason::amount;
    }
    if (step.end_net.set) {
        const Charge net = run_.net.whole;
        if (goes_down(step) ? net - run_.uncertain <= run_.goals.end_net : net + run_.uncertain >= run_.goals.end_net) {
            return EndReason::net;
        }
    }
    return EndReason::none;
}

void Machine::judge_ends(const Sample* sample) {
    const bool live = run_.state == RunState::forming || run_.state == RunState::resting;
    if ((!live && run_.state != RunState::asking) || run_.gathering) {
        return;
    }
    if (!run_.in_visit) {
        begin_next_step();  // the visit before ended without current
        return;
    }
    const PlanStep& step = plan_.steps[run_.step];
    const bool pending = run_.guards.out != 0;  // a fault never passes for an end
    if (live && !pending && (run_.taken || is_open(run_.demand))) {
        EndReason reason = end_reason(step, sample);
        if (reason == EndReason::none) {
            reason = go_through_shape(step, sample);
        }
        if (reason != EndReason::none) {
            end_step(reason);
            return;
        }
    }
    judge_caps(step, pending, live);
}

void Machine::judge_caps(const PlanStep& step, bool pending, bool live) {
    const auto allowed = [&](protocol::OnOverrun what) { return !pending || what != protocol::OnOverrun::next; };
    if (step.at_most_amount.set && amount_of(step, run_.totals) + run_.uncertain_visit >= run_.goals.at_most_amount) {
        // A charge cap is never passed over by going on: the plan allows `next` for a time cap only.
        overrun(EndReason::at_most_amount, step.on_overrun, -1, WaitReason::overrun);
        return;
    }
    if (step.at_most_time.set && run_.visit_time >= step.at_most_time.value && allowed(step.on_overrun)) {
        overrun(EndReason::at_most_time, step.on_overrun, -1, WaitReason::overrun);
        return;
    }
    // A repeat's cap never passes over a question to a person.
    for (std::int32_t parent = live ? step.parent : -1; parent >= 0;) {
        const PlanStep& repeat = plan_.steps[static_cast<std::size_t>(parent)];
        if (repeat.at_most_time.set && run_.repeat_time[repeat.depth] >= repeat.at_most_time.value &&
            allowed(repeat.on_overrun)) {
            overrun(EndReason::repeat_at_most, repeat.on_overrun, parent, WaitReason::overrun);
            return;
        }
        parent = repeat.parent;
    }
}

}  // namespace slowfilm::engine
