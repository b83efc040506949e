// The whole state of one run. Plain data: two runs with equal fields behave alike for ever.
#pragma once

#include "daemon/core/cell.hpp"
#include "daemon/core/demand.hpp"
#include "daemon/core/event.hpp"
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
};

// Which voltages the connection checks accept before current flows again.
enum class StartWindow : std::uint8_t {
    start,       // the protocol's [start]
    by_history,  // after an ask: what a cell that got this far can show
    none,        // the cell was never out of the fixture
    gap,         // none, and within [interruption]'s fall and rise of the voltage before the gap
};

struct Run {
    RunState state{RunState::planned};
    WaitReason wait{WaitReason::none};
    GuardId tripped_by{GuardId::over_voltage};
    TripClass trip_class{TripClass::channel};
    bool heat_said{false};      // heat after the run was over has been reported
    std::uint64_t sequence{0};  // of the last input
    Time now;                   // of the last input
    Time started;
    Duration aside;  // time that is not the run's: waiting for people, connection checks, gaps
    CellHistory history;
    // the visit
    bool begun{false};  // a first step has begun
    std::uint16_t step{0};
    std::uint32_t visit{0};
    bool in_visit{false};
    std::array<std::uint32_t, protocol::repeat_depth_max> pass{};
    std::array<Duration, protocol::repeat_depth_max> repeat_time{};  // counted time of each repeat around the step
    std::uint32_t cycle{1};
    VisitTotals totals;
    VisitTotals last_visit;         // the one that just ended
    VisitTotals visit_before_last;  // one input can end two: the second was already so. For the record alone
    Duration visit_time;            // counted time of this visit: gaps and pauses left out
    Duration taper_time;            // how long the taper condition has held
    std::array<std::uint64_t, 4> already_so{};  // bit per step (modulo 256): its last visit ended without current
    // charge
    ChargeCount net;         // in minus out since the run began
    ChargeCount leg_rest;    // what history.leg has not taken up yet
    ChargeCount discharged;  // since the last charge, net of small recharges: a tenth of rated ends a leg
    Charge uncertain;        // what may have flowed unseen in gaps; guards and caps count it as charged
    Charge uncertain_leg;    // the part of it since the leg began
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
    // gaps
    Duration gaps;
    std::uint32_t gap_count{0};
    Voltage voltage_before_gap;
    GuardState guards;
    Opening opening;
};

// Field by field from one list, versioned. A version that cannot be read is refused, never guessed.
[[nodiscard]] std::string serialise(const Run& run);
[[nodiscard]] Result<Run> restore(std::string_view bytes);

// What the ledger must remember of the cell.
[[nodiscard]] const CellHistory& cell_history(const Run& run);

}  // namespace slowfilm::engine
