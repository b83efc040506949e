#include "daemon/wire/temperature.hpp"

#include <array>
#include <cmath>
#include <span>

namespace slowfilm::wire {

namespace {

constexpr double zero_celsius = 273.15;   // K
constexpr double ntc_reference = 298.15;  // K, 25 degC

struct Range {
    double least, most;
};
constexpr Range platinum_range{-200.0, 850.0};
constexpr Range ntc_range{-60.0, 300.0};
constexpr Range type_k_range{-270.0, 1372.0};
constexpr Range junction_range{-40.0, 85.0};

tl::unexpected<SensorFault> fault(SensorFault kind) {
    return tl::unexpected<SensorFault>{kind};
}

bool within(double value, Range range) {
    return value >= range.least && value <= range.most;  // NaN is never within
}

// Where a rising function has a value, by halving the range 60 times: below a nanokelvin, and it cannot fail.
template <class Forward>
double inverse(Forward&& forward, Range range, double value) {
    for (int halving = 0; halving < 60; ++halving) {
        const double middle = 0.5 * (range.least + range.most);
        (forward(middle) < value ? range.least : range.most) = middle;
    }
    return 0.5 * (range.least + range.most);
}

// c0 + c1 x + c2 x^2 + ...
double polynomial(std::span<const double> coefficients, double x) {
    double sum = 0.0;
    for (auto c = coefficients.rbegin(); c != coefficients.rend(); ++c) {
        sum = sum * x + *c;
    }
    return sum;
}

Celsius ntc_in_range(double kelvin) {
    if (!std::isfinite(kelvin) || kelvin <= 0.0) {
        return fault(SensorFault::out_of_range);
    }
    const double celsius = kelvin - zero_celsius;
    if (celsius < ntc_range.least) {
        return fault(SensorFault::open_circuit);
    }
    if (celsius > ntc_range.most) {
        return fault(SensorFault::short_circuit);
    }
    return celsius;
}

// What needs no curve: nothing, a short and a broken lead.
Result<double, SensorFault> ntc_logarithm(double ohms) {
    if (std::isnan(ohms)) {
        return fault(SensorFault::not_finite);
    }
    if (std::isinf(ohms)) {
        return fault(ohms > 0.0 ? SensorFault::open_circuit : SensorFault::not_finite);
    }
    if (ohms <= 0.0) {
        return fault(SensorFault::short_circuit);
    }
    return std::log(ohms);
}

}  // namespace

std::string_view describe(SensorFault fault) {
    switch (fault) {
        case SensorFault::not_finite: return "the converter gave no number";
        case SensorFault::open_circuit: return "the sensor is open: a broken lead or a loose terminal";
        case SensorFault::short_circuit: return "the sensor is shorted";
        case SensorFault::out_of_range:
            return "no such temperature is in the sensor's table: another kind of sensor, or its leads are swapped";
        case SensorFault::cold_junction: return "the thermometer of the thermocouple's terminals is broken";
    }
    return "";
}

// --- Platinum

double platinum_ohms(double celsius, double r0) {
    constexpr double a = 3.9083e-3;   // 1/K      IEC 60751:2008, 4.2
    constexpr double b = -5.775e-7;   // 1/K^2
    constexpr double c = -4.183e-12;  // 1/K^4, below 0 degC only
    const double t = celsius;
    const double cold = t < 0.0 ? c * (t - 100.0) * t * t * t : 0.0;
    return r0 * (1.0 + a * t + b * t * t + cold);
}

Celsius platinum_celsius(double ohms, double r0) {
    if (std::isnan(ohms)) {
        return fault(SensorFault::not_finite);
    }
    if (!(r0 > 0.0)) {
        return fault(SensorFault::out_of_range);
    }
    const auto ohms_at = [r0](double celsius) { return platinum_ohms(celsius, r0); };
    if (!(ohms >= ohms_at(platinum_range.least))) {
        return fault(SensorFault::short_circuit);
    }
    if (!(ohms <= ohms_at(platinum_range.most))) {
        return fault(SensorFault::open_circuit);
    }
    return inverse(ohms_at, platinum_range, ohms);
}

// --- NTC

double ntc_ohms(double celsius, const BetaNtc& ntc) {
    return ntc.r25 * std::exp(ntc.beta * (1.0 / (celsius + zero_celsius) - 1.0 / ntc_reference));
}

Celsius ntc_celsius(double ohms, const BetaNtc& ntc) {
    const auto logarithm = ntc_logarithm(ohms);
    if (!logarithm) {
        return fault(logarithm.error());
    }
    const double inverse_kelvin = 1.0 / ntc_reference + (*logarithm - std::log(ntc.r25)) / ntc.beta;
    // The curve ends where so little is left of the resistance that it would be hotter than anything.
    return inverse_kelvin <= 0.0 ? Celsius{fault(SensorFault::short_circuit)} : ntc_in_range(1.0 / inverse_kelvin);
}

Celsius ntc_celsius(double ohms, const SteinhartHartNtc& ntc) {
    const auto logarithm = ntc_logarithm(ohms);
    if (!logarithm) {
        return fault(logarithm.error());
    }
    const double l = *logarithm;
    return ntc_in_range(1.0 / (ntc.a + ntc.b * l + ntc.c * l * l * l));
}

Result<double, SensorFault> divider_ohms(double fraction, const Divider& divider) {
    if (!std::isfinite(fraction)) {
        return fault(SensorFault::not_finite);
    }
    if (!(fraction > divider.rail)) {
        return fault(divider.ntc_below ? SensorFault::short_circuit : SensorFault::open_circuit);
    }
    if (!(fraction < 1.0 - divider.rail)) {
        return fault(divider.ntc_below ? SensorFault::open_circuit : SensorFault::short_circuit);
    }
    const double ratio = fraction / (1.0 - fraction);
    return divider.ntc_below ? divider.fixed_ohms * ratio : divider.fixed_ohms / ratio;
}

// --- Thermocouple

double type_k_millivolts(double celsius) {
    // mV and degC; NIST Monograph 175 (1993), type K, ITS-90.
    constexpr std::array cold{0.0,
                              0.394501280250e-1,
                              0.236223735980e-4,
                              -0.328589067840e-6,
                              -0.499048287770e-8,
                              -0.675090591730e-10,
                              -0.574103274280e-12,
                              -0.310888728940e-14,
                              -0.104516093650e-16,
                              -0.198892668780e-19,
                              -0.163226974860e-22};
    constexpr std::array warm{-0.176004136860e-1, 0.389212049750e-1,   0.185587700320e-4,  -0.994575928740e-7,
                              0.318409457190e-9,  -0.560728448890e-12, 0.560750590590e-15, -0.320207200030e-18,
                              0.971511471520e-22, -0.121047212750e-25};
    if (celsius < 0.0) {
        return polynomial(cold, celsius);
    }
    const double away = celsius - 126.9686;
    return polynomial(warm, celsius) + 0.1185976 * std::exp(-1.183432e-4 * away * away);
}

Celsius type_k_celsius(double millivolts, double cold_junction) {
    if (!std::isfinite(millivolts)) {
        return fault(SensorFault::not_finite);
    }
    if (!within(cold_junction, junction_range)) {
        return fault(SensorFault::cold_junction);
    }
    const double total = millivolts + type_k_millivolts(cold_junction);
    if (total > type_k_millivolts(type_k_range.most)) {
        return fault(SensorFault::open_circuit);
    }
    if (total < type_k_millivolts(type_k_range.least)) {
        return fault(SensorFault::out_of_range);
    }
    return inverse(type_k_millivolts, type_k_range, total);
}

}  // namespace slowfilm::wire
