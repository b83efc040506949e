#include "daemon/core/sample.hpp"

#include <cstdint>

namespace slowfilm {

namespace {

// `least` and `most` are counts; the comparison comes before the conversion, which is undefined outside int64.
template <class Q>
Reading<Q> quantise(Time time, double counts, Q least, Q most) {
    const bool within = counts >= static_cast<double>(least.count) && counts <= static_cast<double>(most.count);
    if (!within) {  // NaN is never within
        return {time, Q{}, Quality::bad};
    }
    // As llround, in line: within the bounds both differences are exact.
    const auto whole = static_cast<std::int64_t>(counts);
    const double rest = counts - static_cast<double>(whole);
    return {time, Q{whole + (rest >= 0.5 ? 1 : 0) - (rest <= -0.5 ? 1 : 0)}, Quality::good};
}

}  // namespace

Reading<Voltage> quantise_voltage(Time time, double volts) {
    return quantise(time, volts * 1e9, -voltage_plausible_max, voltage_plausible_max);
}

Reading<Current> quantise_current(Time time, double amperes) {
    return quantise(time, amperes * 1e9, -current_plausible_max, current_plausible_max);
}

Reading<Temperature> quantise_temperature(Time time, double celsius) {
    return quantise(time, celsius * 1e3 + 273'150.0, temperature_plausible_min, temperature_plausible_max);
}

}  // namespace slowfilm
