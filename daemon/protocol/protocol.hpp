// A checked protocol, as written: every value exact, rates and percentages not yet multiplied by a capacity. The engine
// runs a Plan (engine/plan.hpp), which is this protocol resolved for one cell on one channel.
#pragma once

#include "daemon/core/cell.hpp"
#include "daemon/core/diagnostic.hpp"
#include "daemon/core/figure.hpp"
#include "daemon/core/quantity.hpp"

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

namespace slowfilm::protocol {

enum class Chemistry : std::uint8_t { nmc_graphite, nmc_graphite_siox, lfp_graphite, other };
[[nodiscard]] std::string_view word(Chemistry chemistry);  // as the language has it
enum class CellFormat : std::uint8_t { unsaid, pouch, cylindrical, prismatic, coin };

inline constexpr Charge smallest_capacity{360'000'000'000};  // 0.1 mAh, below any coin cell
inline constexpr Charge largest_capacity{std::int64_t{500} * 3'600 * 1'000'000'000'000};  // 500 % of it still fits
// Why no cell is rated so: what is said after the capacity.
[[nodiscard]] std::optional<std::string> why_no_capacity(Charge capacity);

template <class Q>
struct Range {
    std::optional<Q> min, max;
    bool operator==(const Range&) const = default;
};

struct Cell {
    Chemistry chemistry{Chemistry::other};
    CellFormat format{CellFormat::unsaid};
    Charge capacity;  // rated
    Voltage window_min, window_max;
    CellState state{CellState::pristine};
    std::string unusual_window;  // the reason, or ""
    bool operator==(const Cell&) const = default;
};

// What the connection checks demand; absent parts take the default by state.
struct Start {
    Range<Voltage> voltage;
    Range<Temperature> temperature;
    Range<Resistance> resistance;    // never judged on a pristine cell
    std::optional<Duration> soaked;  // since the cell was filled, as the ledger remembers it
    bool operator==(const Start&) const = default;
};

// A guard as written: a plain value is `trip`; {warn, trip, for} fills the rest. `persistence` absent: the table's
// default.
template <class V>
struct Limit {
    std::optional<V> warn, trip;
    std::optional<Duration> persistence;
    bool off{false};
    std::optional<Place> written;            // where in the file; absent: the default stands
    bool operator==(const Limit& o) const {  // the place is not part of the value
        return warn == o.warn && trip == o.trip && persistence == o.persistence && off == o.off &&
               written.has_value() == o.written.has_value();
    }
};

// charge_temperature, discharge_temperature: {min, max}, and `for`.
struct TemperatureWindow {
    std::optional<Temperature> min, max;
    std::optional<Duration> persistence;
    std::optional<Place> written;
    bool operator==(const TemperatureWindow& o) const {
        return min == o.min && max == o.max && persistence == o.persistence &&
               written.has_value() == o.written.has_value();
    }
};

struct Climb {
    ChargeOrRatio by;  // by this much charge from pristine ...
    Voltage above;     // ... the voltage has passed this
    bool operator==(const Climb&) const = default;
};

struct Limits {
    Limit<Voltage> voltage_max;
    Limit<Voltage> low_voltage;
    std::optional<Voltage> armed_above;  // of low_voltage
    Limit<Voltage> voltage_fall;
    Limit<Voltage> discharge_floor;
    Limit<CurrentOrRate> current_max;
    Limit<CurrentOrRate> current_error;
    Limit<CurrentOrRate> leakage_max;
    Limit<Voltage> hold_error;
    Limit<Voltage> voltage_jump;
    Limit<Voltage> lead_drop;
    Limit<ChargeOrRatio> stuck;
    Limit<Temperature> temperature_max;
    Limit<Temperature> temperature_min;
    TemperatureWindow charge_temperature;
    TemperatureWindow discharge_temperature;
    Limit<TemperatureSlope> temperature_rise;
    Limit<TemperatureDifference> above_ambient;
    std::vector<Climb> climb;
    std::optional<ChargeOrRatio> charge_leg_first, charge_leg_later;  // charge_leg_max = {first, later}
    std::optional<ChargeOrRatio> net_max;
    std::optional<Duration> stale_voltage, stale_current,
        stale_temperature;  // stale_after: one value or {voltage, ...}
    std::optional<Duration> run_time_max;
    bool operator==(const Limits&) const = default;
};

struct Keep {
    std::optional<Duration> every;
    std::optional<Voltage> on_voltage_change;
    std::optional<std::variant<Current, Ratio>> on_current_change;  // a percentage is of the 1C current
    std::optional<TemperatureDifference> on_temperature_change;
    std::vector<Duration> at;         // growing; from the step's start, in [keep] from the run's
    std::optional<Duration> mean_of;  // the span before each `at` whose mean is kept as a mark
    bool operator==(const Keep&) const = default;
};

enum class AfterInterruption : std::uint8_t { wait, resume, stop };
struct Interruption {
    AfterInterruption then{AfterInterruption::wait};
    std::optional<Duration> longest, total;
    std::optional<Voltage> voltage_fall_max, voltage_rise_max;
    std::optional<ChargeOrRatio> charge_uncertain_max;
    bool operator==(const Interruption&) const = default;
};

enum class StepKind : std::uint8_t { charge, discharge, hold, rest, ramp, pulse, ask, repeat };
enum class Direction : std::uint8_t { charge, discharge, either };
enum class OnOverrun : std::uint8_t { stop, wait, next };

// A temperature reached, and kept for a while.
struct TemperatureEnd {
    std::optional<Temperature> min, max;
    std::optional<Duration> held;  // `for`
    bool operator==(const TemperatureEnd&) const = default;
};
// The open-circuit voltage drifts by less than `below`, taken over `over`.
struct Settle {
    VoltageSlope below;
    Duration over;
    bool operator==(const Settle&) const = default;
};
// In a repeat: the figure of this pass differs from that of the pass before by less than this share of it.
struct FigureEnd {
    FigureId figure{FigureId::discharge_capacity};
    Ratio below;
    bool operator==(const FigureEnd&) const = default;
};

struct Ends {
    std::optional<Voltage> voltage;
    std::optional<Voltage> above, below;  // voltage = {above} or {below}, in rest and hold
    std::optional<StepCurrent> current;
    std::optional<Duration> time;
    std::optional<StepCharge> amount;
    std::optional<StepCharge> net;
    std::optional<TemperatureEnd> temperature;
    std::optional<Settle> settle;
    std::optional<FigureEnd> figure;
    [[nodiscard]] bool empty() const { return *this == Ends{}; }
    [[nodiscard]] bool by_time_alone() const {
        Ends alone;
        alone.time = time;
        return time && *this == alone;
    }
    bool operator==(const Ends&) const = default;
};

struct AtMost {
    std::optional<Duration> time;
    std::optional<StepCharge> amount;
    bool operator==(const AtMost&) const = default;
};

// Which condition of `ends` is success; another goes the overrun way.
enum class GoodEnd : std::uint8_t { any, voltage, current, time, amount, net, temperature, settle };

// The step is passed over unless the figure is so. A figure that is not defined makes the run wait for a person.
struct OnlyIf {
    FigureId figure{FigureId::discharge_capacity};
    std::optional<std::int64_t> above, below;  // one of them, in the figure's own unit
    std::optional<Duration> from, to;          // of k_value: two of the step's `keep.at`
    bool operator==(const OnlyIf&) const = default;
};

// voltage = {from, to, rate}: one of them a voltage a day, from "now" or a value.
struct VoltageRamp {
    std::optional<Voltage> from;  // absent: "now"
    Voltage to;
    VoltageSlope rate;  // > 0
    bool operator==(const VoltageRamp&) const = default;
};
// current = {from, to, over}: signed, positive charges.
struct CurrentRamp {
    std::optional<CurrentOrRate> from;  // absent: "now"
    CurrentOrRate to;
    Duration over;
    bool operator==(const CurrentRamp&) const = default;
};

struct PulseLevel {
    bool charges{false};
    StepCurrent current;
    Duration span;  // `for`
    bool operator==(const PulseLevel&) const = default;
};

// What a person enters with the confirm of an ask.
struct EnterField {
    std::string name, unit;
    std::optional<double> min, max;
    bool operator==(const EnterField&) const = default;
};

struct Step {
    StepKind kind{StepKind::rest};
    std::string name;                        // "" where none is written
    std::string path;                        // its place in the file: "6.2"
    Place place;                             // of its table header
    std::optional<StepCurrent> current;      // charge, discharge: the current; hold, voltage ramp: its limit
    std::optional<Voltage> voltage;          // hold
    Direction direction{Direction::charge};  // hold
    std::optional<VoltageRamp> voltage_ramp;
    std::optional<CurrentRamp> current_ramp;
    std::vector<PulseLevel> levels;  // pulse
    bool measures{false};            // measures = "capacity": a discharge
    bool ends_cycle{false};
    Ends ends;
    AtMost at_most;
    OnOverrun on_overrun{OnOverrun::stop};
    GoodEnd good_end{GoodEnd::any};
    std::optional<Duration> not_before;
    std::optional<Limits> limits;  // narrower than [limits]; what is not written holds on
    std::optional<Keep> keep;
    std::optional<Temperature> ambient;  // the chamber's set-point from here on
    bool together{false};
    std::optional<OnlyIf> only_if;
    std::string prompt;             // ask
    std::vector<EnterField> enter;  // ask
    bool same_cell{true};           // ask: the cell after it must be the one before it
    Duration delay;                 // ask: from the confirm to the connection checks
    std::uint32_t times{1};         // repeat
    std::vector<Step> steps;        // repeat
    bool operator==(const Step& o) const {
        return kind == o.kind && name == o.name && path == o.path && current == o.current && voltage == o.voltage &&
               direction == o.direction && voltage_ramp == o.voltage_ramp && current_ramp == o.current_ramp &&
               levels == o.levels && measures == o.measures && ends_cycle == o.ends_cycle && ends == o.ends &&
               at_most == o.at_most && on_overrun == o.on_overrun && good_end == o.good_end &&
               not_before == o.not_before && limits == o.limits && keep == o.keep && ambient == o.ambient &&
               together == o.together && only_if == o.only_if && prompt == o.prompt && enter == o.enter &&
               same_cell == o.same_cell && delay == o.delay && times == o.times && steps == o.steps;
    }
};

// [after]: what the cell must be fit for when the run ends.
enum class Ship : std::uint8_t { no, air, sea, road };

// [accept]: FIGURE = {min, max, within_mad, step, cycle, pass, from, to}. Values are in the figure's own unit:
// dimension_of(figure).
struct AcceptRule {
    std::string figure;
    Dimension dimension{Dimension::ratio};  // of that figure
    std::optional<std::int64_t> min, max;
    std::optional<double> within_mad;    // median absolute deviations from the median of all runs of the protocol
    std::optional<std::string> step;     // a step's name or path
    std::optional<std::uint32_t> cycle;  // from 1
    std::optional<std::uint32_t> pass;   // from 1
    std::optional<Duration> from, to;    // of k_value: two of that step's `keep.at`
    bool operator==(const AcceptRule&) const = default;
};

// An accepted cell whose figures meet these is called so; the first that fits.
struct Grade {
    std::string name;
    std::vector<AcceptRule> rules;
    bool operator==(const Grade&) const = default;
};

struct Acceptance {
    std::vector<AcceptRule> rules;
    std::vector<Grade> grades;
    bool operator==(const Acceptance&) const = default;
};

struct Protocol {
    std::string title, about;
    Cell cell;
    Start start;
    Limits limits;
    Keep keep;
    Interruption interruption;
    std::vector<Step> steps;
    Acceptance accept;
    Ship ship{Ship::no};
    bool operator==(const Protocol&) const = default;
};

inline constexpr std::size_t file_bytes_max = 1'048'576;
inline constexpr std::size_t repeat_depth_max = 8;
inline constexpr std::uint64_t visits_max = 100'000;
inline constexpr std::size_t steps_max = 5'000;  // written in a file, at all depths
inline constexpr std::size_t keep_at_max = 16;   // times in one `at`
inline constexpr std::size_t levels_max = 16;    // of one pulse
inline constexpr std::size_t grades_max = 16;
inline constexpr std::size_t enter_max = 16;  // of one ask

}  // namespace slowfilm::protocol
