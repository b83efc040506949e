// One run is a fold over its inputs. No clock, no I/O, no allocation, nothing that can fail or wait in here.
#pragma once

#include "daemon/core/event.hpp"
#include "daemon/core/input.hpp"
#include "daemon/engine/plan.hpp"
#include "daemon/engine/run.hpp"

#include <array>
#include <optional>
#include <span>

namespace slowfilm::engine {

inline constexpr std::size_t events_max = 8;

struct Decision {
    Demand demand;              // what the stage must be doing from now on
    bool apply{false};          // send it: it is new, or an opening must be sent again
    bool record_first{false};   // current may flow only once the record of this decision is on disk
    bool commit{false};         // a step change, a trip or an operator's action: commit at once
    bool keep{false};           // keep the sample of this input for people
    bool trip_group{false};     // heat, a stuck output: the neighbours must open
    bool apply_ambient{false};  // set the chamber to run.ambient
    bool mark{false};           // run.last_mark is new
    bool wants_test{false};     // the group may grant it: answer with TestGrant
    bool test_over{false};      // the group may grant another
    std::uint8_t event_count{0};
    std::array<Event, events_max> events;  // the first event_count of them

    [[nodiscard]] std::span<const Event> all_events() const { return {events.data(), event_count}; }
};

// A run before its first input: planned, open circuit, knowing what the ledger knows of the cell.
[[nodiscard]] Run new_run(const Plan& plan, const CellHistory& history);

// Takes the next input. Inputs must come with growing sequence and non-decreasing time; one that does not is reported
// as bad_input, opens the circuit where current flows, and changes nothing else.
[[nodiscard]] Decision advance(const Plan& plan, Run& run, const Input& input);

// Whether a tick, were it the input of this number, would find nothing: right after a sample of the same time all that
// it could find has just been judged.
[[nodiscard]] inline bool tick_is_idle(const Run& run, std::uint64_t sequence, Time now) {
    return sequence == run.sample_sequence + 1 && now == run.last_sample && run.in_visit;
}

// Whether current may flow in this state at all.
[[nodiscard]] constexpr bool is_live(RunState state) {
    return state == RunState::checking || state == RunState::forming || state == RunState::resting;
}
// Whether the command of this decision was one that the state forbids.
[[nodiscard]] bool refused(const Decision& decision);
// Whether it may be another cell by now, so that a resume must name the one that is there: after a gap, a trip, failed
// checks or a move, once its voltage was not this cell's, and where it has stood for a minute. An ask's confirm does
// so.
[[nodiscard]] bool cell_in_doubt(const Plan& plan, const Run& run, Time now);
// How long a cell that is below 1 V has until its copper dissolves; nothing where it is not.
[[nodiscard]] std::optional<Duration> copper_left(const CellHistory& cell, Time now);
// Whether the run is over for good: done, stopped, or tripped by a guard of class cell.
[[nodiscard]] bool is_over(const Run& run);

}  // namespace slowfilm::engine
