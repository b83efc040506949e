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

// A linear sweep. `from_now`: from where the cell is when the step begins. Voltages in nV, currents in nA.
struct SweepPlan {
    bool of_current{false};
    bool from_now{false};
    std::int64_t from{0}, to{0};
    VoltageSlope rate;  // of a voltage sweep, > 0
    Duration over;      // of a current sweep, > 0
    Current limit;      // of a voltage sweep, either way
};

struct PlanLevel {
    Current current;  // positive charges; at rated capacity where `measured`
    Duration span;
    bool measured{false};
};

// Which samples are kept in a step.
struct KeepPlan {
    Duration every;
    Maybe<Voltage> voltage;
    Maybe<Current> current;
    Maybe<TemperatureDifference> temperature;
    Duration mean_of;             // 0: the newest reading
    std::uint16_t first_mark{0};  // index into Plan::marks
    std::uint8_t mark_count{0};
};

struct OnlyIfPlan {
    bool set{false};
    FigureId figure{FigureId::discharge_capacity};
    bool above{false};
    std::int64_t value{0};
    Maybe<Duration> from, to;  // of k_value
};

// What of a step is a share "of measured": the plan holds it at rated capacity, the run scales it when the step begins.
enum OfMeasured : std::uint8_t {
    measured_demand = 1,
    measured_current = 2,
    measured_amount = 4,
    measured_net = 8,
    measured_cap = 16,
};

struct PlanStep {
    StepKind kind{StepKind::rest};
    Demand demand;  // what the stage is asked for in this step: Open in rest and ask; ramp and pulse make their own
    Maybe<Voltage> end_voltage;
    Maybe<Voltage> end_above, end_below;  // rest and hold
    Maybe<Current> end_current;           // magnitude, in a hold
    Maybe<Duration> end_time;
    Maybe<Charge> end_amount;
    Maybe<Charge> end_net;
    Maybe<Temperature> end_temperature_min, end_temperature_max;
    Duration end_temperature_for;
    Maybe<VoltageSlope> settle_below;
    Duration settle_over;
    bool end_figure_set{false};  // of a repeat
    FigureId end_figure{FigureId::discharge_capacity};
    Ratio end_figure_below;
    Maybe<Duration> at_most_time;
    Maybe<Charge> at_most_amount;
    std::uint8_t of_measured{0};  // bits of OfMeasured
    protocol::OnOverrun on_overrun{protocol::OnOverrun::stop};
    protocol::GoodEnd good_end{protocol::GoodEnd::any};
    Duration not_before;
    protocol::Direction direction{protocol::Direction::charge};
    OnlyIfPlan only_if;
    Maybe<Temperature> ambient;
    bool together{false};
    bool measures{false};
    bool same_cell{true};               // of an ask
    Duration delay;                     // of an ask: from the confirm to the checks
    Current lost_below;                 // current lost is judged while the current was above this
    bool ends_cycle_by_voltage{false};  // a discharge whose voltage end is at or below window.min + 0.3 V
    bool ends_cycle{false};             // the protocol says so
    SweepPlan sweep;                    // of a ramp
    std::uint16_t first_level{0};       // of a pulse: index into Plan::levels
    std::uint8_t level_count{0};
    Duration rest_before;     // of a pulse: how long the rest before it lasts, to be had again after a pause
    std::int16_t keep{-1};    // index into Plan::step_keeps; -1: [keep]
    std::int16_t limits{-1};  // index into Plan::step_guards; -1: [limits]
    std::uint32_t times{1};
    std::int16_t parent{-1};  // flat index of the repeat around it
    std::int16_t first_child{-1};
    std::int16_t next{-1};  // the next step of the same list
    std::uint8_t depth{0};  // how many repeats are around it
};

// For people; never read by advance().
struct StepLabel {
    std::string path, name, prompt;
    std::vector<protocol::EnterField> enter;
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

using GuardSettings = std::array<GuardSetting, guard_count>;

struct ClimbGate {
    Charge by;
    Voltage above;
};
inline constexpr std::size_t climb_gates_max = 16;

struct Plan {
    std::vector<PlanStep> steps;  // pre-order; steps[0] is the first
    std::vector<StepLabel> labels;
    std::vector<PlanLevel> levels;           // of all pulses
    std::vector<Duration> marks;             // of all `keep.at`, growing within each
    GuardSettings guards;                    // of [limits]
    std::vector<GuardSettings> step_guards;  // of steps with limits of their own, which are narrower
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
    protocol::Range<Resistance> start_resistance;    // either may be absent
    protocol::Interruption interruption;
    Charge interruption_charge_max;
    KeepPlan keep;                     // of [keep]; its marks count from the run's start
    std::vector<KeepPlan> step_keeps;  // of steps with a keep of their own
    ChannelTraits traits;
    BenchCaps caps;
};

// All that keeps a protocol off a channel, a sentence each, with the place in the protocol's file where it has one.
using Refusals = std::vector<Error>;

// Refuses what this channel cannot do or protect: no sink for a discharge, a range too small, an end margin that does
// not fit under voltage_max, a thermometer that is missing, limits outside the bench's caps. Never refused without one.
[[nodiscard]] tl::expected<Plan, Refusals> try_plan(const protocol::Protocol& protocol, Charge capacity,
                                                    const ChannelTraits& traits, const BenchCaps& caps);

// The same where one sentence has to do: the first refusal, and how many more there are.
[[nodiscard]] Result<Plan> make_plan(const protocol::Protocol& protocol, Charge capacity, const ChannelTraits& traits,
                                     const BenchCaps& caps);

// The traits a check or a rehearsal assumes where no bench is named: an ideal two-quadrant source in a chamber.
[[nodiscard]] ChannelTraits bench_of_no_name(const protocol::Protocol& protocol);
[[nodiscard]] BenchCaps caps_of_no_name();

}  // namespace slowfilm::engine
