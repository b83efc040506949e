// A protocol resolved for one cell on one channel: rates multiplied out, margins taken from the channel's traits, steps
// laid flat. Everything advance() compares with is a whole number in here.
#pragma once

#include "daemon/core/cell.hpp"
#include "daemon/core/demand.hpp"
#include "daemon/core/result.hpp"
#include "daemon/core/traits.hpp"
#include "daemon/protocol/guard_table.hpp"
#include "daemon/protocol/protocol.hpp"

#include <array>
#include <cstdint>
#include <limits>
#include <string>
#include <vector>

namespace slowfilm::engine {

using protocol::StepKind;

// A condition that may be absent, without std::optional's layout in the hot path.
template <class Q>
struct Maybe {
    Q value;
    bool set{false};
};

struct PlanStep {
    StepKind kind{StepKind::rest};
    Demand demand;  // what the stage is asked for in this step: Open in rest and ask
    Maybe<Voltage> end_voltage;
    Maybe<Current> end_current;  // magnitude, in a hold
    Maybe<Duration> end_time;
    Maybe<Charge> end_amount;
    Maybe<Charge> end_net;
    Maybe<Duration> at_most_time;
    Maybe<Charge> at_most_amount;
    protocol::OnOverrun on_overrun{protocol::OnOverrun::stop};
    protocol::Direction direction{protocol::Direction::charge};
    Current current_error;              // how far the current may be off this step's demand
    Current lost_below;                 // current lost is judged while the current was above this
    bool ends_cycle_by_voltage{false};  // a discharge whose voltage end is at or below window.min + 0.3 V
    std::uint32_t times{1};
    std::int16_t parent{-1};  // flat index of the repeat around it
    std::int16_t first_child{-1};
    std::int16_t next{-1};  // the next step of the same list
    std::uint8_t depth{0};  // how many repeats are around it
};

// For people; never read by advance().
struct StepLabel {
    std::string path, name, prompt;
};

enum class Origin : std::uint8_t { by_default, written, off };

// One guard with its numbers, in the table's unit. `low` serves those with a lower bound (windows, floors).
struct GuardSetting {
    std::int64_t warn{0};
    std::int64_t trip{0};
    std::int64_t low{std::numeric_limits<std::int64_t>::min()};
    Duration persistence;  // 0: two samples in a row
    bool has_warn{false};
    bool warn_only{false};  // soft guards written as {warn} alone
    Origin origin{Origin::by_default};
};

struct ClimbGate {
    Charge by;
    Voltage above;
};
inline constexpr std::size_t climb_gates_max = 16;

struct Plan {
    std::vector<PlanStep> steps;  // pre-order; steps[0] is the first
    std::vector<StepLabel> labels;
    std::array<GuardSetting, guard_count> guards;
    Voltage armed_above;
    Voltage formed_above;  // a cell that has been there is formed: window.min + 0.3 V, whatever arms a guard
    Voltage end_margin;  // of the stage's ceiling above the end of a charge, and of its floor below that of a discharge
    std::vector<ClimbGate> climb;
    Charge leg_max_first, leg_max_later;
    Duration stale_voltage, stale_current, stale_temperature;
    Charge capacity;
    Voltage window_min, window_max;
    CellState state{CellState::pristine};
    protocol::Range<Voltage> start_voltage;          // both set
    protocol::Range<Temperature> start_temperature;  // both set
    protocol::Interruption interruption;
    Charge interruption_charge_max;
    Duration keep_every;
    Maybe<Voltage> keep_voltage;
    Maybe<Current> keep_current;
    Maybe<TemperatureDifference> keep_temperature;
    ChannelTraits traits;
    BenchCaps caps;
};

// Refuses, in one sentence, what this channel cannot do or protect: no sink for a discharge, a range too small, an end
// margin that does not fit under voltage_max, a thermometer that is missing, limits outside the bench's caps.
[[nodiscard]] Result<Plan> make_plan(const protocol::Protocol& protocol, Charge capacity, const ChannelTraits& traits,
                                     const BenchCaps& caps);

// The traits a check or a rehearsal assumes where no bench is named: an ideal two-quadrant source.
[[nodiscard]] ChannelTraits bench_of_no_name(const protocol::Protocol& protocol);
[[nodiscard]] BenchCaps caps_of_no_name();

}  // namespace slowfilm::engine
