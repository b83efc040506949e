// The unit in which people and JSON read each dimension, and how a whole number of the small unit becomes it.
#pragma once

#include "daemon/core/quantity.hpp"

#include <cstdint>
#include <string_view>

namespace slowfilm {

struct Unit {
    std::string_view name;  // "V", "Ah", "degC"; "1" for a plain ratio
    double counts{1.0};     // stored counts in one of it; divided by, so that 350 mA is the double nearest to 0.35
    std::int64_t zero{0};   // the count that reads 0: degrees Celsius are not kelvin

    [[nodiscard]] constexpr double of(std::int64_t count) const { return static_cast<double>(count - zero) / counts; }
};

[[nodiscard]] constexpr Unit unit_of(Dimension dimension) {
    switch (dimension) {
        case Dimension::time: return {"s", 1e6};
        case Dimension::voltage: return {"V", 1e9};
        case Dimension::current: return {"A", 1e9};
        case Dimension::charge: return {"Ah", 3600e12};
        case Dimension::temperature: return {"degC", 1e3, 273'150};
        case Dimension::temperature_difference: return {"K", 1e3};
        case Dimension::temperature_slope: return {"K/min", 60e3};
        case Dimension::voltage_slope: return {"mV/h", 24e6};
        case Dimension::resistance: return {"ohm", 1e9};
        case Dimension::ratio: return {"1", 1e6};
        case Dimension::rate: return {"1/h", 1.0};
    }
    return {"1"};
}

}  // namespace slowfilm
