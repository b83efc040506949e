// Where a guard could be blinded, told twice, or blame the wrong one; and openings that do not open.
#include "tests/daemon/engine/harness.hpp"

#include <gtest/gtest.h>

namespace slowfilm::engine::test {
namespace {

TEST(Guards, a_reading_dated_ahead_of_its_input_is_bad_and_blinds_nobody) {
    Bench bench = under_way(charging());
    bench.spoil = [](Sample& s) { s.voltage.time = s.voltage.time + 10'000_h; };
    bench.step();
    bench.spoil = [](Sample& s) { s.current.time = s.current.time + 100_h; };
    bench.step();
    bench.spoil = nullptr;
    bench.run_for(1_min);
    EXPECT_EQ(bench.run.state, RunState::forming) << "two bad readings ride out";
    EXPECT_EQ(bench.run.uncertain, Charge{});
    bench.voltage = 4900_mV;
    bench.run_for(3_s);
    EXPECT_TRUE(bench.tripped_by(GuardId::over_voltage));
}

TEST(Guards, heat_after_the_cell_has_tripped_still_opens_the_neighbours) {
    Bench bench = under_way(charging());
    for (const Voltage voltage : {2900_mV, 2000_mV}) {  // an internal short
        bench.voltage = voltage;
        bench.run_for(2_s);
    }
    ASSERT_TRUE(bench.tripped_by(GuardId::low_voltage));
    EXPECT_FALSE(bench.group_tripped);
    bench.temperature = 69_degC;
    bench.run_for(5_s);
    EXPECT_TRUE(bench.group_tripped);
    EXPECT_TRUE(bench.tripped_by(GuardId::low_voltage)) << "the state stays what it was";
}

TEST(Guards, heat_in_the_same_sample_as_a_worse_trip_opens_the_neighbours) {
    Bench bench = under_way(charging());
    bench.voltage = 1000_mV;
    bench.temperature = 55_degC;
    bench.run_for(3_s);
    EXPECT_TRUE(bench.group_tripped);
}

TEST(Guards, a_weekend_of_unseen_current_never_comes_out_negative) {
    Bench bench{charging(), formed()};
    bench.voltage = 3600_mV;
    bench.start();
    for (int i = 0; i < 50; ++i) {
        const Time from = bench.now;
        bench.now = bench.now + 5'200_h;
        bench.give(Gap{from});
        bench.command(CommandKind::resume);
        bench.run_for(10_s);
    }
    EXPECT_GT(bench.run.uncertain.count, 0);
    EXPECT_EQ(bench.run.state, RunState::tripped);
}

TEST(Guards, a_gap_right_after_energising_counts_the_demand) {
    Bench bench{charging(), formed()};
    bench.voltage = 3600_mV;
    bench.command(CommandKind::start);
    while (bench.run.state == RunState::checking) {
        bench.step();
    }
    const Time from = bench.now;
    bench.now = bench.now + 3_h;
    bench.give(Gap{from});
    EXPECT_NEAR(ampere_hours(bench.run.uncertain), 1.5, 1e-6);
}

TEST(Guards, a_small_discharge_after_a_large_one_does_not_begin_a_new_leg) {
    Protocol p = charging();
    p.limits.net_max = ChargeOrRatio{400_percent};
    const auto move = [](bool up, std::int64_t percent) {
        Step s = up ? charge_step(CurrentOrRate{1000_mA}, 4200_mV, 14_h)
                    : discharge_step(CurrentOrRate{1000_mA}, 2700_mV, 14_h);
        s.ends = {.amount = ChargeOrRatio{Ratio{percent * 10'000}}};
        return s;
    };
    p.steps = {move(false, 100), move(true, 88), move(false, 1), move(true, 88)};
    Bench bench{p, formed()};
    bench.voltage = 3600_mV;
    bench.start();
    bench.run_for(20_h);
    EXPECT_TRUE(bench.tripped_by(GuardId::charge_leg));
}

TEST(Guards, a_blown_fuse_that_drives_the_stage_to_its_ceiling_is_no_end) {
    Bench bench = under_way(charging());
    bench.current = Current{};  // the terminals are at the ceiling, the sense leads are not
    bench.mode = StageMode::at_ceiling;
    bench.run_for(10_s);
    EXPECT_TRUE(bench.tripped_by(GuardId::current_error));
    EXPECT_EQ(bench.count(EventKind::step_ended), 0);
}

TEST(Guards, a_discharging_hold_is_watched_by_the_floor_though_voltage_and_current_come_apart) {
    Protocol p = charging();
    p.steps = {hold_step(2700_mV, Rate{1, 10}, Rate{1, 50}, 6_h)};
    p.steps[0].direction = protocol::Direction::discharge;
    Bench bench{p, formed()};
    bench.voltage = 3600_mV;
    bench.start();
    bench.current = -500_mA;
    bool odd = false;
    bench.spoil = [&](Sample& s) {
        odd = !odd;
        if (odd) {
            s.current = {};
        } else {
            s.voltage = {};
        }
    };
    bench.run_for(30_s);
    ASSERT_EQ(bench.run.state, RunState::forming);
    bench.voltage = 2750_mV;
    bench.run_for(4_s);
    bench.voltage = 2400_mV;
    bench.run_for(6_s);
    EXPECT_TRUE(bench.tripped_by(GuardId::discharge_floor));
}

TEST(Guards, the_constant_current_part_of_a_discharging_hold_is_not_off_its_setpoint) {
    Protocol p = charging();
    p.steps = {hold_step(2700_mV, Rate{1, 10}, Rate{1, 50}, 6_h)};
    p.steps[0].direction = protocol::Direction::discharge;
    Bench bench{p, formed()};
    bench.voltage = 3600_mV;
    bench.start();
    bench.current = -497_mA;  // 0.6 % short
    bench.run_for(1_min);
    EXPECT_EQ(bench.run.state, RunState::forming);
}

TEST(Guards, a_cell_is_formed_whatever_arms_the_guard) {
    Protocol p = charging();
    p.cell.state = CellState::pristine;
    p.limits.armed_above = 3900_mV;
    Bench bench{p};
    bench.start();
    bench.voltage = 3650_mV;
    bench.run_for(10_s);
    EXPECT_EQ(bench.run.history.furthest, CellState::formed);
    EXPECT_FALSE(bench.run.history.armed);
}

TEST(Guards, gaps_and_connection_checks_are_no_run_time) {
    Protocol p = charging();
    p.limits.run_time_max = 48_h;
    Bench bench{p, formed()};
    bench.voltage = 3600_mV;
    bench.start();
    const Time from = bench.now;
    bench.now = bench.now + 50_h;
    bench.give(Gap{from});
    bench.run.uncertain = bench.run.history.leg_unseen = Charge{};  // another guard's matter
    bench.command(CommandKind::resume);
    bench.run_for(10_min);
    EXPECT_EQ(bench.run.state, RunState::forming);
}

TEST(Guards, a_gap_counts_against_its_own_visit_and_leg_only) {
    Protocol p = charging();
    p.limits.charge_leg_first = ChargeOrRatio{60_percent};
    p.limits.charge_leg_later = ChargeOrRatio{60_percent};
    const auto move = [](bool up) {
        Step s = up ? charge_step(CurrentOrRate{500_mA}, 4200_mV, 14_h)
                    : discharge_step(CurrentOrRate{500_mA}, 2700_mV, 14_h);
        s.ends = {.amount = ChargeOrRatio{50_percent}};
        return s;
    };
    p.steps = {move(true), move(false), move(true)};
    Bench bench{p, formed()};
    bench.voltage = 3600_mV;
    bench.start();
    bench.run_for(1_h);
    const Time from = bench.now;
    bench.now = bench.now + 2_h;
    bench.give(Gap{from});
    bench.command(CommandKind::resume);
    bench.run_for(2_h + 1_min);
    ASSERT_EQ(bench.run.step, 1) << "what may have gone in unseen counts in this visit";
    EXPECT_NEAR(ampere_hours(bench.run.last_visit.charge_in.whole), 1.5, 0.01);
    bench.run_for(11_h);
    EXPECT_EQ(bench.run.state, RunState::done);
    EXPECT_NEAR(ampere_hours(bench.run.last_visit.charge_in.whole), 2.5, 0.01);
}

TEST(Guards, current_that_nobody_let_flow_yet_trips_though_the_demand_is_out) {
    Bench bench{charging(), formed()};
    bench.voltage = 3600_mV;
    bench.command(CommandKind::start);
    while (bench.run.test.phase != TestPhase::after) {
        bench.step();
    }
    bench.applies = false;  // the record is held up: the demand has not gone out
    bench.run_for(2_min);
    ASSERT_EQ(bench.run.state, RunState::forming) << "a slow disk trips nothing";
    bench.current = 500_mA;
    bench.run_for(3_s);
    EXPECT_TRUE(bench.tripped_by(GuardId::leakage));
}

TEST(Opening, an_opening_that_is_ignored_is_sent_again_until_the_current_is_gone) {
    Bench bench = under_way(charging());
    bench.current = 500_mA;
    bench.mode = StageMode::constant_current;
    bench.command(CommandKind::pause);
    bench.run_for(3_s);
    EXPECT_GE(bench.count(EventKind::open_resent), 1);
    bench.current = Current{};
    bench.mode = StageMode::open;
    bench.run_for(3_s);
    EXPECT_TRUE(bench.run.opening.verified);
}

TEST(Opening, an_output_stuck_on_is_the_loudest_event_and_trips_the_group) {
    Bench bench = under_way(charging());
    bench.current = 500_mA;
    bench.mode = StageMode::constant_current;
    bench.command(CommandKind::pause);
    bench.run_for(1_min);
    EXPECT_EQ(bench.count(EventKind::output_stuck), 1);
    EXPECT_TRUE(bench.group_tripped);
    EXPECT_TRUE(bench.run.state == RunState::tripped);
    const std::uint32_t sent = bench.run.opening.times;
    bench.run_for(1_min);
    EXPECT_GT(bench.run.opening.times, sent) << "retried for ever";
}

TEST(Opening, a_channel_without_readings_is_not_told_of_every_second_for_ever) {
    Bench bench = under_way(charging());
    bench.spoil = [](Sample& sample) { sample = Sample{}; };
    bench.run_for(1_h);
    EXPECT_GT(bench.run.opening.times, 1'000U) << "the opening itself is asked for as often as ever";
    std::vector<std::int64_t> told;
    for (const Event& event : bench.events) {
        if (event.kind == EventKind::open_resent) {
            told.push_back(event.value);
        }
    }
    // The sixth sending is told louder: output_stuck.
    const std::vector<std::int64_t> growing{2, 3, 5, 10, 20, 50, 100, 200, 500, 1'000};
    ASSERT_GE(told.size(), growing.size());
    EXPECT_TRUE(std::equal(growing.begin(), growing.end(), told.begin()));
    EXPECT_LE(told.size(), growing.size() + 2);
}

}  // namespace
}  // namespace slowfilm::engine::test
