// What the guards find, and how the circuit is opened: trips, alarms, waiting, demands.
#include "daemon/engine/machine.hpp"

namespace slowfilm::engine {

namespace {

using namespace literals;

// What a chamber is set to after heat: a room's temperature, common practice.
constexpr Temperature safe_ambient = 25_degC;

constexpr Voltage copper_below = 1000_mV;
constexpr Duration copper_allowed = 24_h;
constexpr std::size_t copper_times = 5;
constexpr std::array<Duration, copper_times> copper_told_at{copper_allowed, copper_allowed / 2, copper_allowed / 4,
                                                            copper_allowed / 8, Duration{}};

// The openings are sent for ever; they are told of at 2, 3, 5, 10, 20, 50, 100, ..., or a dead channel would fill the
// record with a line a second.
bool worth_saying(std::uint32_t times) {
    if (times == 3) {
        return true;
    }
    while (times >= 10 && times % 10 == 0) {
        times /= 10;
    }
    return times == 1 || times == 2 || times == 5;
}

}  // namespace

// The clock is the cell's: it runs on in the next run, and while the cell lies in a drawer.
std::optional<Duration> copper_left(const CellHistory& cell, Time now) {
    if (cell.low_since.count == 0) {
        return std::nullopt;
    }
    return std::clamp(copper_allowed - (now - cell.low_since), Duration{}, copper_allowed);
}

void Machine::heed(const GuardFinding& finding) {
    if (finding.warned) {
        emit(EventKind::warned, static_cast<std::uint8_t>(finding.warned_id), finding.warned_value,
             finding.warned_level);
    }
    if (finding.temperature_unchanged) {
        emit(EventKind::warned, static_cast<std::uint8_t>(GuardId::stuck), run_.guards.stuck_temperature.count,
             temperature_unchanged_for.count);
    }
    decision_.trip_group = decision_.trip_group || finding.heat;
    if (!finding.tripped) {
        return;
    }
    const bool of_cell = guard_row(finding.id).trip_class == TripClass::cell;
    const bool upgrade = run_.state == RunState::tripped && run_.trip_class == TripClass::channel && of_cell;
    if (finding.in_doubt || is_over(run_) || (run_.state == RunState::tripped && !upgrade)) {
        note_idle(finding);
        return;
    }
    trip(finding.id, finding.value, finding.limit);
    if (finding.heat && run_.ambient_set) {
        run_.ambient = safe_ambient;  // a hot chamber feeds what it should cool
        decision_.apply_ambient = true;
    }
}

// The run is over and its cell is not, or somebody may have the cell in hand: each guard is told once, heat opens the
// neighbours, the state stays what it was. A voltage that may be another cell's, or no cell's, blames none.
void Machine::note_idle(const GuardFinding& finding) {
    run_.idle_said |= bit_of(finding.id);
    emit(EventKind::idle_alarm, static_cast<std::uint8_t>(finding.id), finding.value, finding.limit);
    decision_.commit = true;
    if (guard_row(finding.id).trip_class == TripClass::cell && !finding.in_doubt) {
        run_.history.quarantined = true;
    }
}

// A cell below 1 V dissolves the copper of its anode's foil, the faster the longer: common practice is to tap within a
// day of filling. Told at once to whoever keeps it waiting, and as half, a quarter, an eighth and nothing of it is
// left.
void Machine::judge_copper() {
    const Reading<Voltage>& voltage = run_.last.voltage;
    const bool low = voltage.good() && voltage.value < copper_below && voltage.value >= reversed_below;
    if (run_.state == RunState::forming || (voltage.good() && voltage.value >= copper_below)) [[likely]] {
        run_.history.low_since = Time{};
        run_.low_said = 0;
        return;
    }
    if (!low || run_.state == RunState::planned) {
        return;
    }
    if (run_.history.low_since.count == 0) {
        run_.history.low_since = now_;
    }
    const bool kept_waiting =
        run_.state == RunState::waiting || run_.state == RunState::paused || run_.state == RunState::tripped;
    if (!kept_waiting || run_.low_said >= copper_times) {
        return;
    }
    const Duration left = *copper_left(run_.history, now_);
    if (left > copper_told_at[run_.low_said]) {
        return;
    }
    while (run_.low_said < copper_times && left <= copper_told_at[run_.low_said]) {
        ++run_.low_said;
    }
    emit(EventKind::copper, 0, voltage.value.count, left.count);
    decision_.commit = true;
}

void Machine::trip(GuardId id, std::int64_t value, std::int64_t limit) {
    demand(Open{});
    emit(EventKind::tripped, static_cast<std::uint8_t>(id), value, limit);
    decision_.commit = true;
    decision_.keep = true;
    run_.state = RunState::tripped;
    run_.wait = WaitReason::none;
    run_.tripped_by = id;
    run_.trip_class = guard_row(id).trip_class;
    run_.idle_said |= bit_of(id);
    if (run_.trip_class == TripClass::cell) {
        run_.history.quarantined = true;
        end_visit(EndReason::tripped);
    }
}

void Machine::wait(WaitReason reason) {
    demand(Open{});
    run_.state = RunState::waiting;
    run_.halted = now_;
    run_.wait = reason;
    decision_.commit = true;
    emit(EventKind::waiting, static_cast<std::uint8_t>(reason));
}

void Machine::judge_checks(const ConnectionVerdict& verdict) {
    switch (verdict.act) {
        case CheckAct::none: break;
        case CheckAct::ask_group: decision_.wants_test = true; return;
        case CheckAct::open: demand(Open{}); return;
    }
    if (!verdict.decided) {
        return;
    }
    if (verdict.fault != ConnectionFault::none) {
        emit(EventKind::connection_failed, static_cast<std::uint8_t>(verdict.fault), verdict.value, verdict.limit);
        run_.in_hand = true;  // somebody will look at leads and cell
        wait(run_.window == StartWindow::gap ? WaitReason::gap : WaitReason::connection);
        return;
    }
    emit(EventKind::connection_good);
    decision_.test_over = run_.test.phase == TestPhase::after;
    run_.test.phase = TestPhase::passed;
    run_.window = StartWindow::as_before;
    run_.in_hand = false;
    run_.history.known = true;
    run_.same_cell.voltage = run_.test.before;
    run_.same_cell.current = Current{};
    run_.same_cell.known = true;
    start_guards(run_.guards, now_);
    if (run_.in_visit) {
        go_on_with_step(true);
    } else if (run_.begun) {
        begin_next_step();
    } else {
        begin_first_step();
    }
}

void Machine::judge_opening() {
    if (!run_.opening.wanted) {
        return;
    }
    const Current leakage{plan_.guards[static_cast<std::size_t>(GuardId::leakage)].trip};
    const OpeningStep step =
        check_opening(run_.opening, run_.last.current, run_.last.mode, leakage, plan_.traits, now_);
    if (step.verified_now) {
        run_.charge_running = false;  // what the ammeter reads now is its zero, not charge
        emit(EventKind::opened);
        decision_.commit = true;
    }
    if (step.resend) {
        decision_.apply = true;
    }
    if (step.escalate) {
        const bool flows = run_.last.current.good() && magnitude(run_.last.current.value) > leakage;
        emit(EventKind::output_stuck, 0, run_.last.current.value.count, leakage.count);
        decision_.commit = true;
        decision_.trip_group = decision_.trip_group || flows;
    } else if (step.resend && worth_saying(run_.opening.times)) {
        emit(EventKind::open_resent, 0, run_.opening.times);
    }
}

void Machine::demand(const Demand& wanted) {
    if (wanted == run_.demand) {
        if (is_open(wanted)) {
            ask_opening(run_.opening, now_);
        }
        return;
    }
    decision_.apply = true;
    decision_.commit = true;
    decision_.record_first = is_open(run_.demand) && !is_open(wanted);
    run_.demand = wanted;
    run_.demand_at = now_;
    run_.taken = run_.applied_known && run_.applied == wanted;
    if (is_open(wanted)) {
        decision_.record_first = false;
        ask_opening(run_.opening, now_);
    } else {
        drop_opening(run_.opening);
    }
}

void Machine::emit(EventKind kind, std::uint8_t code, std::int64_t value, std::int64_t limit) {
    if (decision_.event_count >= events_max) {
        return;  // cannot happen: see the test no_input_makes_more_events_than_fit
    }
    decision_.events[decision_.event_count++] = Event{.kind = kind,
                                                      .code = code,
                                                      .step = run_.step,
                                                      .visit = run_.visit,
                                                      .time = now_,
                                                      .value = value,
                                                      .limit = limit};
}

}  // namespace slowfilm::engine
