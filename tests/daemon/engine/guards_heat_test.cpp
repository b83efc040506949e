// Heat against what surrounds the cell, and thermometers that stand still.
#include "tests/daemon/engine/harness.hpp"

#include <gtest/gtest.h>

namespace slowfilm::engine::test {
namespace {

ChannelTraits with_ambient() {
    ChannelTraits traits = ideal_traits();
    traits.has_ambient = true;
    return traits;
}

Bench under_way(const Protocol& p) {
    Bench bench{p, formed(), with_ambient()};
    bench.voltage = 3600_mV;
    bench.start();
    bench.run_for(2_min);
    EXPECT_EQ(bench.count(EventKind::tripped), 0);
    return bench;
}

TEST(AboveAmbient, is_off_without_a_thermometer_of_the_room) {
    const Bench bench{charging()};
    EXPECT_EQ(bench.plan.guards[static_cast<std::size_t>(GuardId::above_ambient)].origin, Origin::off);
}

TEST(AboveAmbient, a_cell_that_warms_slowly_to_fifteen_kelvin_over_the_room_trips_and_opens_the_neighbours) {
    Bench bench = under_way(charging());
    for (int i = 0; i < 3600 && bench.run.state == RunState::forming; ++i) {
        bench.temperature += Temperature{5};  // 0.3 K/min: no rise guard sees it
        bench.step();
    }
    EXPECT_TRUE(bench.tripped_by(GuardId::above_ambient));
    EXPECT_TRUE(bench.group_tripped);
    EXPECT_NEAR(celsius(bench.temperature), 40.0, 0.1);
}

TEST(AboveAmbient, a_cell_left_behind_by_a_chamber_that_was_set_colder_is_not_hot) {
    Bench bench = under_way(resting());
    bench.ambient = bench.temperature = 25_degC;
    for (int i = 0; i < 3600 && bench.run.state == RunState::resting; ++i) {
        // The air falls from 25 to 5 degC in ten minutes; the cell follows with a time constant of 30 min.
        bench.ambient = Temperature{(25_degC).count - std::min(i * 20'000 / 600, 20'000)};
        bench.temperature += Temperature{(bench.ambient.count - bench.temperature.count) / 1800};
        bench.step();
    }
    EXPECT_EQ(bench.run.state, RunState::resting) << name(bench.run.state);
    EXPECT_EQ(bench.count(EventKind::tripped), 0);
}

TEST(TemperatureRise, a_cell_that_a_chamber_warms_is_not_heating_itself) {
    Bench bench = under_way(resting());
    for (int i = 0; i < 5400 && bench.run.state == RunState::resting; ++i) {
        bench.ambient = Temperature{(25_degC).count + std::min(i * 20'000 / 300, 20'000)};
        bench.temperature += Temperature{(bench.ambient.count - bench.temperature.count) / 600};
        bench.step();
    }
    EXPECT_EQ(bench.run.state, RunState::resting) << name(bench.run.state);
}

TEST(Thermometer, unchanged_to_the_digit_for_six_hours_warns_once_and_trips_nothing) {
    Bench bench{resting(), formed()};
    bench.voltage = 3600_mV;
    bench.start();
    bench.run_for(5_h + 55_min);
    EXPECT_EQ(bench.count(EventKind::warned), 0);
    bench.run_for(10_h);
    EXPECT_EQ(bench.count(EventKind::warned), 1);
    EXPECT_EQ(bench.find(EventKind::warned)->code, static_cast<std::uint8_t>(GuardId::stuck));
    EXPECT_EQ(describe(*bench.find(EventKind::warned), bench.plan),
              "stuck warns: the thermometer has read 25 degC to the digit for 6 h; see whether it is alive");
    EXPECT_EQ(bench.run.state, RunState::resting);
}

TEST(Warnings, of_two_guards_in_one_sample_are_both_told) {
    Protocol p = charging();
    p.limits.temperature_max.warn = 40_degC;
    p.limits.current_max.warn = CurrentOrRate{502_mA};
    p.limits.current_max.trip = CurrentOrRate{1200_mA};
    Bench bench = under_way(p);
    bench.temperature = 41_degC;
    bench.current = 504_mA;
    bench.run_for(5_s);
    EXPECT_EQ(bench.count(EventKind::warned), 2);
}

}  // namespace
}  // namespace slowfilm::engine::test
