#include "sim/cell/elementary.hpp"

#include <cmath>
#include <limits>

#include <gtest/gtest.h>
#include <rapidcheck/gtest.h>

// Expected values: the C library's long double functions (64-bit mantissa, errors far below one unit of a double).
namespace slowfilm::sim::elementary {
namespace {

constexpr double infinity = std::numeric_limits<double>::infinity();

double units_off(double got, long double expected) {
    const double nearest = static_cast<double>(expected);
    const double unit = std::nextafter(std::fabs(nearest), infinity) - std::fabs(nearest);
    return static_cast<double>(fabsl(static_cast<long double>(got) - expected)) / unit;
}

// Spread over sixteen decades and both signs, within `most`.
double drawn(std::uint64_t random, double most) {
    const double magnitude = most * std::pow(10.0, -16.0 * static_cast<double>(random >> 33U) / 2147483648.0);
    return (random & 1U) == 0U ? magnitude : -magnitude;
}

RC_GTEST_PROP(Elementary, exp_is_within_two_units, (std::uint64_t random)) {
    const double x = drawn(random, 680.0);
    RC_ASSERT(units_off(exp(x), expl(x)) < 2.0);
}

RC_GTEST_PROP(Elementary, expm1_is_within_two_units, (std::uint64_t random)) {
    const double x = drawn(random, 680.0);
    RC_ASSERT(units_off(expm1(x), expm1l(x)) < 2.0);
}

RC_GTEST_PROP(Elementary, log_is_within_two_units, (std::uint64_t random)) {
    const double x = std::exp(drawn(random, 690.0));
    RC_ASSERT(units_off(log(x), logl(x)) < 2.0);
}

RC_GTEST_PROP(Elementary, log1p_is_within_two_units, (std::uint64_t random)) {
    const double x = std::expm1(drawn(random, 30.0));
    RC_PRE(x > -1.0);
    RC_ASSERT(units_off(log1p(x), log1pl(x)) < 2.0);
}

TEST(Elementary, no_gap_anywhere_on_a_fine_grid) {
    double worst_exp = 0.0;
    double worst_expm1 = 0.0;
    double worst_log = 0.0;
    for (int i = -200000; i <= 200000; ++i) {
        const double x = i * 1e-4 + 1e-9;
        worst_exp = std::max(worst_exp, units_off(exp(x), expl(x)));
        worst_expm1 = std::max(worst_expm1, units_off(expm1(x), expm1l(x)));
        const double y = 1.0 + i * 4e-6;
        worst_log = std::max(worst_log, units_off(log(y), logl(y)));
    }
    EXPECT_LT(worst_exp, 1.5);
    EXPECT_LT(worst_expm1, 2.0);
    EXPECT_LT(worst_log, 1.5);
}

TEST(Elementary, the_ends_are_as_they_should_be) {
    EXPECT_EQ(exp(0.0), 1.0);
    EXPECT_EQ(expm1(0.0), 0.0);
    EXPECT_EQ(exp(-1000.0), 0.0);
    EXPECT_EQ(exp(1000.0), infinity);
    EXPECT_EQ(expm1(-1000.0), -1.0);
    EXPECT_EQ(expm1(1000.0), infinity);
    EXPECT_TRUE(std::isnan(exp(std::nan(""))));
    EXPECT_TRUE(std::isnan(expm1(std::nan(""))));
    EXPECT_EQ(log(1.0), 0.0);
    EXPECT_EQ(log(0.0), -infinity);
    EXPECT_EQ(log(infinity), infinity);
    EXPECT_TRUE(std::isnan(log(-1.0)));
    EXPECT_NEAR(log(5e-324), -744.4400719213812, 1e-12);  // ln 2^-1074
}

}  // namespace
}  // namespace slowfilm::sim::elementary
