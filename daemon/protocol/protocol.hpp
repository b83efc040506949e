// A checked protocol, as written: every value exact, rates and percentages not yet multiplied by a capacity. The engine
// runs a Plan (engine/plan.hpp), which is this protocol resolved for one cell on one channel.
#pragma once

#include "daemon/core/cell.hpp"
#include "daemon/core/diagnostic.hpp"
#include "daemon/core/quantity.hpp"

#include <cstdint>
#include <optional>
#include <string>
#include <variant>
#include <vector>

namespace slowfilm::protocol {

enum class Chemistry : std::uint8_t { nmc_graphite, nmc_graphite_siox, lfp_graphite, other };
enum class CellFormat : std::uint8_t { unsaid, pouch, cylindrical, prismatic, coin };

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
    Limit<Voltage> discharge_floor;
    Limit<CurrentOrRate> current_max;
    Limit<CurrentOrRate> current_error;
    Limit<CurrentOrRate> leakage_max;
    Limit<Voltage> hold_error;
    Limit<Temperature> temperature_max;
    Limit<Temperature> temperature_min;
    TemperatureWindow charge_temperature;
    TemperatureWindow discharge_temperature;
    Limit<TemperatureSlope> temperature_rise;
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

enum class StepKind : std::uint8_t { charge, discharge, hold, rest, ask, repeat };
enum class Direction : std::uint8_t { charge, discharge, either };
enum class OnOverrun : std::uint8_t { stop, wait, next };

struct Ends {
    std::optional<Voltage> voltage;
    std::optional<CurrentOrRate> current;
    std::optional<Duration> time;
    std::optional<ChargeOrRatio> amount;
    std::optional<ChargeOrRatio> net;
    [[nodiscard]] bool empty() const { return !voltage && !current && !time && !amount && !net; }
    bool operator==(const Ends&) const = default;
};

struct AtMost {
    std::optional<Duration> time;
    std::optional<ChargeOrRatio> amount;
    bool operator==(const AtMost&) const = default;
};

struct Step {
    StepKind kind{StepKind::rest};
    std::string name;                        // "" where none is written
    std::string path;                        // its place in the file: "6.2"
    Place place;                             // of its table header
    std::optional<CurrentOrRate> current;    // charge, discharge: the current; hold: its limit
    std::optional<Voltage> voltage;          // hold
    Direction direction{Direction::charge};  // hold
    Ends ends;
    AtMost at_most;
    OnOverrun on_overrun{OnOverrun::stop};
    std::string prompt;       // ask
    std::uint32_t times{1};   // repeat
    std::vector<Step> steps;  // repeat
    bool operator==(const Step& o) const {
        return kind == o.kind && name == o.name && path == o.path && current == o.current && voltage == o.voltage &&
               direction == o.direction && ends == o.ends && at_most == o.at_most && on_overrun == o.on_overrun &&
               prompt == o.prompt && times == o.times && steps == o.steps;
    }
};

// [accept]: FIGURE = {min, max, step, cycle, pass}. Values are in the figure's own unit: a ratio in ppm, a charge in
// pC.
struct AcceptRule {
    std::string figure;
    Dimension dimension{Dimension::ratio};
    std::optional<std::int64_t> min, max;
    std::optional<std::string> step;     // a step's name or path
    std::optional<std::uint32_t> cycle;  // from 1
    std::optional<std::uint32_t> pass;   // from 1
    bool operator==(const AcceptRule&) const = default;
};

struct Protocol {
    std::string title, about;
    Cell cell;
    Start start;
    Limits limits;
    Keep keep;
    Interruption interruption;
    std::vector<Step> steps;
    std::vector<AcceptRule> accept;
    bool operator==(const Protocol&) const = default;
};

inline constexpr std::size_t file_bytes_max = 1'048'576;
inline constexpr std::size_t repeat_depth_max = 8;
inline constexpr std::uint64_t visits_max = 100'000;
inline constexpr std::size_t steps_max = 5'000;  // written in a file, at all depths

}  // namespace slowfilm::protocol
