// One reading of a channel, in whole numbers: drivers and the simulated stage quantise, so that a recorded
// sample fed to the engine again gives the same decision to the bit.
#pragma once

#include "daemon/core/quantity.hpp"

#include <cstdint>

namespace slowfilm {

// absent: this sample does not carry the quantity. bad: the instrument answered, but not with a value (NaN, infinity,
// over-range, out of the physical range, garbage); `value` is then 0 and must not be used.
enum class Quality : std::uint8_t { absent, bad, good };

// Each quantity carries its own time: at 9600 baud one question alone takes 25 ms.
template <class Q>
struct Reading {
    Time time;
    Q value;
    Quality quality{Quality::absent};
    constexpr bool operator==(const Reading&) const = default;
    [[nodiscard]] constexpr bool good() const { return quality == Quality::good; }
};

// The newest good reading of a quantity: voltage and current need not come in the same sample.
template <class Q>
[[nodiscard]] constexpr const Reading<Q>& newest(const Reading<Q>& fresh, const Reading<Q>& last) {
    return fresh.good() ? fresh : last;
}

// What the power stage says it is doing. `unknown` where the instrument does not tell.
enum class StageMode : std::uint8_t { unknown, open, constant_current, at_ceiling, at_floor, constant_voltage };

struct Sample {
    Reading<Voltage> voltage;    // at the sense leads
    Reading<Voltage> terminals;  // at the instrument's terminals, where it gives it
    Reading<Current> current;    // positive charges
    Reading<Temperature> temperature;
    Reading<Temperature> ambient;
    StageMode mode{StageMode::unknown};
    std::uint32_t raw_hash{0};  // of the raw words, to tell a frozen converter from a steady cell
    constexpr bool operator==(const Sample&) const = default;
};

// Readings outside these bounds are `bad`: no bench of this kind measures them.
inline constexpr Voltage voltage_plausible_max{100'000'000'000};    // 100 V
inline constexpr Current current_plausible_max{1'000'000'000'000};  // 1000 A
inline constexpr Temperature temperature_plausible_min{173'150};    // -100 degC
inline constexpr Temperature temperature_plausible_max{473'150};    // 200 degC

// Doubles from a driver or a model become whole numbers here and nowhere else: NaN, infinity and out-of-bounds give
// quality bad with value 0.
[[nodiscard]] Reading<Voltage> quantise_voltage(Time time, double volts);
[[nodiscard]] Reading<Current> quantise_current(Time time, double amperes);
[[nodiscard]] Reading<Temperature> quantise_temperature(Time time, double celsius);

}  // namespace slowfilm
