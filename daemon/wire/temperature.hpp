// What a temperature sensor gives - ohms, a fraction of full scale, millivolts - as degrees Celsius, and back for the
// virtual instruments. An open or shorted sensor is a fault with a name: an open NTC would read as very cold and hide
// a hot cell. The bench's own window (ChannelTraits) is judged after this, by quantise_temperature and the channel.
#pragma once

#include "daemon/core/result.hpp"

#include <cstdint>
#include <string_view>

namespace slowfilm::wire {

enum class SensorFault : std::uint8_t {
    not_finite,     // NaN or infinity came from below
    open_circuit,   // a broken lead: the reading is at or beyond the end that an open sensor gives
    short_circuit,  // at or beyond the end that a short gives
    out_of_range,   // no such temperature in the sensor's own table
    cold_junction,  // the thermocouple's terminals are outside -40..85 degC: their thermometer is broken
};
[[nodiscard]] std::string_view describe(SensorFault fault);

// Degrees Celsius.
using Celsius = Result<double, SensorFault>;

// --- Platinum (IEC 60751, alpha = 0.003851), -200..850 degC

// r0: ohms at 0 degC, 100 for a Pt100, 1000 for a Pt1000; > 0.
[[nodiscard]] double platinum_ohms(double celsius, double r0);
// Ohms of the sensor alone: of a two-wire sensor the leads' (0.39 ohm/K of a Pt100) must be taken off before.
[[nodiscard]] Celsius platinum_celsius(double ohms, double r0);

// --- NTC, -60..300 degC

struct BetaNtc {
    double r25;   // ohms at 25 degC
    double beta;  // K
};
struct SteinhartHartNtc {  // 1/T = a + b ln R + c (ln R)^3, T in kelvin, R in ohms
    double a, b, c;
};
[[nodiscard]] double ntc_ohms(double celsius, const BetaNtc& ntc);
[[nodiscard]] Celsius ntc_celsius(double ohms, const BetaNtc& ntc);
[[nodiscard]] Celsius ntc_celsius(double ohms, const SteinhartHartNtc& ntc);

// An NTC in a divider with a fixed resistor, read as a fraction of full scale (0..1).
struct Divider {
    double fixed_ohms{0.0};  // must be given: with 0 everything reads as a short
    bool ntc_below{true};    // NTC to ground, the fixed resistor to the reference; else the other way round
    double rail{0.01};       // within this of either end it is a broken sensor, never a temperature
};
// open_circuit or short_circuit at the rails.
[[nodiscard]] Result<double, SensorFault> divider_ohms(double fraction, const Divider& divider);

// --- Thermocouple type K (ITS-90 reference functions, NIST Monograph 175), -270..1372 degC

// Against a junction at 0 degC.
[[nodiscard]] double type_k_millivolts(double celsius);
// `millivolts` as measured at terminals that are at `cold_junction` degC: the junction's millivolts are added, not its
// degrees. An open thermocouple is seen only where the converter pulls it to a rail (above the table: open_circuit,
// below: out_of_range); a shorted one reads as the temperature of its terminals, which nothing here can tell.
[[nodiscard]] Celsius type_k_celsius(double millivolts, double cold_junction);

}  // namespace slowfilm::wire
