// What a person may ask of a run, and in which states. Pause is always accepted: no current is never wrong for people.
#include "daemon/engine/machine.hpp"

namespace slowfilm::engine {

namespace {

using namespace literals;

// A cell that has stood open for longer may have been taken out and another put in, unseen where both read alike.
constexpr Duration out_of_hand = 60_s;

}  // namespace

void Machine::take(const Command& command) {
    switch (command.kind) {
        case CommandKind::start: start(); return;
        case CommandKind::pause: pause(); return;
        case CommandKind::resume: resume(); return;
        case CommandKind::confirm: confirm(); return;
        case CommandKind::acknowledge: acknowledge(); return;
        case CommandKind::stop: stop(); return;
    }
}

bool cell_in_doubt(const Plan& plan, const Run& run, Time now) {
    const bool resumable = run.state == RunState::paused || run.state == RunState::waiting;
    const bool asks = run.in_visit && plan.steps[run.step].kind == StepKind::ask;
    return resumable && !asks && (run.in_hand || !(now - run.halted <= out_of_hand));
}

bool refused(const Decision& decision) {
    for (const Event& event : decision.all_events()) {
        if (event.kind == EventKind::refused) {
            return true;
        }
    }
    return false;
}

void Machine::refuse(CommandKind kind) {
    emit(EventKind::refused, static_cast<std::uint8_t>(kind));
    decision_.commit = true;
}

void Machine::start() {
    if (run_.state != RunState::planned || run_.history.quarantined) {
        refuse(CommandKind::start);
        return;
    }
    run_.started = now_;
    run_.kept_at = now_;
    run_.charge_mark = now_;
    run_.last_sample = now_;
    start_guards(run_.guards, now_);
    run_.state = RunState::checking;
    decision_.apply = true;  // nobody knows what the stage was doing
    demand(Open{});
    start_checks(run_, StartWindow::start, now_);
    emit(EventKind::started);
    decision_.commit = true;
}

void Machine::pause() {
    switch (run_.state) {
        case RunState::checking:
        case RunState::forming:
        case RunState::resting:
        case RunState::asking: break;
        case RunState::paused: return;  // already so: nothing to refuse
        case RunState::planned:
        case RunState::waiting:
        case RunState::tripped:
        case RunState::stopped:
        case RunState::done: refuse(CommandKind::pause); return;
    }
    demand(Open{});
    run_.state = RunState::paused;
    run_.halted = now_;
    emit(EventKind::paused);
    decision_.commit = true;
}

void Machine::resume() {
    if (run_.state != RunState::paused && run_.state != RunState::waiting) {
        refuse(CommandKind::resume);
        return;
    }
    emit(EventKind::resumed);
    decision_.commit = true;
    if (run_.in_visit && plan_.steps[run_.step].kind == StepKind::ask) {
        run_.wait = WaitReason::none;
        go_on_with_step(true);  // an ask asks again
        return;
    }
    // A cell that was paused at its first checks, or failed them, has still to show that it fits [start].
    const StartWindow window = !run_.begun                              ? StartWindow::start
                               : run_.window == StartWindow::by_history ? StartWindow::by_history
                               : run_.window == StartWindow::same_cell  ? StartWindow::same_cell
                                                                        : StartWindow::as_before;
    run_.wait = WaitReason::none;
    run_.state = RunState::checking;
    demand(Open{});
    start_checks(run_, window, now_);
}

void Machine::confirm() {
    if (run_.state != RunState::asking) {
        refuse(CommandKind::confirm);
        return;
    }
    const PlanStep& step = plan_.steps[run_.step];
    emit(EventKind::confirmed);
    end_visit(EndReason::confirmed);
    run_.state = RunState::checking;
    // What is read while hands are still at the cell does not count.
    start_checks(run_, step.same_cell ? StartWindow::same_cell : StartWindow::by_history, now_ + step.delay);
}

void Machine::acknowledge() {
    // A cell trip is for good whether its cause is there or not: a person takes note of it, and nothing more.
    const bool for_good = run_.trip_class == TripClass::cell;
    if (run_.state != RunState::tripped || (!for_good && !cause_gone(plan_, run_, now_))) {
        refuse(CommandKind::acknowledge);
        return;
    }
    emit(EventKind::acknowledged, static_cast<std::uint8_t>(run_.tripped_by));
    decision_.commit = true;
    if (for_good) {
        run_.wait = WaitReason::acknowledged;
    } else {
        run_.in_hand = true;  // somebody has looked for the cause
        wait(WaitReason::acknowledged);
    }
}

void Machine::stop() {
    if (is_over(run_)) {
        refuse(CommandKind::stop);
        return;
    }
    finish(RunState::stopped);
}

}  // namespace slowfilm::engine
