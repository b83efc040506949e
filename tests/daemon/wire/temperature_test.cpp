// Sensors: a curve and its inverse agree, and what is no temperature is a fault.
#include "daemon/wire/temperature.hpp"

#include "tests/property.hpp"

#include <cmath>
#include <limits>

#include <gtest/gtest.h>

namespace slowfilm::wire::test {
namespace {

constexpr double infinity = std::numeric_limits<double>::infinity();
const double no_number = std::nan("");
constexpr BetaNtc ntc_10k{10'000.0, 3'950.0};
constexpr SteinhartHartNtc curve{1.129148e-3, 2.34125e-4, 8.76741e-8};

double any_celsius(double least, double most) {
    return least + (most - least) * static_cast<double>(*rc::gen::inRange(0, 1'000'001)) / 1e6;
}

TEST(Sensors, read_back_what_their_curve_gives) {
    slowfilm::test::holds([] {
        const double platinum = any_celsius(-200.0, 850.0);
        const double r0 = *rc::gen::element(100.0, 500.0, 1'000.0);
        RC_ASSERT(std::fabs(platinum_celsius(platinum_ohms(platinum, r0), r0).value() - platinum) < 1e-6);
        const double ntc = any_celsius(-59.999, 299.999);
        RC_ASSERT(std::fabs(ntc_celsius(ntc_ohms(ntc, ntc_10k), ntc_10k).value() - ntc) < 1e-6);
        const double junction = any_celsius(-40.0, 85.0);
        const double couple = any_celsius(-200.0, 1'300.0);
        const double measured = type_k_millivolts(couple) - type_k_millivolts(junction);
        RC_ASSERT(std::fabs(type_k_celsius(measured, junction).value() - couple) < 1e-6);
        const Divider divider{10'000.0, *rc::gen::arbitrary<bool>()};
        const double ohms = ntc_ohms(any_celsius(-20.0, 90.0), ntc_10k);
        const double below = divider.ntc_below ? ohms : divider.fixed_ohms;
        const auto back = divider_ohms(below / (ohms + divider.fixed_ohms), divider);
        RC_ASSERT(std::fabs(back.value() / ohms - 1.0) < 1e-9);
    });
}

TEST(Sensors, of_any_number_give_a_temperature_of_their_table_or_a_fault) {
    slowfilm::test::holds([] {
        const double value =
            *rc::gen::oneOf(rc::gen::arbitrary<double>(),
                            rc::gen::map(rc::gen::arbitrary<std::int32_t>(), [](std::int32_t n) { return n / 1e3; }),
                            rc::gen::element(infinity, -infinity, no_number, 0.0, -0.0));
        const auto within = [](const Celsius& celsius, double least, double most) {
            return !celsius || (*celsius >= least && *celsius <= most);
        };
        RC_ASSERT(within(platinum_celsius(value, 100.0), -200.0, 850.0));
        RC_ASSERT(within(ntc_celsius(value, ntc_10k), -60.0, 300.0));
        RC_ASSERT(within(ntc_celsius(value, curve), -60.0, 300.0));
        RC_ASSERT(within(type_k_celsius(value, 25.0), -270.0, 1'372.0));
        RC_ASSERT(within(type_k_celsius(1.0, value), -270.0, 1'372.0));
        const auto ohms = divider_ohms(value, {10'000.0});
        RC_ASSERT(!ohms || (*ohms > 0.0 && std::isfinite(*ohms)));
    });
}

TEST(Sensors, that_are_open_or_shorted_are_faults) {
    for (const double r0 : {100.0, 1'000.0}) {
        EXPECT_EQ(platinum_celsius(0.0, r0).error(), SensorFault::short_circuit);
        EXPECT_EQ(platinum_celsius(-5.0, r0).error(), SensorFault::short_circuit);
        EXPECT_EQ(platinum_celsius(0.18 * r0, r0).error(), SensorFault::short_circuit);
        EXPECT_EQ(platinum_celsius(3.95 * r0, r0).error(), SensorFault::open_circuit);
        EXPECT_EQ(platinum_celsius(infinity, r0).error(), SensorFault::open_circuit);
        EXPECT_EQ(platinum_celsius(no_number, r0).error(), SensorFault::not_finite);
    }
    EXPECT_EQ(platinum_celsius(0.0, 0.0).error(), SensorFault::out_of_range) << "no such sensor";
    EXPECT_EQ(ntc_celsius(0.0, ntc_10k).error(), SensorFault::short_circuit);
    EXPECT_EQ(ntc_celsius(1e-9, ntc_10k).error(), SensorFault::short_circuit);
    EXPECT_EQ(ntc_celsius(10.0, ntc_10k).error(), SensorFault::short_circuit);
    EXPECT_EQ(ntc_celsius(5e6, ntc_10k).error(), SensorFault::open_circuit);
    EXPECT_EQ(ntc_celsius(infinity, ntc_10k).error(), SensorFault::open_circuit);
    EXPECT_EQ(ntc_celsius(infinity, curve).error(), SensorFault::open_circuit);
    EXPECT_EQ(ntc_celsius(no_number, curve).error(), SensorFault::not_finite);
    EXPECT_EQ(ntc_celsius(100.0, SteinhartHartNtc{-1.0, 0.0, 0.0}).error(), SensorFault::out_of_range);
    EXPECT_EQ(type_k_celsius(78.125, 25.0).error(), SensorFault::open_circuit);
    EXPECT_EQ(type_k_celsius(-78.125, 25.0).error(), SensorFault::out_of_range);
    EXPECT_EQ(type_k_celsius(no_number, 25.0).error(), SensorFault::not_finite);
    EXPECT_EQ(type_k_celsius(1.0, no_number).error(), SensorFault::cold_junction);
    EXPECT_EQ(type_k_celsius(1.0, 150.0).error(), SensorFault::cold_junction);
}

TEST(Sensors, both_rails_of_a_divider_are_faults_and_never_cold_or_hot) {
    for (const double fraction : {0.0, 0.005, 0.01, -0.1}) {
        EXPECT_EQ(divider_ohms(fraction, {10'000.0, true}).error(), SensorFault::short_circuit);
        EXPECT_EQ(divider_ohms(fraction, {10'000.0, false}).error(), SensorFault::open_circuit);
    }
    for (const double fraction : {1.0, 0.995, 0.99, 1.1}) {
        EXPECT_EQ(divider_ohms(fraction, {10'000.0, true}).error(), SensorFault::open_circuit);
        EXPECT_EQ(divider_ohms(fraction, {10'000.0, false}).error(), SensorFault::short_circuit);
    }
    EXPECT_EQ(divider_ohms(no_number, {10'000.0}).error(), SensorFault::not_finite);
    for (const auto fault : {SensorFault::not_finite, SensorFault::open_circuit, SensorFault::short_circuit,
                             SensorFault::out_of_range, SensorFault::cold_junction}) {
        EXPECT_FALSE(describe(fault).empty());
    }
}

}  // namespace
}  // namespace slowfilm::wire::test
