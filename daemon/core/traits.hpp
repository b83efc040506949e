// What one channel can do, as its driver or the bench file states it. The engine takes its margins from here.
#pragma once

#include "daemon/core/quantity.hpp"

#include <cstdint>

namespace slowfilm {

// What "output off" does to the cell. There is no default: an instrument that sinks when off drains a tapped cell.
enum class OffState : std::uint8_t { relay_open, high_impedance, sinks };
enum class TemperatureOf : std::uint8_t { cell, shelf, none };

struct ChannelTraits {
    Duration period;                   // how often a sample and a tick come
    Duration settle;                   // from a demand applied to its reading being meant
    Voltage voltage_min, voltage_max;  // what it measures and can hold
    Current source_max, sink_max;      // sink_max 0: a supply that cannot discharge
    Voltage voltage_accuracy, voltage_resolution;
    Current current_accuracy, current_resolution;  // current_accuracy: near zero and at the set current alike
    bool reports_ceiling{false};                   // its mode tells constant current from at_ceiling / at_floor
    bool has_contactor{false};
    OffState off_state{OffState::relay_open};
    TemperatureOf temperature_of{TemperatureOf::cell};
    bool has_ambient{false};
    bool has_chamber{false};                         // the ambient temperature can be set
    bool reads_terminals{false};                     // voltage at the terminals beside that at the sense leads
    Temperature temperature_plausible_min{253'150};  // the bench's own sensor window: -20..90 degC
    Temperature temperature_plausible_max{363'150};

    // Whether an open output cuts the cell off.
    [[nodiscard]] constexpr bool isolates() const { return has_contactor || off_state == OffState::relay_open; }
    constexpr bool operator==(const ChannelTraits&) const = default;
};

// What the bench allows on a channel whatever a protocol says. Judged besides the guards, without persistence.
struct BenchCaps {
    Voltage voltage_max;
    Current current_max;
    Temperature temperature_max;
    constexpr bool operator==(const BenchCaps&) const = default;
};

}  // namespace slowfilm
