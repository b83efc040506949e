#include "daemon/core/sample.hpp"

#include <limits>

#include <gtest/gtest.h>

namespace slowfilm {
namespace {

constexpr Time now{5};

TEST(Quantise, a_double_becomes_the_nearest_count_with_its_time) {
    EXPECT_EQ(quantise_voltage(now, 4.2), (Reading<Voltage>{now, {4'200'000'000}, Quality::good}));
    EXPECT_EQ(quantise_voltage(now, -0.1).value, Voltage{-100'000'000});
    EXPECT_EQ(quantise_voltage(now, 0.6e-9).value, Voltage{1});
    EXPECT_EQ(quantise_current(now, -0.35).value, Current{-350'000'000});
    EXPECT_EQ(quantise_temperature(now, 25.0).value, Temperature{298'150});
    EXPECT_EQ(quantise_temperature(now, -10.0004).value, Temperature{263'150});
}

TEST(Quantise, the_ends_of_the_plausible_range_are_good) {
    EXPECT_EQ(quantise_voltage(now, 100.0).value, voltage_plausible_max);
    EXPECT_EQ(quantise_voltage(now, -100.0).value, -voltage_plausible_max);
    EXPECT_EQ(quantise_current(now, 1000.0).value, current_plausible_max);
    EXPECT_EQ(quantise_temperature(now, -100.0).value, temperature_plausible_min);
    EXPECT_EQ(quantise_temperature(now, 200.0).value, temperature_plausible_max);
}

TEST(Quantise, what_is_no_value_is_bad_and_reads_zero) {
    const double nan = std::numeric_limits<double>::quiet_NaN();
    const double inf = std::numeric_limits<double>::infinity();
    for (const double value : {nan, inf, -inf, 9.9e37, -9.9e37, 100.0001, -100.0001, 1e300}) {
        EXPECT_EQ(quantise_voltage(now, value), (Reading<Voltage>{now, {0}, Quality::bad})) << value;
    }
    for (const double value : {nan, inf, -inf, 9.9e37, -9.9e37, 1000.001, -1000.001}) {
        EXPECT_EQ(quantise_current(now, value), (Reading<Current>{now, {0}, Quality::bad})) << value;
    }
    for (const double value : {nan, inf, -inf, -242.02, 988.8, 2000.0, -127.0, 200.001, -100.001}) {
        EXPECT_EQ(quantise_temperature(now, value), (Reading<Temperature>{now, {0}, Quality::bad})) << value;
    }
}

TEST(Quantise, an_absent_reading_is_not_good) {
    EXPECT_FALSE(Reading<Voltage>{}.good());
    EXPECT_FALSE(quantise_voltage(now, 1e9).good());
    EXPECT_TRUE(quantise_voltage(now, 3.0).good());
}

}  // namespace
}  // namespace slowfilm
