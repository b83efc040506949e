#include "daemon/core/quantity.hpp"

#include "daemon/core/decimal.hpp"
#include "daemon/core/ensure.hpp"
#include "daemon/core/unit_table.hpp"

#include <numeric>

namespace slowfilm {

namespace {

// Factors of 3 in what a unit holds: a count that lacks them has no end as a decimal in that unit.
constexpr std::int64_t thirds_in_an_hour = 9;   // 1 Ah = 3600 * 10^12 pC = 9 * 4 * 10^14
constexpr std::int64_t thirds_in_a_minute = 3;  // 1 K/min = 60 K/h
constexpr std::int64_t thirds_in_a_day = 3;     // 1 mV/h = 24 mV/d

std::string in_unit(std::int64_t count, const WrittenUnit& unit) {
    return print_decimal(count, unit.scale) + " " + std::string{unit.name};
}

const WrittenUnit& unit_named(Dimension dimension, std::string_view name) {
    for (const WrittenUnit& unit : words_of(dimension).units) {
        if (unit.name == name) {
            return unit;
        }
    }
    broken_invariant("a unit of this dimension", __FILE__, __LINE__);
}

bool reaches(std::int64_t count, std::int64_t scale) {
    return count >= scale || count <= -scale;
}

// The largest unit in which the value is at least 1; the smallest one for what is smaller still.
std::string in_largest(std::int64_t count, std::span<const WrittenUnit> units) {
    if (count == 0) {
        return in_unit(0, units.front());
    }
    for (const WrittenUnit& unit : units) {
        if (reaches(count, unit.scale)) {
            return in_unit(count, unit);
        }
    }
    return in_unit(count, units.back());
}

std::string print_time(std::int64_t count) {
    for (const WrittenUnit& unit : words_of(Dimension::time).units) {
        if (count != 0 && count % unit.scale == 0) {
            return in_unit(count, unit);
        }
    }
    return in_unit(count, unit_named(Dimension::time, "s"));
}

std::string print_charge(std::int64_t count) {
    const auto units = words_of(Dimension::charge).units;
    return in_largest(count, count % thirds_in_an_hour == 0 ? units.first(3) : units.last(3));
}

std::string print_temperature_slope(std::int64_t count) {
    return in_unit(count, unit_named(Dimension::temperature_slope, count % thirds_in_a_minute == 0 ? "K/min" : "K/h"));
}

std::string print_voltage_slope(std::int64_t count) {
    return in_unit(count, unit_named(Dimension::voltage_slope, count % thirds_in_a_day == 0 ? "mV/h" : "mV/d"));
}

constexpr std::int64_t rate_places = 1'000'000;  // parse_rate keeps six decimals

// numerator / denominator with at most six decimals, or "" where it has no such end.
std::string print_fraction(std::int64_t numerator, std::int64_t denominator) {
    const Wide scaled = static_cast<Wide>(numerator) * rate_places;
    if (scaled % denominator != 0) {
        return {};
    }
    return print_decimal(static_cast<std::int64_t>(scaled / denominator), rate_places);
}

}  // namespace

std::string print_count(Dimension dimension, std::int64_t count) {
    const DimensionWords& words = words_of(dimension);
    switch (dimension) {
        case Dimension::time: return print_time(count);
        case Dimension::charge: return print_charge(count);
        case Dimension::temperature: return in_unit(count - words.offset, words.units.front());
        case Dimension::temperature_slope: return print_temperature_slope(count);
        case Dimension::voltage_slope: return print_voltage_slope(count);
        case Dimension::voltage:
        case Dimension::current:
        case Dimension::temperature_difference:
        case Dimension::resistance:
        case Dimension::ratio: return in_largest(count, words.units);
        case Dimension::rate: break;  // a rate is a fraction, not a count
    }
    broken_invariant("a dimension that is stored as a count", __FILE__, __LINE__);
}

Current current_of(Rate rate, Charge capacity) {
    ENSURE(rate.denominator > 0);
    // pC in one hour, in nA: 1 nA for one hour is 3600 nC.
    constexpr Wide pc_in_na_hour = 3'600'000;
    return {multiply_divide(capacity.count, rate.numerator, rate.denominator * pc_in_na_hour)};
}

Current current_of(const CurrentOrRate& value, Charge capacity) {
    if (const auto* rate = std::get_if<Rate>(&value)) {
        return current_of(*rate, capacity);
    }
    return std::get<Current>(value);
}

Charge charge_of(const ChargeOrRatio& value, Charge capacity) {
    if (const auto* ratio = std::get_if<Ratio>(&value)) {
        return {multiply_divide(capacity.count, ratio->count, 1'000'000)};
    }
    return std::get<Charge>(value);
}

template <Dimension D>
std::string print(Quantity<D> value) {
    return print_count(D, value.count);
}
template std::string print(Duration);
template std::string print(Voltage);
template std::string print(Current);
template std::string print(Charge);
template std::string print(Temperature);
template std::string print(TemperatureDifference);
template std::string print(TemperatureSlope);
template std::string print(VoltageSlope);
template std::string print(Resistance);
template std::string print(Ratio);

std::string print(Rate rate) {
    ENSURE(rate.denominator > 0);
    if (rate.numerator < 0) {
        return "-" + print(Rate{-rate.numerator, rate.denominator});
    }
    const std::int64_t common = std::gcd(rate.numerator, rate.denominator);
    const std::int64_t numerator = rate.numerator / common;
    const std::int64_t denominator = rate.denominator / common;
    if (numerator == 1 && denominator > 1) {
        return "C/" + std::to_string(denominator);
    }
    if (std::string text = print_fraction(numerator, denominator); !text.empty()) {
        return text + "C";
    }
    if (std::string text = numerator > 0 ? print_fraction(denominator, numerator) : std::string{}; !text.empty()) {
        return "C/" + text;
    }
    return std::to_string(numerator) + "C/" + std::to_string(denominator);
}

std::string print(const CurrentOrRate& value) {
    return std::visit([](const auto& held) { return print(held); }, value);
}

std::string print(const ChargeOrRatio& value) {
    return std::visit([](const auto& held) { return print(held); }, value);
}

std::string print(const StepCurrent& value) {
    return print(value.value) + (value.measured ? " of measured" : "");
}

std::string print(const StepCharge& value) {
    return print(value.value) + (value.measured ? " of measured" : "");
}

}  // namespace slowfilm
