#include "sim/cell/piece.hpp"

#include <cmath>

#include <gtest/gtest.h>
#include <rapidcheck/gtest.h>

namespace slowfilm::sim {
namespace {

Rates rates_of(std::initializer_list<double> values) {
    Rates rates;
    for (const double value : values) {
        rates.set(rates.count++, value);
    }
    return rates;
}

TEST(Piece, a_sum_rises_through_its_level_where_the_closed_form_says) {
    // 1 - exp(-t/100) = 0.5 at t = 100 ln 2.
    const Rates rates = rates_of({0.01});
    const ExponentialSum sum{0.0, {0.01}};
    EXPECT_NEAR(first_rise(rates, sum, 0.5, 1e9), 100.0 * std::log(2.0), 1e-9);
    EXPECT_EQ(first_rise(rates, sum, 1.1, 1e9), 1e9);
    EXPECT_EQ(first_rise(rates, sum, 0.5, 50.0), 50.0);
}

TEST(Piece, a_bump_between_two_looks_is_found) {
    // A fast rise and a slower fall: t exp(-t)-like, its top of 0.25 at ln 2 s, back down within seconds, looked at
    // over a year.
    const Rates rates = rates_of({1.0, 2.0});
    const ExponentialSum sum{0.0, {-1.0, 2.0}};  // exp(-t) - exp(-2 t)
    EXPECT_NEAR(first_rise(rates, sum, 0.2499, 3e7), -std::log(0.5 + std::sqrt(0.25 - 0.2499)), 1e-9);
    EXPECT_EQ(first_rise(rates, sum, 0.2501, 3e7), 3e7);
}

TEST(Piece, at_its_level_only_a_rising_sum_crosses) {
    const Rates rates = rates_of({1.0});
    EXPECT_EQ(first_rise(rates, {1.0, {1.0}}, 1.0, 10.0), 0.0);
    EXPECT_EQ(first_rise(rates, {1.0, {-1.0}}, 1.0, 10.0), 10.0);
    EXPECT_EQ(first_rise(rates, {1.0, {0.0}}, 1.0, 10.0), 10.0);
    EXPECT_EQ(first_fall(rates, {1.0, {-1.0}}, 1.0, 10.0), 0.0);
}

RC_GTEST_PROP(Piece, no_crossing_is_missed_or_late, ()) {
    const auto number = [](double scale) { return scale * (*rc::gen::inRange(-1000000, 1000001)) * 1e-6; };
    const auto positive = [](double least, double decades) {
        return least * std::pow(10.0, decades * (*rc::gen::inRange(0, 1000001)) * 1e-6);
    };
    Rates rates;
    ExponentialSum sum{number(1.0), {}};
    for (int k = 0; k < 3; ++k) {
        const double rate = positive(1e-4, 4.0);
        rates.set(rates.count++, rate);
        sum.slope[static_cast<std::size_t>(k)] = number(2.0) * rate;
    }
    const double end = positive(10.0, 4.0);
    const double level = sum.start + std::fabs(number(1.0)) + 1e-6;
    const double found = first_rise(rates, sum, level, end);
    for (int i = 1; i < 2000; ++i) {
        const double t = found * i / 2000.0;
        RC_ASSERT(sum.at(rates, t) < level + 1e-12);
    }
    if (found < end) {
        RC_ASSERT(std::fabs(sum.at(rates, found) - level) < 1e-9);
    }
}

TEST(Piece, a_lag_follows_heat_as_the_differential_equation_does) {
    // dT/dt = gain * P(t) - rate * T with P = (2 + 3 e1 - e2)^2, by 4th-order Runge-Kutta with 0.01 s steps.
    const Rates rates = rates_of({0.05, 0.3});
    Quadratic power;
    power.add_square(2, 1.0, 2.0, {3.0, -1.0});
    const double lag = 0.02;
    const double gain = 0.1;
    const Quadratic answer = power.lagged(rates, lag, gain);
    const auto slope = [&](double t, double value) {
        const double f = 2.0 + 3.0 * std::exp(-0.05 * t) - std::exp(-0.3 * t);
        return gain * f * f - lag * value;
    };
    double value = 0.0;
    const double h = 0.01;
    for (int i = 0; i < 10000; ++i) {
        const double t = i * h;
        const double k1 = slope(t, value);
        const double k2 = slope(t + h / 2, value + h / 2 * k1);
        const double k3 = slope(t + h / 2, value + h / 2 * k2);
        const double k4 = slope(t + h, value + h * k3);
        value += h / 6 * (k1 + 2 * k2 + 2 * k3 + k4);
    }
    const double at_start = answer.at(2, {1.0, 1.0});
    const double exact = answer.at(2, {std::exp(-5.0), std::exp(-30.0)}) - at_start * std::exp(-lag * 100.0);
    EXPECT_NEAR(exact, value, 1e-9);
}

TEST(Piece, a_lag_that_meets_a_rate_steps_aside) {
    const Rates rates = rates_of({0.01, 0.02});
    EXPECT_EQ(apart(rates, 0.05), 0.05);
    for (const double met : {0.01, 0.02, 0.03, 0.04}) {
        const double moved = apart(rates, met);
        EXPECT_GT(moved, met);
        EXPECT_NEAR(moved, met, 1e-6 * met);
    }
}

}  // namespace
}  // namespace slowfilm::sim
