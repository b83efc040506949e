// The whole state of one run. Plain data: two runs with equal fields behave alike for ever.
#pragma once

#include "daemon/core/cell.hpp"
#include "daemon/core/demand.hpp"
#include "daemon/core/event.hpp"
#include "daemon/core/figure.hpp"
#include "daemon/core/sample.hpp"
#include "daemon/engine/charge_count.hpp"
#include "daemon/engine/guards.hpp"
#include "daemon/engine/opening.hpp"
#include "daemon/engine/plan.hpp"

#include <array>
#include <cstdint>
#include <string>
#include <string_view>

namespace slowfilm::engine {

// Why a pulse has no resistance.
enum class NoResistance : std::uint8_t {
    none,            // it has one
    not_a_pulse,     // or one that is not through yet
    window_reached,  // the stage was at its bound: the current was not the level's
    level_time,      // a level was off its written time by more than 0.1 s
    no_reading,      // no good reading before a switch
    no_change,       // its levels have the same current
};

// The mean open-circuit voltage over a span that ends at one of `keep.at`.
struct Mark {
    Time time;    // of the end of the span
    Duration at;  // as written: since the step's start, or the run's
    Voltage mean;
    Voltage deviation;  // standard deviation of one reading; 0 for a single one
    Temperature temperature;
    std::uint32_t readings{0};
    bool of_run{false};  // of [keep], not of the step
    bool temperature_seen{false};
    constexpr bool operator==(const Mark&) const = default;
};

// The readings of a mark under way.
struct MarkSum {
    Voltage first;                    // what the sums below are relative to
    std::int64_t sum{0};              // nV
    double squares{0.0};              // nV^2; + and * only, so that every processor gets the same bits
    std::int64_t temperature_sum{0};  // mK
    std::uint32_t readings{0}, temperatures{0};
    std::uint8_t next{0};  // which of the marks comes next
};

// What a share of capacity comes to in the visit under way.
struct StepGoals {
    Demand demand;
    Current end_current;
    Charge end_amount, end_net, at_most_amount;
};

// A sweep or a pulse under way.
struct Shape {
    std::int64_t from{0};  // of a sweep: nV or nA, where it began or went on from
    Duration done;         // of a sweep: time since then
    std::uint8_t level{0};
    Duration rest_left;      // of a pulse: the rest it must have again after a pause
    Time switched;           // when the level was taken
    Voltage before_voltage;  // the last reading before the last switch ...
    Current before_current;
    bool before_known{false};
    NoResistance flaw{NoResistance::none};
};

// The drift of a voltage: the mean of a window's second half against that of its first, so that noise averages out.
struct SettleWindow {
    Time since;                         // of the window
    Voltage first;                      // what the sums are relative to
    std::array<std::int64_t, 2> sum{};  // nV
    std::array<std::uint32_t, 2> count{};
    bool begun{false};
};

struct FigureValue {
    std::int64_t value{0};  // in the figure's own unit
    bool defined{false};
    constexpr bool operator==(const FigureValue&) const = default;
};

// A small current sent before the protocol's: is the cell there, and only it?
enum class TestPhase : std::uint8_t { none, wanted, before, driven, after, passed };
struct ConnectionTest {
    TestPhase phase{TestPhase::none};
    Time since;  // of the phase
    Voltage before, during;
    Current current;  // as measured while driven
};

// What one time through a step did. Valid for the visit that just ended when a step_ended event is in the decision.
struct VisitTotals {
    std::uint32_t visit{0};
    std::uint16_t step{0};
    std::array<std::uint32_t, protocol::repeat_depth_max>
        pass{};              // repeat counters from the outermost, from 1; 0: none
    std::uint32_t cycle{1};  // the cycle it belongs to, from 1
    bool ends_cycle{false};
    Time started, ended;
    ChargeCount charge_in, charge_out;       // both >= 0
    double energy_in{0.0}, energy_out{0.0};  // joule
    Charge net_at_start;                     // of the run
    Voltage voltage_start, voltage_end;
    Current current_end;
    Temperature temperature_max;
    bool voltage_seen{false}, temperature_seen{false};
    EndReason ended_by{EndReason::none};
    Resistance resistance;  // of a pulse
    NoResistance no_resistance{NoResistance::not_a_pulse};
};

// Which voltages the connection checks accept before current flows again.
enum class StartWindow : std::uint8_t {
    start,       // the protocol's [start]
    by_history,  // after an ask: what a cell that got this far can show
    as_before,   // near the voltage that this cell last had for certain
    same_cell,   // by history, and as before
    gap,         // within [interruption]'s fall and rise of the voltage before the gap; as before where it has none
};

// What this cell showed when it was last under watch and nothing was wrong with it. No pause, ask, gap or trip renews
// it: only a step under way, or connection checks that were passed.
struct SameCell {
    Voltage voltage;
    Current current;  // that flowed with it; 0 at rest
    bool known{false};
    bool discharged{false};  // the last current that flowed was one out of it: it comes back up
};

struct Run {
    RunState state{RunState::planned};
    WaitReason wait{WaitReason::none};
    GuardId tripped_by{GuardId::over_voltage};
    TripClass trip_class{TripClass::channel};
    std::uint32_t idle_said{0};  // bit per GuardId: told of a cell that lies there, or that somebody may have in hand
    std::uint8_t low_said{0};    // how often a cell below 1 V has been told of
    std::uint64_t sequence{0};   // of the last input
    Time now;                    // of the last input
    Time started;
    Duration aside;  // time that is not the run's: waiting for people, connection checks, gaps
    CellHistory history;
    // the visit
    bool begun{false};  // a first step has begun
    std::uint16_t step{0};
    std::uint32_t visit{0};
    bool visited{false};  // a first visit has begun
    bool in_visit{false};
    bool underway{false};  // the visit is past its conditions for beginning
    std::array<std::uint32_t, protocol::repeat_depth_max> pass{};
    std::array<Duration, protocol::repeat_depth_max> repeat_time{};  // counted time of each repeat around the step
    std::uint32_t cycle{1};
    VisitTotals totals;
    VisitTotals last_visit;         // the one that just ended
    VisitTotals visit_before_last;  // one input can end two: the second was already so. For the record alone
    Duration visit_time;            // counted time of this visit: gaps and pauses left out
    Duration taper_time;            // how long the taper condition has held
    std::array<std::uint64_t, 4> already_so{};  // bit per step (modulo 256): its last visit ended without current
    StepGoals goals;
    Shape shape;
    bool gathering{false};  // open, until every run of the tray has come to this step
    SettleWindow settle;
    Duration temperature_for;  // how long the temperature has been within `ends`
    // figures
    std::array<FigureValue, figure_count> figures{};                    // as last known
    std::array<FigureValue, protocol::repeat_depth_max> pass_figure{};  // of the pass before, by repeat
    Charge cycle_in, cycle_out;                                         // of the cycle under way
    double cycle_energy_in{0.0}, cycle_energy_out{0.0};                 // joule
    bool first_cycle_known{false};  // what has gone in since pristine is known, and no cycle has ended yet
    Charge discharging;             // out minus in of the discharge under way or just over
    bool cycle_whole{false};        // it began at a full discharge or a pristine cell, and nothing flowed unseen
    std::array<Mark, protocol::keep_at_max> marks{};  // of the last visit that had any
    std::uint8_t mark_count{0};
    Mark last_mark;  // the one that the decision's `mark` speaks of
    MarkSum step_mark, run_mark;
    // the chamber
    Temperature ambient;
    bool ambient_set{false};
    // charge
    ChargeCount net;         // in minus out since the run began
    ChargeCount leg_rest;    // what history.leg has not taken up yet
    ChargeCount discharged;  // since the last charge, net of small recharges: a tenth of rated ends a leg
    Charge uncertain;        // what may have flowed unseen in gaps; guards and caps count it as charged
    Charge uncertain_visit;  // the part of it in this visit
    Time charge_mark;        // up to when current has been integrated
    Current charge_last;
    bool charge_running{false};
    bool charge_edge{false};  // the demand changed at charge_mark: the next reading stands for the whole interval
    // demand
    Demand demand;  // asked
    Time demand_at;
    Demand applied;  // taken
    Time applied_at;
    bool applied_known{false};
    bool taken{false};  // what is applied is what is asked
    // the last good reading of each quantity
    Sample last;
    std::uint64_t sample_sequence{0};  // of the last sample input
    Time last_sample;                  // of the last sample input, good or not
    // keep
    Time kept_at;
    Sample kept;
    bool kept_any{false};
    // connection checks
    Time checking_since;
    StartWindow window{StartWindow::start};
    ConnectionFault check_fault{ConnectionFault::none};
    std::uint8_t check_count{0};  // samples in a row with the same answer
    SameCell same_cell;
    bool in_hand{false};  // somebody may have had the cell in hand: a resume must name it
    Time halted;          // when it was paused, or began to wait
    ConnectionTest test;
    // gaps
    Duration gaps;
    std::uint32_t gap_count{0};
    Voltage voltage_before_gap;
    GuardState guards;
    Opening opening;
};

// The guards' numbers in force: the step's own where it has some, else those of [limits].
[[nodiscard]] inline const GuardSettings& settings_of(const Plan& plan, const Run& run) {
    const std::int16_t own = run.in_visit ? plan.steps[run.step].limits : std::int16_t{-1};
    return own < 0 ? plan.guards : plan.step_guards[static_cast<std::size_t>(own)];
}

// Field by field from one list, versioned. A version that cannot be read is refused, never guessed.
[[nodiscard]] std::string serialise(const Run& run);
[[nodiscard]] Result<Run> restore(std::string_view bytes);

// What the ledger must remember of the cell.
[[nodiscard]] const CellHistory& cell_history(const Run& run);

}  // namespace slowfilm::engine
