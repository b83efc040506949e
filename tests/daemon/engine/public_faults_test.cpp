// Faults that programs of other trades have had in public (heaters, printers, supplies, weather stations), as they
// would look here.
#include "tests/daemon/engine/harness.hpp"

#include <gtest/gtest.h>

namespace slowfilm::engine::test {
namespace {

Bench under_way(const Protocol& p, const ChannelTraits& traits = ideal_traits()) {
    Bench bench{p, formed(), traits};
    bench.period = traits.period;
    bench.voltage = 3600_mV;
    bench.start();
    EXPECT_EQ(bench.count(EventKind::tripped), 0);
    return bench;
}

// A single spurious sensor error ended an eleven-hour job.
TEST(PublicFaults, one_bad_reading_in_ten_for_twelve_hours_at_ten_hertz_rides_out_and_is_counted) {
    ChannelTraits traits = ideal_traits();
    traits.period = 100_ms;
    traits.settle = 50_ms;
    Protocol p = charging();
    p.steps = {charge_step(CurrentOrRate{100_mA}, 4200_mV, 14_h)};
    Bench bench = under_way(p, traits);
    bench.spoil = [n = 0](Sample& s) mutable {
        if (++n % 10 == 0) {
            s.temperature.quality = Quality::bad;
            s.temperature.value = Temperature{};
        }
    };
    const std::uint64_t before = bench.run.guards.bad_readings;
    bench.run_for(12_h);
    EXPECT_EQ(bench.run.state, RunState::forming);
    EXPECT_EQ(bench.run.guards.bad_readings - before, 43'200U);
}

TEST(PublicFaults, all_readings_bad_trip_within_seconds_and_half_of_them_within_a_minute) {
    for (const int every : {1, 2}) {
        Bench bench = under_way(charging());
        bench.spoil = [every, n = 0](Sample& s) mutable {
            if (++n % every == 0) {
                s.temperature.quality = Quality::bad;
                s.temperature.value = Temperature{};
            }
        };
        bench.run_for(every == 1 ? 5_s : 60_s);
        EXPECT_EQ(bench.run.state, RunState::tripped) << every;
        EXPECT_EQ(bench.run.trip_class, TripClass::channel);
    }
}

// A sensor that fell off in the first seconds, or once the target was reached, was not seen.
TEST(PublicFaults, a_sensor_that_falls_off_is_seen_at_any_moment_of_any_step) {
    for (const auto protocol : {charging, discharging, resting}) {
        for (const Duration moment : {0_s, 1_s, 30_s, 59_s}) {
            Protocol p = protocol();
            p.steps[0].ends = {.time = 60_s};
            p.steps.push_back(rest_step(1_h));
            Bench bench = under_way(p);
            bench.run_for(moment);
            bench.spoil = [](Sample& s) { s.temperature = {}; };
            bench.run_for(5_s);
            EXPECT_TRUE(bench.tripped_by(GuardId::stale)) << moment.count;
        }
    }
}

TEST(PublicFaults, a_sensor_that_falls_off_is_seen_in_a_pause_and_in_a_question) {
    Bench paused = under_way(charging());
    paused.command(CommandKind::pause);
    paused.spoil = [](Sample& s) { s.temperature = {}; };
    paused.run_for(5_s);
    EXPECT_TRUE(paused.tripped_by(GuardId::stale));
    Protocol p = charging();
    p.steps = {ask_step(10_h)};
    Bench asks = under_way(p);
    ASSERT_EQ(asks.run.state, RunState::asking);
    asks.spoil = [](Sample& s) { s.temperature = {}; };
    asks.run_for(5_s);
    EXPECT_TRUE(asks.tripped_by(GuardId::stale));
}

// A switch failed closed; the firmware noticed, could do nothing, and said little.
TEST(PublicFaults, an_output_that_stays_on_in_a_pause_is_said_loudest_and_asked_to_open_for_ever) {
    Bench bench = under_way(charging());
    bench.run_for(10_s);
    bench.current = 500_mA;
    bench.mode = StageMode::constant_current;
    bench.command(CommandKind::pause);
    bench.run_for(10_min);
    EXPECT_EQ(bench.count(EventKind::output_stuck), 2) << "told again after five minutes";
    EXPECT_TRUE(bench.group_tripped);
    EXPECT_TRUE(bench.tripped_by(GuardId::leakage));
    const std::uint32_t times = bench.run.opening.times;
    bench.run_for(1_min);
    EXPECT_GT(bench.run.opening.times, times);
    bench.command(CommandKind::acknowledge);
    EXPECT_EQ(bench.run.state, RunState::tripped) << "while it flows nobody can acknowledge it away";
}

// An instrument's own protection opened its output, and the screen still said "on".
TEST(PublicFaults, after_an_instrument_opened_itself_no_demand_is_sent_again_by_itself) {
    for (const FaultKind kind : {FaultKind::opened_itself, FaultKind::setting_changed}) {
        Bench bench = under_way(charging());
        bench.run_for(10_s);
        bench.give(ChannelFault{kind});
        EXPECT_TRUE(bench.tripped_by(GuardId::channel_fault));
        for (int i = 0; i < 3600; ++i) {
            EXPECT_TRUE(is_open(bench.step().demand));
        }
    }
}

// Recovery worked after the first power cut, not after the second.
TEST(PublicFaults, five_cuts_each_within_a_second_of_resuming_add_up) {
    Protocol p = charging();
    p.interruption.then = protocol::AfterInterruption::wait;
    Bench bench = under_way(p);
    for (int cut = 1; cut <= 5; ++cut) {
        bench.run_for(1_s);
        bench.run = restore(serialise(bench.run)).value();
        const Time from = bench.now;
        bench.now = bench.now + 1_min;
        bench.give(Gap{from});
        ASSERT_EQ(bench.run.state, RunState::waiting) << cut;
        ASSERT_TRUE(is_open(bench.run.demand));
        EXPECT_EQ(bench.run.gap_count, static_cast<std::uint32_t>(cut));
        EXPECT_EQ(bench.run.gaps, 1_min * cut);
        bench.command(CommandKind::resume);
        for (int i = 0; i < 20 && bench.run.state == RunState::checking; ++i) {
            bench.step();
        }
        ASSERT_EQ(bench.run.state, RunState::forming) << cut;
    }
    EXPECT_NEAR(ampere_hours(bench.run.uncertain), 5.0 * 0.5 / 60.0, 1e-6);
}

// A power cut while paused lost the job: recovery knew the running state only.
TEST(PublicFaults, a_cut_in_any_state_is_come_back_from_in_that_state_and_never_a_step_further) {
    const auto at = [](const std::function<void(Bench&)>& bring) {
        Bench bench = under_way(charging());
        bench.run_for(5_s);
        bring(bench);
        const RunState before = bench.run.state;
        const std::uint32_t visit = bench.run.visit;
        bench.run = restore(serialise(bench.run)).value();
        const Time from = bench.now;
        bench.now = bench.now + 1_h;
        bench.give(Gap{from});
        EXPECT_EQ(bench.run.state, before) << name(before);
        EXPECT_EQ(bench.run.visit, visit);
        EXPECT_TRUE(is_open(bench.run.demand));
    };
    at([](Bench& b) { b.command(CommandKind::pause); });
    at([](Bench& b) { b.give(RecordLost{}); });
    at([](Bench& b) { b.give(ChannelFault{FaultKind::lost}); });
    at([](Bench& b) { b.command(CommandKind::stop); });
}

TEST(PublicFaults, a_cut_in_the_checks_waits_whatever_they_had_found) {
    for (const int steps : {0, 1, 3, 4}) {
        Bench bench{charging(), formed()};
        bench.voltage = 3600_mV;
        bench.command(CommandKind::start);
        bench.steps(steps);
        ASSERT_EQ(bench.run.state, RunState::checking);
        bench.run = restore(serialise(bench.run)).value();
        const Time from = bench.now;
        bench.now = bench.now + 1_min;
        bench.give(Gap{from});
        EXPECT_EQ(bench.run.state, RunState::waiting) << steps;
        EXPECT_TRUE(is_open(bench.run.demand)) << steps;
    }
}

// A constant value was not recorded again, then one trapezoid lay over hours.
TEST(PublicFaults, ten_hours_of_a_quarter_ampere_kept_only_on_change_are_two_and_a_half_ampere_hours) {
    Protocol p = charging();
    p.keep.every = 24_h;
    p.keep.on_current_change = Current{10_mA};
    p.steps = {charge_step(CurrentOrRate{250_mA}, 4200_mV, 14_h)};
    Bench bench = under_way(p);
    const Charge before = bench.run.net.whole;
    bench.run_for(10_h);
    EXPECT_NEAR(ampere_hours(bench.run.net.whole - before), 2.5, 1e-9);
}

TEST(PublicFaults, twenty_minutes_without_a_reading_are_uncertain_and_no_trapezoid) {
    Bench bench = under_way(charging());
    bench.run_for(10_s);
    const Charge before = bench.run.net.whole;
    bench.now = bench.now + 20_min;
    bench.give(bench.sample());
    EXPECT_EQ(bench.run.net.whole, before);
    EXPECT_NEAR(ampere_hours(bench.run.uncertain), 0.5 / 3.0, 1e-3);
}

}  // namespace
}  // namespace slowfilm::engine::test
