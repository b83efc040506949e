// The trajectory between two events: sums of decaying exponentials, exact, evaluated at any time in it.
#pragma once

#include "sim/cell/circuit_parameters.hpp"
#include "sim/cell/elementary.hpp"

#include <array>
#include <cstddef>

namespace slowfilm::sim {

// One rate for the charge and one for each RC pair.
inline constexpr std::size_t rates_max = rc_pairs_max + 1;
using Coefficients = std::array<double, rates_max>;

struct Rates {
    std::size_t count{0};
    Coefficients rate{};     // 1/s, >= 0
    Coefficients inverse{};  // s; 0 where the rate is 0

    void set(std::size_t k, double value);
    // b(t) = (1 - exp(-rate t)) / rate, or t where the rate is 0. It is 0 at t = 0 and grows all the time.
    [[nodiscard]] double basis(std::size_t k, double t) const {
        return rate[k] > 0.0 ? -elementary::expm1(-rate[k] * t) * inverse[k] : t;
    }
};

// start + sum of slope[k] b_k(t): slope[k] is the share of rate k in the derivative at t = 0.
struct ExponentialSum {
    double start{0.0};
    Coefficients slope{};

    [[nodiscard]] double at(const Rates& rates, double t) const;
    [[nodiscard]] double derivative(const Rates& rates, double t) const;
};

// The first time in [0, end] at which `sum` rises through `level`, to a nanosecond; `end` or more means never. A sum
// that starts at or above the level and falls has not crossed it; one that starts there and rises crosses at 0. The
// search is by bounds that hold on whole intervals, so that no crossing hides between two looks.
[[nodiscard]] double first_rise(const Rates& rates, const ExponentialSum& sum, double level, double end);
[[nodiscard]] double first_fall(const Rates& rates, const ExponentialSum& sum, double level, double end);

// `rate`, or where it meets one of the rates or a sum of two (there the answer would be t exp(-rate t), which is not in
// the form), that rate made larger by a ten-millionth.
[[nodiscard]] double apart(const Rates& rates, double rate);

// A quadratic form in the decaying exponentials e_k = exp(-rate_k t): constant + sum linear[k] e_k
// + sum over k <= l of product[k][l] e_k e_l. Heat is one.
struct Quadratic {
    double constant{0.0};
    Coefficients linear{};
    std::array<Coefficients, rates_max> product{};

    // Adds weight * (c + sum f[k] e_k)^2.
    void add_square(std::size_t count, double weight, double c, const Coefficients& f);
    // The answer of a first-order lag (rate, gain per second) to this, without its own decay: the same form. The rate
    // must stand apart() from the others.
    [[nodiscard]] Quadratic lagged(const Rates& rates, double lag_rate, double gain) const;
    [[nodiscard]] double at(std::size_t count, const Coefficients& e) const {
        double value = constant;
        for (std::size_t k = 0; k < count; ++k) {
            double row = linear[k];
            for (std::size_t l = k; l < count; ++l) {
                row += product[k][l] * e[l];
            }
            value += row * e[k];
        }
        return value;
    }
};

}  // namespace slowfilm::sim
