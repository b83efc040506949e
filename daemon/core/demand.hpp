// What the engine asks of the power stage.
#pragma once

#include "daemon/core/quantity.hpp"

#include <variant>

namespace slowfilm {

// No current through the cell: output off, current limit to zero, contactor open where there is one.
struct Open {
    constexpr bool operator==(const Open&) const = default;
};

// Constant current within the stage's own voltage bounds. Positive charges.
struct DriveCurrent {
    Current current;
    Voltage ceiling;
    Voltage floor;
    constexpr bool operator==(const DriveCurrent&) const = default;
};

// Constant voltage within current bounds: at most source_max into the cell, at most sink_max out of it (both >= 0).
struct HoldVoltage {
    Voltage voltage;
    Current source_max;
    Current sink_max;
    constexpr bool operator==(const HoldVoltage&) const = default;
};

using Demand = std::variant<Open, DriveCurrent, HoldVoltage>;

[[nodiscard]] constexpr bool is_open(const Demand& demand) {
    return std::holds_alternative<Open>(demand);
}

}  // namespace slowfilm
