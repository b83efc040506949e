#include "sim/cell/elementary.hpp"

#include <cmath>

namespace slowfilm::sim::elementary {

namespace {

// log(1 + f) + k ln 2 for f in [sqrt(1/2) - 1, sqrt(2) - 1], by the series of artanh(s), s = f / (2 + f), written so
// that the leading f is never rounded against its own correction.
double log_reduced(double f, double k) {
    const double s = f / (2.0 + f);
    const double z = s * s;
    double series = 2.0 / 23 * z + 2.0 / 21;
    series = series * z + 2.0 / 19;
    series = series * z + 2.0 / 17;
    series = series * z + 2.0 / 15;
    series = series * z + 2.0 / 13;
    series = series * z + 2.0 / 11;
    series = series * z + 2.0 / 9;
    series = series * z + 2.0 / 7;
    series = series * z + 2.0 / 5;
    series = series * z + 2.0 / 3;
    const double half_square = 0.5 * f * f;
    return k * detail::ln2_high - ((half_square - (s * (half_square + z * series) + k * detail::ln2_low)) - f);
}

}  // namespace

double log(double x) {
    if (!(x > 0.0)) {
        return x == 0.0 ? -std::numeric_limits<double>::infinity() : std::numeric_limits<double>::quiet_NaN();
    }
    if (x > std::numeric_limits<double>::max()) {
        return x;
    }
    std::int64_t k = 0;
    if (x < std::numeric_limits<double>::min()) {
        x *= 18014398509481984.0;  // 2^54, out of the subnormals
        k = -54;
    }
    const auto bits = std::bit_cast<std::uint64_t>(x);
    k += static_cast<std::int64_t>(bits >> 52U) - 1023;
    double m = std::bit_cast<double>((bits & 0x000F'FFFF'FFFF'FFFFU) | 0x3FF0'0000'0000'0000U);
    if (m > 1.4142135623730951) {
        m *= 0.5;
        ++k;
    }
    return log_reduced(m - 1.0, static_cast<double>(k));
}

double log1p(double x) {
    if (x > -0.29 && x < 0.41) {
        return log_reduced(x, 0.0);
    }
    return log(1.0 + x);
}

double asinh(double x) {
    const double size = x < 0.0 ? -x : x;
    const double value = log1p(size + size * size / (1.0 + std::sqrt(1.0 + size * size)));
    return x < 0.0 ? -value : value;
}

}  // namespace slowfilm::sim::elementary
