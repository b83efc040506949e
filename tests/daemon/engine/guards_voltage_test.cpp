// Where the guards of the voltage must see, and where they must not: an internal short, contacts, leads, a frozen
// converter.
#include "tests/daemon/engine/harness.hpp"

#include <gtest/gtest.h>

namespace slowfilm::engine::test {
namespace {

Protocol with_jumps(Protocol p) {
    p.limits.voltage_jump.off = false;
    return p;
}

Bench under_way(const Protocol& p, const CellHistory& history = formed(),
                const ChannelTraits& traits = ideal_traits()) {
    Bench bench{p, history, traits};
    bench.voltage = 3600_mV;
    bench.start();
    bench.run_for(30_s);
    EXPECT_EQ(bench.count(EventKind::tripped), 0);
    return bench;
}

TEST(VoltageFall, is_not_judged_in_the_first_ten_minutes_after_a_change_of_demand) {
    Bench bench = under_way(charging());
    bench.voltage = 3700_mV;
    bench.run_for(1_min);
    bench.voltage = 3600_mV;
    bench.run_for(8_min);
    EXPECT_EQ(bench.run.state, RunState::forming);
    bench.run_for(10_min);
    EXPECT_EQ(bench.run.state, RunState::forming) << "what was highest before it is no measure";
}

TEST(VoltageFall, one_spurious_high_reading_is_not_the_highest) {
    Bench bench = under_way(charging());
    bench.run_for(11_min);
    bench.voltage = 3700_mV;
    bench.step();
    bench.voltage = 3600_mV;
    bench.run_for(10_min);
    EXPECT_EQ(bench.run.state, RunState::forming);
}

TEST(VoltageFall, is_of_class_cell_and_not_softened_by_a_warning) {
    Protocol p = charging();
    p.limits.voltage_fall.warn = 20_mV;
    Bench bench = under_way(p);
    bench.run_for(11_min);
    bench.voltage = 3540_mV;
    bench.run_for(70_s);
    EXPECT_EQ(bench.count(EventKind::warned), 1);
    EXPECT_TRUE(bench.tripped_by(GuardId::voltage_fall));
    EXPECT_TRUE(bench.run.history.quarantined);
}

TEST(VoltageFall, of_a_resting_or_discharging_cell_is_no_fault) {
    Bench rests = under_way(resting());
    Bench discharges = under_way(discharging());
    for (int i = 0; i < 1200; ++i) {
        rests.voltage = discharges.voltage = 3600_mV - Voltage{i * 200'000};
        rests.step();
        discharges.step();
    }
    EXPECT_EQ(rests.run.state, RunState::resting);
    EXPECT_EQ(discharges.run.state, RunState::forming);
}

TEST(VoltageJump, trips_class_channel_and_leaves_the_cell_unblamed) {
    Bench bench = under_way(with_jumps(charging()));
    bench.voltage = 3660_mV;
    bench.run_for(2_s);
    EXPECT_TRUE(bench.tripped_by(GuardId::voltage_jump));
    EXPECT_FALSE(bench.run.history.quarantined);
}

TEST(VoltageJump, the_steep_end_of_a_discharge_is_no_jump) {
    Bench bench = under_way(with_jumps(discharging()));
    for (std::int64_t step = 2; bench.voltage > 2700_mV && bench.run.state == RunState::forming; step += 3) {
        bench.voltage -= Voltage{step * 1'000'000};  // 2, 5, 8, ... mV a second
        bench.step();
    }
    EXPECT_EQ(bench.run.state, RunState::done) << name(bench.run.state);
}

TEST(VoltageJump, is_blanked_for_ten_seconds_after_a_demand) {
    Protocol p = with_jumps(charging());
    Step first = charge_step(CurrentOrRate{500_mA}, 4200_mV, 14_h);
    first.ends = {.time = 60_s};
    p.steps = {first, rest_step(1_h)};
    Bench bench = under_way(p);
    while (bench.run.state == RunState::forming) {
        bench.step();
    }
    bench.voltage = 3500_mV;
    bench.run_for(5_s);
    bench.voltage = 3440_mV;
    bench.run_for(1_min);
    EXPECT_EQ(bench.run.state, RunState::resting);
    bench.voltage = 3380_mV;
    bench.run_for(2_s);
    EXPECT_TRUE(bench.tripped_by(GuardId::voltage_jump));
}

TEST(VoltageJump, below_three_volts_on_a_first_charge_is_how_a_fresh_cell_rises) {
    Protocol p = with_jumps(charging());
    p.cell.state = CellState::pristine;
    Bench bench{p};
    bench.start();
    bench.run_for(30_s);
    for (int i = 0; i < 20; ++i) {
        bench.voltage += 130_mV;
        bench.step();
        bench.step();
    }
    EXPECT_EQ(bench.run.state, RunState::forming);
}

TEST(VoltageJump, that_comes_and_goes_every_third_second_trips) {
    Bench bench = under_way(with_jumps(charging()));
    for (int i = 0; i < 60 && bench.run.state == RunState::forming; ++i) {
        bench.voltage = i % 2 == 0 ? 3700_mV : 3600_mV;
        bench.step();
    }
    EXPECT_TRUE(bench.tripped_by(GuardId::voltage_jump));
}

TEST(VoltageJump, across_a_gap_is_a_matter_of_the_checks_after_it) {
    Bench bench = under_way(with_jumps(charging()));
    bench.command(CommandKind::pause);
    bench.run_for(20_s);
    const Time from = bench.now;
    bench.now = bench.now + 1_h;
    bench.give(Gap{from});
    bench.voltage = 3500_mV;
    bench.run_for(10_s);
    EXPECT_EQ(bench.run.state, RunState::paused);
}

TEST(VoltageJump, written_as_a_warning_warns_at_each_jump_and_never_trips) {
    Protocol p = with_jumps(charging());
    p.limits.voltage_jump.warn = 20_mV;
    Bench bench = under_way(p);
    for (int i = 0; i < 3; ++i) {
        bench.voltage += 60_mV;
        bench.run_for(20_s);
    }
    EXPECT_EQ(bench.count(EventKind::warned), 3);
    EXPECT_EQ(bench.run.state, RunState::forming);
}

TEST(LeadDrop, is_off_where_terminals_are_not_read) {
    const Bench bench{charging()};
    EXPECT_EQ(bench.plan.guards[static_cast<std::size_t>(GuardId::lead_drop)].origin, Origin::off);
}

TEST(LeadDrop, terminals_that_are_no_longer_read_are_not_taken_for_sound_leads) {
    ChannelTraits traits = ideal_traits();
    traits.reads_terminals = true;
    Bench bench = under_way(charging(), formed(), traits);
    bench.spoil = [](Sample& s) { s.terminals = {}; };
    bench.run_for(30_s);
    EXPECT_TRUE(bench.tripped_by(GuardId::not_plausible));
}

TEST(LeadDrop, terminals_before_an_open_contactor_tell_nothing_of_the_leads) {
    ChannelTraits traits = ideal_traits();
    traits.reads_terminals = true;
    traits.has_contactor = true;
    Protocol p = charging();
    p.steps.insert(p.steps.begin(), rest_step(1_h));
    Bench bench = under_way(p, formed(), traits);
    bench.drop = -3600_mV;  // they read 0 V
    bench.run_for(5_min);
    EXPECT_EQ(bench.run.state, RunState::resting);
    traits.has_contactor = false;
    Bench without = under_way(p, formed(), traits);
    without.drop = -3600_mV;
    without.run_for(5_min);
    EXPECT_TRUE(without.tripped_by(GuardId::lead_drop));
}

TEST(LeadDrop, is_acknowledged_only_once_the_leads_agree_again) {
    ChannelTraits traits = ideal_traits();
    traits.reads_terminals = true;
    traits.has_contactor = false;
    Bench bench = under_way(charging(), formed(), traits);
    bench.drop = 400_mV;
    bench.run_for(3_s);
    ASSERT_TRUE(bench.tripped_by(GuardId::lead_drop));
    bench.command(CommandKind::acknowledge);
    EXPECT_EQ(bench.run.state, RunState::tripped);
    bench.drop = Voltage{};
    bench.run_for(3_s);
    bench.command(CommandKind::acknowledge);
    EXPECT_EQ(bench.run.state, RunState::waiting);
}

// The public fault reports behind it: freshness judged by "the value changed" called a steady reading dead for a night.
TEST(Stuck, a_days_rest_to_the_last_digit_is_neither_stuck_nor_stale) {
    Bench bench = under_way(resting());
    bench.frozen = true;
    bench.run_for(23_h);
    EXPECT_EQ(bench.run.state, RunState::resting);
}

TEST(Stuck, the_current_of_a_constant_current_may_stand_still) {
    Bench bench = under_way(charging());
    bench.run_for(3_h);
    EXPECT_EQ(bench.run.state, RunState::forming);
}

TEST(Stuck, the_voltage_of_a_hold_may_stand_still) {
    Bench bench = under_way(holding());
    bench.frozen = true;
    bench.voltage = 4200_mV;
    bench.current = 450_mA;
    bench.run_for(4_h);
    EXPECT_EQ(bench.run.state, RunState::forming);
}

TEST(Stuck, at_one_hz_of_zero_point_one_ampere_it_takes_its_charge_not_its_time) {
    Protocol p = charging();
    p.steps = {charge_step(CurrentOrRate{100_mA}, 4200_mV, 40_h)};
    Bench bench = under_way(p);
    bench.frozen = true;
    bench.run_for(59_min);  // 2 % of 5 Ah is 0.1 Ah: an hour at 0.1 A
    EXPECT_EQ(bench.run.state, RunState::forming);
    bench.run_for(2_min);
    EXPECT_TRUE(bench.tripped_by(GuardId::stuck));
}

TEST(Stuck, lfp_is_given_five_percent) {
    Protocol p = charging();
    p.cell.chemistry = protocol::Chemistry::lfp_graphite;
    const Bench bench{p};
    EXPECT_EQ(bench.plan.guards[static_cast<std::size_t>(GuardId::stuck)].trip, (250_mAh).count);
}

TEST(Stuck, starts_anew_at_a_resumption) {
    Bench bench = under_way(charging());
    bench.frozen = true;
    bench.run_for(10_min);
    bench.command(CommandKind::pause);
    bench.run_for(10_s);
    bench.command(CommandKind::resume);
    bench.run_for(11_min);
    EXPECT_EQ(bench.run.state, RunState::forming);
    bench.run_for(2_min);
    EXPECT_TRUE(bench.tripped_by(GuardId::stuck));
}

TEST(StepLimits, hold_in_their_step_and_no_longer) {
    Protocol p = charging();
    Step first = charge_step(CurrentOrRate{500_mA}, 4200_mV, 14_h);
    first.ends = {.time = 60_s};
    first.limits.emplace();
    first.limits->temperature_max.trip = 30_degC;
    first.limits->temperature_max.written = Place{};
    Step second = charge_step(CurrentOrRate{400_mA}, 4200_mV, 14_h);
    p.steps = {first, second};
    Bench narrow = under_way(p);
    narrow.temperature = 31_degC;
    narrow.run_for(3_s);
    ASSERT_TRUE(narrow.tripped_by(GuardId::over_temperature));
    EXPECT_EQ(narrow.find(EventKind::tripped)->limit, (30_degC).count) << "the limit in force is the one told";
    Bench after{p, formed()};
    after.voltage = 3600_mV;
    after.start();
    after.run_for(70_s);
    after.temperature = 31_degC;
    after.run_for(1_min);
    EXPECT_EQ(after.run.state, RunState::forming);
}

TEST(StepLimits, never_widen_what_limits_says) {
    Protocol p = charging();
    p.steps[0].limits.emplace();
    protocol::Limits& own = *p.steps[0].limits;
    own.temperature_max.trip = 60_degC;
    own.discharge_floor.trip = 2000_mV;
    own.charge_temperature = {.min = 0_degC, .max = 60_degC, .written = Place{}};
    own.voltage_fall.off = true;
    const Bench bench{p};
    ASSERT_EQ(bench.plan.steps[0].limits, 0);
    const GuardSettings& step = bench.plan.step_guards[0];
    const auto of = [&](GuardId id) { return step[static_cast<std::size_t>(id)]; };
    EXPECT_EQ(of(GuardId::over_temperature).trip, (50_degC).count);
    EXPECT_EQ(of(GuardId::discharge_floor).low, (2600_mV).count);
    EXPECT_EQ(of(GuardId::charge_temperature).low, (10_degC).count);
    EXPECT_EQ(of(GuardId::charge_temperature).trip, (45_degC).count);
    EXPECT_NE(of(GuardId::voltage_fall).origin, Origin::off) << "a hard guard is never off";
}

}  // namespace
}  // namespace slowfilm::engine::test
