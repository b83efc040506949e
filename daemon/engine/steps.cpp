// Steps: how one begins, what comes next, how one is over.
#include "daemon/engine/machine.hpp"

#include <algorithm>
#include <array>

namespace slowfilm::engine {

namespace {

// A measured capacity beyond these is no capacity of this cell: the step waits for a person instead.
constexpr std::int64_t measured_least_percent = 20;
constexpr std::int64_t measured_most_percent = 150;

template <class Q>
Q scaled(Q at_rated, Charge measured, Charge rated) {
    __extension__ using Wide = __int128;
    return Q{static_cast<std::int64_t>(static_cast<Wide>(at_rated.count) * measured.count / rated.count)};
}

// Which of the ends that a protocol can call good a reason is.
protocol::GoodEnd end_of(EndReason reason) {
    switch (reason) {
        case EndReason::voltage: return protocol::GoodEnd::voltage;
        case EndReason::current: return protocol::GoodEnd::current;
        case EndReason::time: return protocol::GoodEnd::time;
        case EndReason::amount: return protocol::GoodEnd::amount;
        case EndReason::net: return protocol::GoodEnd::net;
        case EndReason::temperature: return protocol::GoodEnd::temperature;
        case EndReason::settled: return protocol::GoodEnd::settle;
        case EndReason::none:
        case EndReason::confirmed:
        case EndReason::passes:
        case EndReason::already_so:
        case EndReason::swept:
        case EndReason::levels:
        case EndReason::figure:
        case EndReason::skipped:
        case EndReason::at_most_time:
        case EndReason::at_most_amount:
        case EndReason::repeat_at_most:
        case EndReason::tripped:
        case EndReason::stopped: return protocol::GoodEnd::any;
    }
    return protocol::GoodEnd::any;
}

}  // namespace

void Machine::begin_first_step() {
    go_to(0);
}

void Machine::begin_next_step() {
    const std::int32_t next = step_after(run_.step);
    if (next < 0) {
        finish(RunState::done);
    } else {
        go_to(next);
    }
}

// Opens the repeats on the way to the first step with no steps inside it.
void Machine::go_to(std::int32_t index) {
    run_.gathering = false;
    while (plan_.steps[static_cast<std::size_t>(index)].kind == StepKind::repeat) {
        const PlanStep& repeat = plan_.steps[static_cast<std::size_t>(index)];
        if (const Truth so = judge_only_if(repeat); so != Truth::yes) {
            pass_over(index, so);
            return;
        }
        run_.gathering = run_.gathering || repeat.together;
        run_.pass[repeat.depth] = 1;
        run_.repeat_time[repeat.depth] = Duration{};
        run_.pass_figure[repeat.depth] = FigureValue{};
        index = repeat.first_child;
    }
    begin_step(index);
}

// A whole repeat is left out. It holds its place for one input, so that one input never walks through many.
void Machine::pass_over(std::int32_t repeat, Truth so) {
    run_.step = static_cast<std::uint16_t>(repeat);
    run_.begun = true;
    emit(EventKind::repeat_ended, static_cast<std::uint8_t>(EndReason::skipped));
    decision_.commit = true;
    if (so == Truth::unknown) {
        wait(WaitReason::no_figure);
        return;
    }
    demand(Open{});
    run_.state = RunState::forming;
}

// What follows a step in the order of the file, repeats counted; -1 at the end. At most one turn a level.
std::int32_t Machine::step_after(std::int32_t index) {
    for (;;) {
        const PlanStep& step = plan_.steps[static_cast<std::size_t>(index)];
        if (step.next >= 0) {
            return step.next;
        }
        if (step.parent < 0) {
            return -1;
        }
        const PlanStep& repeat = plan_.steps[static_cast<std::size_t>(step.parent)];
        std::uint32_t& pass = run_.pass[repeat.depth];
        if (pass < repeat.times && !figure_settled(repeat)) {
            ++pass;
            return repeat.first_child;
        }
        if (pass < repeat.times) {
            run_.step = static_cast<std::uint16_t>(step.parent);
            emit(EventKind::repeat_ended, static_cast<std::uint8_t>(EndReason::figure), pass);
        }
        pass = 0;
        index = step.parent;
    }
}

void Machine::begin_step(std::int32_t index) {
    const auto place = static_cast<std::size_t>(index);
    const PlanStep& step = plan_.steps[place];
    run_.step = static_cast<std::uint16_t>(place);
    run_.visit += run_.visited ? 1 : 0;
    run_.begun = run_.visited = run_.in_visit = true;
    run_.underway = false;
    run_.visit_time = Duration{};
    run_.uncertain_visit = Charge{};
    run_.step_mark = MarkSum{};
    run_.gathering = run_.gathering || step.together;
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
    start_step();
}

// A visit that has begun is put under way, if nothing stands against it.
void Machine::start_step() {
    const PlanStep& step = plan_.steps[run_.step];
    if (run_.gathering) {
        gather();
        return;
    }
    set_ambient_of_repeats(step);
    switch (judge_only_if(step)) {
        case Truth::yes: break;
        case Truth::no: end_without_current(EndReason::skipped); return;
        case Truth::unknown:
            end_visit(EndReason::skipped);
            wait(WaitReason::no_figure);
            return;
    }
    if (!resolve_goals(step)) {
        wait(WaitReason::not_measured);
        return;
    }
    run_.underway = true;
    set_ambient(step);
    begin_shape(step);
    std::uint64_t& already = run_.already_so[run_.step / 64U % run_.already_so.size()];
    const std::uint64_t bit = std::uint64_t{1} << (run_.step % 64U);
    const EndReason so = already_so(step);
    if (so == EndReason::none) {
        already &= ~bit;
        go_on_with_step(false);
        return;
    }
    // The condition that is already so may not be the good one. With `next` the next input goes on, as always here.
    const bool good = step.good_end == protocol::GoodEnd::any || end_of(so) == step.good_end;
    if (!good && step.on_overrun != protocol::OnOverrun::next) {
        overrun(EndReason::already_so, step.on_overrun, -1, WaitReason::not_good_end);
        return;
    }
    const bool twice = step.depth > 0 && (already & bit) != 0;
    already |= bit;
    end_without_current(EndReason::already_so);
    if (twice) {
        run_.wait = WaitReason::already_so_twice;
        finish(RunState::stopped);
    }
}

// The next input begins the next step.
void Machine::end_without_current(EndReason reason) {
    demand(Open{});
    run_.state = RunState::forming;
    end_visit(reason);
}

// Open, until every run of the tray has come to this step.
void Machine::gather() {
    demand(Open{});
    run_.state = RunState::resting;
    emit(EventKind::gathering);
    decision_.commit = true;
}

// What is a share "of measured" is made out for this cell; false where nothing is known of it.
bool Machine::resolve_goals(const PlanStep& step) {
    const Charge measured = run_.history.measured;
    const Charge rated = plan_.capacity;
    if (step.of_measured != 0 &&
        !(measured >= rated * measured_least_percent / 100 && measured <= rated * measured_most_percent / 100)) {
        return false;
    }
    StepGoals& goals = run_.goals;
    const auto resolved = [&](auto at_rated, OfMeasured bit) {
        return (step.of_measured & bit) != 0 ? scaled(at_rated, measured, rated) : at_rated;
    };
    goals.demand = step.demand;
    goals.end_current = resolved(step.end_current.value, measured_current);
    goals.end_amount = resolved(step.end_amount.value, measured_amount);
    goals.end_net = resolved(step.end_net.value, measured_net);
    goals.at_most_amount = resolved(step.at_most_amount.value, measured_cap);
    if ((step.of_measured & measured_demand) == 0) {
        return true;
    }
    if (auto* drive = std::get_if<DriveCurrent>(&goals.demand)) {
        drive->current = scaled_current(drive->current);
    } else if (auto* hold = std::get_if<HoldVoltage>(&goals.demand)) {
        hold->source_max = scaled_current(hold->source_max);
        hold->sink_max = -scaled_current(-hold->sink_max);
    }
    return true;
}

// A current at rated capacity, made out for the measured one. A cell that has more than its rated capacity is still
// asked for no more than the limits in force and the channel allow.
Current Machine::scaled_current(Current at_rated) const {
    const Current most{settings_of(plan_, run_)[index_of(GuardId::over_current)].trip};
    return std::clamp(scaled(at_rated, run_.history.measured, plan_.capacity), -std::min(most, plan_.traits.sink_max),
                      std::min(most, plan_.traits.source_max));
}

// `again`: after a pause, a gap or a trip; the amount is kept, a taper and what has settled must be met anew.
void Machine::go_on_with_step(bool again) {
    if (!run_.underway) {
        start_step();
        return;
    }
    const PlanStep& step = plan_.steps[run_.step];
    run_.taper_time = Duration{};
    run_.temperature_for = Duration{};
    run_.settle = SettleWindow{};
    run_.kept_any = false;
    restart_soft_guards(run_.guards);
    decision_.apply_ambient = decision_.apply_ambient || run_.ambient_set;
    switch (step.kind) {
        case StepKind::charge:
        case StepKind::discharge:
        case StepKind::hold: run_.state = RunState::forming; break;
        case StepKind::ramp: go_on_with_sweep(step, again); return;
        case StepKind::pulse: go_on_with_pulse(step, again); return;
        case StepKind::rest: run_.state = RunState::resting; break;
        case StepKind::ask:
            run_.state = RunState::asking;
            emit(EventKind::asking);
            break;
        case StepKind::repeat: break;  // go_to never stops at one
    }
    demand(run_.goals.demand);
}

// A chamber belongs to all cells in it, so it is set when the step begins for all of them, and not while this one waits
// for the others.
void Machine::set_ambient(const PlanStep& step) {
    if (!step.ambient.set) {
        return;
    }
    if (run_.ambient_set && run_.ambient == step.ambient.value) {
        decision_.apply_ambient = true;
        return;
    }
    run_.ambient = step.ambient.value;
    run_.ambient_set = true;
    decision_.apply_ambient = true;
    emit(EventKind::ambient, 0, run_.ambient.count);
}

// Of the repeats that begin with this step, the outermost first.
void Machine::set_ambient_of_repeats(const PlanStep& step) {
    std::array<const PlanStep*, protocol::repeat_depth_max> begun{};
    std::size_t count = 0;
    std::int32_t child = run_.step;
    for (std::int32_t at = step.parent; at >= 0 && count < begun.size();) {
        const PlanStep& repeat = plan_.steps[static_cast<std::size_t>(at)];
        if (repeat.first_child != child || run_.pass[repeat.depth] != 1) {
            break;
        }
        begun[count++] = &repeat;
        child = at;
        at = repeat.parent;
    }
    while (count > 0) {
        set_ambient(*begun[--count]);
    }
}

void Machine::end_visit(EndReason reason) {
    if (!run_.in_visit) {
        return;
    }
    const PlanStep& step = plan_.steps[run_.step];
    VisitTotals& totals = run_.totals;
    totals.ended = now_;
    totals.ended_by = reason;
    const bool as_written = end_of(reason) != protocol::GoodEnd::any || reason == EndReason::swept;
    totals.ends_cycle = (step.ends_cycle_by_voltage && reason == EndReason::voltage) || (step.ends_cycle && as_written);
    run_.visit_before_last = run_.last_visit;
    run_.last_visit = totals;
    run_.totals = VisitTotals{};
    run_.in_visit = false;
    run_.underway = false;
    run_.gathering = false;
    note_figures(step);
    run_.cycle += run_.last_visit.ends_cycle ? 1 : 0;
    emit(EventKind::step_ended, static_cast<std::uint8_t>(reason));
    decision_.keep = true;
    decision_.commit = true;
}

void Machine::end_step(EndReason reason) {
    const PlanStep& step = plan_.steps[run_.step];
    if (step.good_end != protocol::GoodEnd::any && end_of(reason) != step.good_end) {
        overrun(reason, step.on_overrun, -1, WaitReason::not_good_end);
        return;
    }
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

// The visit is over, but not as it should be, and the protocol says what follows. `repeat` is the repeat whose cap it
// was, or -1.
void Machine::overrun(EndReason reason, protocol::OnOverrun what, std::int32_t repeat, WaitReason why) {
    const bool unanswered = repeat < 0 && plan_.steps[run_.step].kind == StepKind::ask;
    if (unanswered && what == protocol::OnOverrun::wait) {
        run_.visit_time = Duration{};
        wait(why);  // the ask stays open: a resume asks again, nothing goes on without its confirm
        return;
    }
    end_visit(reason);
    if (repeat >= 0) {
        run_.step = static_cast<std::uint16_t>(repeat);  // what comes next follows the whole repeat
        emit(EventKind::repeat_ended, static_cast<std::uint8_t>(EndReason::at_most_time));
        std::fill(run_.pass.begin() + plan_.steps[run_.step].depth, run_.pass.end(), 0U);
    }
    switch (what) {
        case protocol::OnOverrun::stop:
            run_.wait = why;
            finish(RunState::stopped);
            return;
        case protocol::OnOverrun::wait: wait(why); return;
        case protocol::OnOverrun::next: begin_next_step(); return;
    }
}

}  // namespace slowfilm::engine
