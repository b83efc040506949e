// Elementary functions with the same bits on every processor: glibc's libm picks its code by CPU, so the models use
// none of it. Only + - * / and bit moves in round-to-nearest, no contraction. Errors below 2 units in the last place.
#pragma once

#include <bit>
#include <cstdint>
#include <limits>

namespace slowfilm::sim::elementary {

namespace detail {

inline constexpr double log2_e = 1.4426950408889634;
inline constexpr double ln2_high = 6.93147180369123816490e-01;  // ln 2 to 33 bits: k * ln2_high is exact for |k| < 2^20
inline constexpr double ln2_low = 1.90821492927058770002e-10;
inline constexpr double round_magic =
    6755399441055744.0;  // 1.5 * 2^52: adding and taking it away rounds to a whole number

// exp(r) - 1 for |r| <= ln(2)/2, the power series to r^13: the rest is below 5e-18.
inline double expm1_reduced(double r) {
    const double r2 = r * r;
    const double r4 = r2 * r2;
    const double a = 1.0 / 2 + r * (1.0 / 6);
    const double b = 1.0 / 24 + r * (1.0 / 120);
    const double c = 1.0 / 720 + r * (1.0 / 5040);
    const double d = 1.0 / 40320 + r * (1.0 / 362880);
    const double e = 1.0 / 3628800 + r * (1.0 / 39916800);
    const double f = 1.0 / 479001600 + r * (1.0 / 6227020800.0);
    return r + r2 * ((a + r2 * b) + r4 * ((c + r2 * d) + r4 * (e + r2 * f)));
}

struct Reduced {
    double rest;
    std::int64_t power;
};

inline Reduced reduce(double x) {
    const double shifted = x * log2_e + round_magic;
    const double k = shifted - round_magic;
    return {(x - k * ln2_high) - k * ln2_low, static_cast<std::int64_t>(k)};
}

// 2^k for -1022 <= k <= 1023.
inline double power_of_two(std::int64_t k) {
    return std::bit_cast<double>(static_cast<std::uint64_t>(k + 1023) << 52U);
}

}  // namespace detail

// exp(x) - 1, without loss near zero.
inline double expm1(double x) {
    if (!(x > -50.0)) {
        return x <= -50.0 ? -1.0 : x;
    }
    if (x > 700.0) {
        return std::numeric_limits<double>::infinity();
    }
    const detail::Reduced reduced = detail::reduce(x);
    const double p = detail::expm1_reduced(reduced.rest);
    const double scale = detail::power_of_two(reduced.power);
    return (scale - 1.0) + scale * p;
}

// Results below 1e-300 are zero and arguments above 700 infinite: no model lives there.
inline double exp(double x) {
    if (!(x > -690.0)) {
        return x <= -690.0 ? 0.0 : x;
    }
    if (x > 700.0) {
        return std::numeric_limits<double>::infinity();
    }
    const detail::Reduced reduced = detail::reduce(x);
    return detail::power_of_two(reduced.power) * (1.0 + detail::expm1_reduced(reduced.rest));
}

// Natural logarithm; -infinity at 0, NaN below it.
[[nodiscard]] double log(double x);
// log(1 + x), without loss near zero.
[[nodiscard]] double log1p(double x);
// Area hyperbolic sine, for |x| < 1e150.
[[nodiscard]] double asinh(double x);

inline double sinh(double x) {
    const double up = expm1(x < 0.0 ? -x : x);
    const double size = 0.5 * (up + up / (up + 1.0));
    return x < 0.0 ? -size : size;
}

inline double tanh(double x) {
    const double twice = x < 0.0 ? -2.0 * x : 2.0 * x;
    const double size = twice > 40.0 ? 1.0 : 1.0 - 2.0 / (expm1(twice) + 2.0);
    return x < 0.0 ? -size : size;
}

}  // namespace slowfilm::sim::elementary
