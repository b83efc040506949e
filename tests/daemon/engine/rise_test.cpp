// A cell that heats itself against a thermometer that steps.
#include "tests/daemon/engine/harness.hpp"

#include <cmath>

#include <gtest/gtest.h>

namespace slowfilm::engine::test {
namespace {

// 11 min at rest: the limit is a quarter of 2 K/min by now.
Bench rested() {
    Bench bench = under_way(resting());
    bench.run_for(11_min);
    EXPECT_EQ(bench.run.state, RunState::resting);
    return bench;
}

// Seconds until it trips, warming by so much a minute, as a thermometer of that digit reads it; 0: not within half an
// hour.
int seconds_to_trip(Bench bench, std::int64_t kelvin_thousandths_a_minute, std::int64_t digit = 1) {
    const std::int64_t from = bench.temperature.count;
    for (int second = 1; second <= 1800; ++second) {
        const std::int64_t warm = kelvin_thousandths_a_minute * second / 60;
        bench.temperature = Temperature{(from + warm) / digit * digit};
        bench.step();
        if (bench.run.state == RunState::tripped) {
            EXPECT_TRUE(bench.tripped_by(GuardId::temperature_rise)) << guard_row(bench.run.tripped_by).name;
            EXPECT_TRUE(bench.run.history.quarantined);
            return second;
        }
    }
    return 0;
}

TEST(ThermometerStep, upwards_in_a_rest_quarantines_no_sound_cell) {
    for (const std::int64_t step : {600, 1'000, 2'000, 4'900}) {
        for (int late = 0; late < 5; ++late) {
            Bench bench = rested();
            bench.steps(late);
            bench.temperature += Temperature{step};
            bench.run_for(10_min);
            EXPECT_EQ(bench.run.state, RunState::resting) << step;
            EXPECT_FALSE(bench.run.history.quarantined);
        }
    }
}

TEST(ThermometerStep, of_a_clip_put_on_anew_that_takes_twenty_seconds_to_warm_quarantines_no_sound_cell) {
    for (const double kelvin : {0.6, 0.8, 1.0}) {
        Bench bench = rested();
        const std::int64_t from = bench.temperature.count;
        for (int second = 0; second < 600; ++second) {
            bench.temperature =
                Temperature{from + static_cast<std::int64_t>(kelvin * 1'000 * (1 - std::exp(-second / 20.0)))};
            bench.step();
        }
        EXPECT_EQ(bench.run.state, RunState::resting) << kelvin;
    }
}

TEST(ThermometerStep, under_current_of_more_than_the_whole_limit_quarantines_no_sound_cell) {
    Bench bench = under_way(charging());
    bench.run_for(5_min);
    bench.temperature += Temperature{3'000};
    bench.run_for(10_min);
    EXPECT_EQ(bench.run.state, RunState::forming);
}

TEST(ThermometerStep, between_two_digits_of_one_kelvin_quarantines_no_sound_cell) {
    Bench bench = rested();
    const std::int64_t from = bench.temperature.count;
    for (int second = 0; second < 3600; ++second) {
        const std::int64_t flicker = second / 7 % 3 == 0 ? 1'000 : 0;  // between two digits
        bench.temperature = Temperature{from + flicker};
        bench.step();
    }
    EXPECT_EQ(bench.run.state, RunState::resting);
}

TEST(ThermometerStep, read_every_thirty_seconds_quarantines_no_sound_cell) {
    ChannelTraits traits = ideal_traits();
    traits.period = 30_s;
    Bench bench{resting(), formed(), traits};
    bench.period = 30_s;
    bench.voltage = 3600_mV;
    bench.start();
    bench.run_for(20_min);
    bench.temperature += Temperature{1'000};
    bench.run_for(20_min);
    EXPECT_EQ(bench.run.state, RunState::resting);
}

// A minute for each of the two windows to rise by the limit in the older one: 60 s and 60 s x limit / rise.
TEST(SelfHeating, at_rest_trips_after_a_minute_and_the_time_of_half_a_kelvin) {
    const Bench bench = rested();
    EXPECT_NEAR(seconds_to_trip(bench, 550), 115, 10);
    EXPECT_NEAR(seconds_to_trip(bench, 1'000), 90, 10);
    EXPECT_NEAR(seconds_to_trip(bench, 2'000), 75, 10);
    EXPECT_NEAR(seconds_to_trip(bench, 10'000), 63, 10);
}

TEST(SelfHeating, of_half_a_kelvin_a_minute_is_the_limit_and_what_is_below_rides_out) {
    EXPECT_EQ(seconds_to_trip(rested(), 480), 0);
    EXPECT_GT(seconds_to_trip(rested(), 520), 0);
}

TEST(SelfHeating, is_seen_by_a_thermometer_of_coarse_digits_too) {
    const Bench bench = rested();
    EXPECT_NEAR(seconds_to_trip(bench, 1'000, 100), 90, 15);
    EXPECT_NEAR(seconds_to_trip(bench, 1'000, 1'000), 120, 65);
    EXPECT_NEAR(seconds_to_trip(bench, 2'000, 1'000), 75, 35);
    const int slow = seconds_to_trip(bench, 700, 1'000);
    EXPECT_GT(slow, 0);
    EXPECT_LT(slow, 300);
}

TEST(SelfHeating, under_current_trips_above_two_kelvin_a_minute) {
    Bench bench = under_way(charging());
    bench.run_for(5_min);
    EXPECT_NEAR(seconds_to_trip(bench, 3'000), 100, 10);
    EXPECT_EQ(seconds_to_trip(bench, 500), 0);
}

}  // namespace
}  // namespace slowfilm::engine::test
