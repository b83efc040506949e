#include "daemon/engine/engine.hpp"

#include "daemon/engine/machine.hpp"

#include <algorithm>

namespace slowfilm::engine {

namespace {

using namespace literals;

// A demand that the shell never reports as taken would leave "not as demanded" blind.
// Ten minutes: as long as the record may be held up before its queue is full.
constexpr Duration applied_within = 10_min;

// The most that the stage may be giving under a demand.
Current level_of(const Demand& demand) {
    if (const auto* drive = std::get_if<DriveCurrent>(&demand)) {
        return magnitude(drive->current);
    }
    if (const auto* hold = std::get_if<HoldVoltage>(&demand)) {
        return std::max(hold->source_max, hold->sink_max);
    }
    return {};
}

}  // namespace

Run new_run(const Plan& plan, const CellHistory& history) {
    Run run;
    run.history = history;
    run.history.armed = history.armed || (history.known && history.highest >= plan.armed_above);
    if (!history.known) {
        run.history.furthest = plan.state;  // nothing but the protocol's claim is known of it
        run.history.first_leg_over = plan.state == CellState::formed;
    }
    // What has gone in since pristine is known of a cell that is pristine, or that the ledger has followed.
    const bool fresh = history.known ? !history.first_leg_over && history.furthest != CellState::formed
                                     : plan.state == CellState::pristine;
    run.first_cycle_known = run.cycle_whole = fresh && history.net_unseen.count == 0;
    return run;
}

bool is_over(const Run& run) {
    return run.state == RunState::done || run.state == RunState::stopped ||
           (run.state == RunState::tripped && run.trip_class == TripClass::cell);
}

const CellHistory& cell_history(const Run& run) {
    return run.history;
}

Decision advance(const Plan& plan, Run& run, const Input& input) {
    Decision decision;
    Machine machine{plan, run, decision, input};
    const bool first = run.sequence == 0;
    if (input.sequence != run.sequence + 1 || (!first && input.time < run.now)) {
        machine.take_bad_order();
    } else {
        const Duration span = first ? Duration{} : input.time - run.now;
        run.sequence = input.sequence;
        run.now = input.time;
        if (std::holds_alternative<Gap>(input.body) && is_live(run.state)) {
            run.aside += span;  // nobody watched: neither the step's time nor the run's
        } else {
            machine.count_time(span);
        }
        std::visit([&](const auto& body) { machine.take(body); }, input.body);
    }
    if (run.test.phase != TestPhase::none && !is_live(run.state)) [[unlikely]] {
        machine.leave_test();
    }
    decision.demand = run.demand;
    return decision;
}

void Machine::take(const Tick&) {
    if (tick_is_idle(run_, run_.sequence, now_)) {
        return;
    }
    heed(judge_tick(plan_, run_, now_));
    const bool asked = run_.state == RunState::forming || run_.state == RunState::resting ||
                       (run_.state == RunState::checking && !is_open(run_.demand));
    if (asked && !run_.taken && now_ - run_.demand_at > applied_within) {
        trip(GuardId::channel_fault, (now_ - run_.demand_at).count, applied_within.count);
    }
    if (run_.state == RunState::checking) {
        judge_checks(check_deadline(plan_, run_, now_));
    }
    judge_copper();
    judge_ends(nullptr);
    judge_opening();
}

void Machine::take(const Sample& raw) {
    const Sample sample = plausible_part(plan_, run_.last, raw, now_);
    const Duration span = now_ - run_.last_sample;
    integrate(sample.current);
    note_cell(sample.voltage);
    heed(judge_sample(plan_, run_, sample, now_));
    note_same_cell(sample);
    note_totals(sample);
    if (run_.state == RunState::checking) {
        judge_checks(check_connection(plan_, run_, sample, now_));
    }
    judge_taper(sample, span);
    judge_reached(sample, span);
    judge_marks(sample);
    // A reading counts once: the newest good one of each quantity is the last.
    const auto newest = [](auto& last, const auto& reading) {
        if (reading.good()) {
            last = reading;
        }
    };
    newest(run_.last.voltage, sample.voltage);
    newest(run_.last.terminals, sample.terminals);
    newest(run_.last.current, sample.current);
    newest(run_.last.temperature, sample.temperature);
    newest(run_.last.ambient, sample.ambient);
    run_.last.mode = sample.mode;
    run_.last.raw_hash = sample.raw_hash;
    run_.last_sample = now_;
    run_.sample_sequence = run_.sequence;
    judge_copper();
    judge_keep(sample);
    judge_ends(&sample);
    judge_opening();
}

void Machine::take(const Applied& applied) {
    const bool shaped = run_.in_visit && run_.state == RunState::forming;
    const StepKind kind = shaped ? plan_.steps[run_.step].kind : StepKind::rest;
    if (kind == StepKind::ramp && run_.taken && applied.demand.index() == run_.demand.index()) {
        run_.applied = applied.demand;  // the same sweep, further on
        return;
    }
    if (kind == StepKind::pulse && applied.demand == run_.demand) {
        run_.shape.switched = now_;  // a level lasts from here
    }
    if (applied.demand != run_.applied || !run_.applied_known) {
        // Up to here the old level stands; from here the next reading does (charge is split at the edge).
        if (run_.charge_running && now_ > run_.charge_mark) {
            add_charge(run_.charge_last, run_.charge_last, now_ - run_.charge_mark, run_.last.voltage.value);
            run_.charge_mark = now_;
        }
        run_.charge_edge = true;
    }
    if (!run_.charge_running && !is_open(applied.demand)) {
        run_.charge_mark = now_;
        run_.charge_running = true;
    }
    run_.applied = applied.demand;
    run_.applied_at = now_;
    run_.applied_known = true;
    run_.taken = run_.applied == run_.demand;
    if (run_.test.phase == TestPhase::before && run_.taken) {
        run_.test.phase = TestPhase::driven;
        run_.test.since = now_;
    }
}

void Machine::take(const ChannelFault& fault) {
    if (is_over(run_) || run_.state == RunState::planned) {
        return;
    }
    if (run_.state == RunState::tripped) {
        return;
    }
    trip(GuardId::channel_fault, static_cast<std::int64_t>(fault.kind), 0);
}

void Machine::take(const GroupTrip& group) {
    if (is_over(run_) || run_.state == RunState::planned || run_.state == RunState::tripped) {
        return;
    }
    trip(GuardId::group, static_cast<std::int64_t>(group.origin), 0);
}

void Machine::take(const Gap& gap) {
    if (run_.state == RunState::planned) {
        return;
    }
    skip_gap(run_.guards, now_);
    if (is_over(run_)) {
        return;
    }
    const Duration length = std::max(now_ - gap.from, Duration{});
    const bool current_may_have_flowed = !is_open(run_.demand) || !run_.opening.verified;
    if (length.count > 0) {
        run_.gaps += length;
        ++run_.gap_count;
        emit(EventKind::gap, 0, length.count);
    }
    run_.charge_running = false;
    run_.in_hand = true;
    decision_.commit = true;
    if (current_may_have_flowed) {
        const Current measured = magnitude(run_.last.current.value);
        const Current asked = std::max(level_of(run_.demand), level_of(run_.applied));
        note_unseen(std::max(measured, asked), length);
    }
    if (run_.state == RunState::checking) {
        wait(WaitReason::gap);  // what was seen before it proves nothing after it
        return;
    }
    const bool live = run_.state == RunState::forming || run_.state == RunState::resting;
    if (!live) {
        return;
    }
    const protocol::Interruption& rule = plan_.interruption;
    run_.voltage_before_gap = run_.last.voltage.value;
    switch (rule.then) {
        case protocol::AfterInterruption::stop:
            run_.wait = WaitReason::gap;
            finish(RunState::stopped);
            return;
        case protocol::AfterInterruption::wait: wait(WaitReason::gap); return;
        case protocol::AfterInterruption::resume: break;
    }
    const bool short_enough = (!rule.longest || length <= *rule.longest) && (!rule.total || run_.gaps <= *rule.total);
    const bool certain_enough = run_.uncertain <= plan_.interruption_charge_max;
    if (!short_enough || !certain_enough || !run_.last.voltage.good()) {
        wait(WaitReason::gap);
        return;
    }
    demand(Open{});
    run_.state = RunState::checking;
    start_checks(run_, StartWindow::gap, now_);
}

void Machine::take(const TestGrant&) {
    if (run_.state != RunState::checking || run_.test.phase != TestPhase::wanted) {
        // Asked for and no longer wanted. One that is under way has said nothing yet, and will.
        const bool under_way = run_.test.phase != TestPhase::none && run_.test.phase != TestPhase::passed;
        decision_.test_over = !under_way;
        return;
    }
    const TestCurrent test = test_current(plan_, run_, run_.test.before);
    run_.test.phase = TestPhase::before;
    run_.test.since = now_;
    demand(test.drive);
}

void Machine::take(const Crossed& crossed) {
    const TestPhase phase = run_.test.phase;
    const bool tested = phase == TestPhase::driven || phase == TestPhase::after || phase == TestPhase::passed;
    if (!tested || !is_live(run_.state)) {
        return;
    }
    emit(EventKind::connection_failed, static_cast<std::uint8_t>(ConnectionFault::crossed), crossed.origin);
    run_.in_hand = true;
    wait(WaitReason::connection);
}

// No current may flow any more: the group may grant another its test. What was passed stays known until then, since the
// neighbours' voltages may tell a little later.
void Machine::leave_test() {
    decision_.test_over = decision_.test_over || run_.test.phase != TestPhase::passed;
    run_.test = ConnectionTest{};
}

void Machine::take(const Gathered&) {
    if (!run_.gathering) {
        return;
    }
    run_.gathering = false;
    // One that a person has paused meanwhile begins once it is resumed.
    if (run_.state == RunState::resting) {
        start_step();
    }
}

void Machine::take(const RecordLost&) {
    if (is_live(run_.state) || run_.state == RunState::asking) {
        wait(WaitReason::record_lost);
    }
}

void Machine::take_bad_order() {
    emit(EventKind::bad_input);
    decision_.commit = true;
    if (is_live(run_.state)) {
        now_ = std::max(now_, run_.now);
        trip(GuardId::channel_fault, static_cast<std::int64_t>(FaultKind::lost), 0);
    }
}

}  // namespace slowfilm::engine
