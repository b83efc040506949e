// Published limits as check values: what the guards let pass, and what not.
#include "daemon/protocol/check.hpp"
#include "tests/daemon/engine/harness.hpp"

#include <gtest/gtest.h>

namespace slowfilm::engine::test {
namespace {

std::string with_voltage_max(const std::string& voltage_max) {
    return R"(format = 1
title  = "limit"
about  = "For a published limit."

[cell]
chemistry = "NMC/graphite"
capacity  = "5 Ah"
window    = { min = "2.7 V", max = "4.2 V" }
state     = "formed"

[limits]
voltage_max        = ")" +
           voltage_max + R"("
current_max        = "1.2 A"
temperature_max    = "50 degC"
charge_temperature = { min = "10 degC", max = "45 degC" }

[[step]]
do      = "charge"
rate    = "C/10"
ends    = { voltage = "4.2 V" }
at_most = "14 h"
)";
}

// No faster than a cell's own voltage may go.
void rise_to(Bench& bench, Voltage voltage) {
    while (bench.voltage < voltage) {
        bench.voltage = std::min(bench.voltage + 10_mV, voltage);
        bench.run_for(1_s);
    }
    bench.run_for(10_s);
}

// IEC 62133-2: the upper limit charging voltage of a 4.2 V cell is 4.25 V (from memory).
TEST(Limits, four_point_two_five_volts_is_the_upper_limit_charging_voltage) {
    EXPECT_TRUE(protocol::check_protocol("limit.toml", with_voltage_max("4.25 V")).protocol);
    EXPECT_FALSE(protocol::check_protocol("limit.toml", with_voltage_max("4.251 V")).protocol);
    for (const auto& [voltage, trips] : {std::pair{4250_mV, false}, std::pair{4251_mV, true}}) {
        Protocol p = charging();
        p.steps = {rest_step(1_h)};  // at open circuit, where no end of a step can come first
        Bench bench{p, formed()};
        bench.voltage = 4000_mV;
        bench.start();
        rise_to(bench, voltage);
        EXPECT_EQ(bench.tripped_by(GuardId::over_voltage), trips) << voltage.count;
    }
}

bool charges_at(const protocol::TemperatureWindow& window, std::int64_t tenths) {
    Protocol p = charging();
    p.limits.charge_temperature = window;
    p.limits.temperature_max.trip = 70_degC;
    p.limits.temperature_rise.off = true;
    p.start.temperature = {.min = Temperature{253'150}, .max = 60_degC};
    Bench bench{p, formed()};
    bench.voltage = 3600_mV;
    bench.start();
    EXPECT_EQ(bench.run.state, RunState::forming);
    bench.temperature = Temperature{273'150 + tenths * 100};
    bench.run_for(10_s);
    return !bench.tripped_by(GuardId::charge_temperature);
}

struct At {
    std::int64_t tenths;  // degC / 10
    bool charges;
};

// IEC 62133-2: 10..45 degC is the standard charge range of cells with graphite (from memory).
TEST(Limits, ten_to_forty_five_degrees_is_the_standard_range_to_charge_in) {
    const protocol::TemperatureWindow standard{.min = 10_degC, .max = 45_degC, .written = Place{}};
    for (const At& at : {At{99, false}, At{100, true}, At{250, true}, At{450, true}, At{451, false}}) {
        EXPECT_EQ(charges_at(standard, at.tenths), at.charges) << at.tenths;
    }
}

// JEITA/BAJ guidance of 20 April 2007 in its common form of four thresholds, as data sheets of charging circuits give
// it: none below 0 degC, reduced current to 10 degC, full to 45 degC, reduced voltage to 60 degC, none above.
TEST(Limits, jeitas_bands_can_be_written_and_each_holds_at_its_ends) {
    const auto band = [](Temperature min, Temperature max) {
        return protocol::TemperatureWindow{.min = min, .max = max, .written = Place{}};
    };
    for (const At& at : {At{-1, false}, At{0, true}, At{100, true}, At{101, false}}) {
        EXPECT_EQ(charges_at(band(0_degC, 10_degC), at.tenths), at.charges) << at.tenths;
    }
    for (const At& at : {At{449, false}, At{450, true}, At{600, true}, At{601, false}}) {
        EXPECT_EQ(charges_at(band(45_degC, 60_degC), at.tenths), at.charges) << at.tenths;
    }
}

// In the upper band about 4.1 V is what is charged to (data sheets of charging circuits): a step of its own has its
// own, narrower limits.
TEST(Limits, jeitas_upper_band_is_a_step_with_a_lower_voltage_of_its_own) {
    Protocol p = charging();
    p.limits.charge_temperature = {.min = 0_degC, .max = 60_degC, .written = Place{}};
    p.limits.temperature_max.trip = 65_degC;
    Step warm = charge_step(CurrentOrRate{500_mA}, 4100_mV, 14_h);
    warm.limits.emplace();
    warm.limits->voltage_max.trip = 4150_mV;
    warm.limits->voltage_max.written = Place{};
    Step rest = rest_step(1_h);
    rest.limits = warm.limits;
    p.steps = {rest, warm};
    Bench bench{p, formed()};
    bench.voltage = 4000_mV;
    bench.start();
    rise_to(bench, 4151_mV);
    EXPECT_TRUE(bench.tripped_by(GuardId::over_voltage));
    EXPECT_EQ(bench.find(EventKind::tripped)->limit, (4150_mV).count);
}

}  // namespace
}  // namespace slowfilm::engine::test
