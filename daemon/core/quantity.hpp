// Physical values as whole numbers of a small unit, so that the same text gives the same bits everywhere and
// "4.20 V" compared with "4200 mV" is equality of integers, not of floats.
//
//   dimension               stored as   written as
//   time                    us          "90 s" "10 min" "36 h" "14 d" "500 ms"
//   voltage                 nV          "4.20 V" "2 mV"
//   current                 nA          "1.2 A" "350 mA" "50 uA"
//   charge                  pC          "0.5 Ah" "120 mAh" "20 mAs"
//   temperature             mK          "45 degC" (above absolute zero)
//   temperature_difference  mK          "2 K"
//   temperature_slope       mK/h        "2 K/min" "1 K/s" "5 K/h"
//   voltage_slope           nV/d        "0.5 mV/h" "2 mV/d"
//   resistance              nohm        "2.1 mohm" "40 ohm"
//   ratio                   ppm         "35 %"
//   rate                    fraction    "C/20" "0.1C"   (of the rated capacity in one hour; IEC 61434)
#pragma once

#include "daemon/core/result.hpp"

#include <compare>
#include <concepts>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <variant>

namespace slowfilm {

enum class Dimension : std::uint8_t {
    time,
    voltage,
    current,
    charge,
    temperature,
    temperature_difference,
    temperature_slope,
    voltage_slope,
    resistance,
    ratio,
    rate,
};

template <Dimension D>
struct Quantity {
    std::int64_t count{0};

    constexpr auto operator<=>(const Quantity&) const = default;
    constexpr Quantity operator-() const { return {-count}; }
    constexpr Quantity& operator+=(Quantity other) {
        count += other.count;
        return *this;
    }
    constexpr Quantity& operator-=(Quantity other) {
        count -= other.count;
        return *this;
    }
    friend constexpr Quantity operator+(Quantity a, Quantity b) { return {a.count + b.count}; }
    friend constexpr Quantity operator-(Quantity a, Quantity b) { return {a.count - b.count}; }
    friend constexpr Quantity operator*(Quantity a, std::int64_t n) { return {a.count * n}; }
    friend constexpr Quantity operator/(Quantity a, std::int64_t n) { return {a.count / n}; }
};

using Duration = Quantity<Dimension::time>;                                 // us
using Voltage = Quantity<Dimension::voltage>;                               // nV
using Current = Quantity<Dimension::current>;                               // nA, positive charges
using Charge = Quantity<Dimension::charge>;                                 // pC, positive into the cell
using Temperature = Quantity<Dimension::temperature>;                       // mK
using TemperatureDifference = Quantity<Dimension::temperature_difference>;  // mK
using TemperatureSlope = Quantity<Dimension::temperature_slope>;            // mK/h
using VoltageSlope = Quantity<Dimension::voltage_slope>;                    // nV/d
using Resistance = Quantity<Dimension::resistance>;                         // nohm
using Ratio = Quantity<Dimension::ratio>;                                   // ppm

template <Dimension D>
constexpr Quantity<D> magnitude(Quantity<D> q) {
    return q.count < 0 ? -q : q;
}

// A rate in lowest terms: numerator/denominator of the capacity in one hour. C/20 is 1/20, 0.1C is 1/10.
struct Rate {
    std::int64_t numerator{0};
    std::int64_t denominator{1};
    constexpr bool operator==(const Rate&) const = default;
};

// A point on the run's own time line (CLOCK_BOOTTIME or a virtual clock), in microseconds.
struct Time {
    std::int64_t count{0};
    constexpr auto operator<=>(const Time&) const = default;
    friend constexpr Duration operator-(Time a, Time b) { return {a.count - b.count}; }
    friend constexpr Time operator+(Time t, Duration d) { return {t.count + d.count}; }
    friend constexpr Time operator-(Time t, Duration d) { return {t.count - d.count}; }
};

using CurrentOrRate = std::variant<Current, Rate>;
using ChargeOrRatio = std::variant<Charge, Ratio>;

// A share of capacity in a step. Of the rated one unless it says "of measured": of this cell's last measured capacity,
// which only the run knows. An absolute value is never `measured`.
template <class Value>
struct OfCapacity {
    Value value;
    bool measured{false};
    constexpr OfCapacity() = default;
    // Implicit, for of the rated capacity is what a plain value means.
    template <std::convertible_to<Value> V>
    constexpr OfCapacity(V of, bool of_measured = false)  // NOLINT(google-explicit-constructor): as said above
        : value{of}, measured{of_measured} {}
    friend constexpr bool operator==(const OfCapacity&, const OfCapacity&) = default;
};
using StepCurrent = OfCapacity<CurrentOrRate>;
using StepCharge = OfCapacity<ChargeOrRatio>;

// The current a rate means for a capacity, rounded half away from zero to a whole nanoampere.
[[nodiscard]] Current current_of(Rate rate, Charge capacity);
[[nodiscard]] Current current_of(const CurrentOrRate& value, Charge capacity);
[[nodiscard]] Charge charge_of(const ChargeOrRatio& value, Charge capacity);

// Literals for code and tests; text from a user goes through parse_quantity.
namespace literals {
constexpr Duration operator""_us(unsigned long long n) {
    return {static_cast<std::int64_t>(n)};
}
constexpr Duration operator""_ms(unsigned long long n) {
    return {static_cast<std::int64_t>(n) * 1'000};
}
constexpr Duration operator""_s(unsigned long long n) {
    return {static_cast<std::int64_t>(n) * 1'000'000};
}
constexpr Duration operator""_min(unsigned long long n) {
    return {static_cast<std::int64_t>(n) * 60'000'000};
}
constexpr Duration operator""_h(unsigned long long n) {
    return {static_cast<std::int64_t>(n) * 3'600'000'000};
}
constexpr Voltage operator""_mV(unsigned long long n) {
    return {static_cast<std::int64_t>(n) * 1'000'000};
}
constexpr Voltage operator""_uV(unsigned long long n) {
    return {static_cast<std::int64_t>(n) * 1'000};
}
constexpr Current operator""_mA(unsigned long long n) {
    return {static_cast<std::int64_t>(n) * 1'000'000};
}
constexpr Current operator""_uA(unsigned long long n) {
    return {static_cast<std::int64_t>(n) * 1'000};
}
constexpr Charge operator""_mAh(unsigned long long n) {
    return {static_cast<std::int64_t>(n) * 3'600'000'000'000};
}
constexpr TemperatureDifference operator""_mK(unsigned long long n) {
    return {static_cast<std::int64_t>(n)};
}
constexpr Temperature operator""_degC(unsigned long long n) {
    return {static_cast<std::int64_t>(n) * 1'000 + 273'150};
}
constexpr Ratio operator""_percent(unsigned long long n) {
    return {static_cast<std::int64_t>(n) * 10'000};
}
}  // namespace literals

// For figures and answers only: SI doubles. Never used by engine/. Divided, not multiplied by 1e-9, so that 350 mA is
// the double nearest to 0.35 and prints so.
[[nodiscard]] constexpr double seconds(Duration d) {
    return static_cast<double>(d.count) / 1e6;
}
[[nodiscard]] constexpr double volts(Voltage v) {
    return static_cast<double>(v.count) / 1e9;
}
[[nodiscard]] constexpr double amperes(Current i) {
    return static_cast<double>(i.count) / 1e9;
}
[[nodiscard]] constexpr double ampere_hours(Charge q) {
    return static_cast<double>(q.count) / 3.6e15;
}
[[nodiscard]] constexpr double celsius(Temperature t) {
    return static_cast<double>(t.count - 273'150) / 1e3;
}

// Parses the whole of `text` as one value of dimension D. The error's message is a phrase that names what is
// wrong and what would be right, without the place: 'needs a unit, such as "4.20 V"'. Exact: a value finer than the
// stored unit is refused. Times, currents, charges, resistances, ratios and rates are written without a sign; each
// dimension has a largest value (unit_table.cpp) that leaves room for sums.
template <Dimension D>
[[nodiscard]] Result<Quantity<D>, std::string> parse_quantity(std::string_view text);
[[nodiscard]] Result<Rate, std::string> parse_rate(std::string_view text);
// Currents where a rate may stand, charges where a percentage may stand.
[[nodiscard]] Result<CurrentOrRate, std::string> parse_current_or_rate(std::string_view text);
[[nodiscard]] Result<ChargeOrRatio, std::string> parse_charge_or_ratio(std::string_view text);
// The same with a sign, positive charging the cell: "-C/10", "-50 mA", "0 A".
[[nodiscard]] Result<CurrentOrRate, std::string> parse_signed_current_or_rate(std::string_view text);
// Of a step, which may go by the measured capacity: "C/10 of measured", "70 % of measured".
[[nodiscard]] Result<StepCurrent, std::string> parse_step_rate(std::string_view text);
[[nodiscard]] Result<StepCurrent, std::string> parse_step_current(std::string_view text);
[[nodiscard]] Result<StepCharge, std::string> parse_step_charge(std::string_view text);

// Exact: parse_quantity<D>(print(q)) == q for every q that parse_quantity can give. A charge that has no end in Ah is
// printed in ampere-seconds. "4.2 V", "350 mA", "36 h", "45 degC", "10 %".
template <Dimension D>
[[nodiscard]] std::string print(Quantity<D> value);
// The same of a dimension that is known only when the program runs. Never a rate: it is no count.
[[nodiscard]] std::string print_count(Dimension dimension, std::int64_t count);
[[nodiscard]] std::string print(Rate rate);  // "C/20", "0.3C"
[[nodiscard]] std::string print(const CurrentOrRate& value);
[[nodiscard]] std::string print(const ChargeOrRatio& value);
[[nodiscard]] std::string print(const StepCurrent& value);  // "C/10 of measured"
[[nodiscard]] std::string print(const StepCharge& value);

}  // namespace slowfilm
