// A cell that somebody may have in hand is told of and not blamed for its voltage; heat and current that nobody asked
// for are its own whoever holds it.
#include "tests/daemon/engine/harness.hpp"

#include <gtest/gtest.h>

namespace slowfilm::engine::test {
namespace {

constexpr Voltage nothing_there = 0_mV;

void power_cut(Bench& bench, Duration length = 1_h) {
    const Time from = bench.now;
    bench.now = bench.now + length;
    bench.give(Gap{from});
}

int told_of(const Bench& bench, GuardId id) {
    return static_cast<int>(std::count_if(bench.events.begin(), bench.events.end(), [&](const Event& event) {
        return event.kind == EventKind::idle_alarm && event.code == static_cast<std::uint8_t>(id);
    }));
}

TEST(LiftedOut, of_a_fixture_during_a_power_cut_is_told_and_quarantines_nothing) {
    Bench bench = under_way(charging());
    power_cut(bench);
    ASSERT_EQ(bench.run.state, RunState::waiting);
    bench.voltage = nothing_there;
    bench.run_for(5_min);
    EXPECT_EQ(bench.run.state, RunState::waiting);
    EXPECT_EQ(told_of(bench, GuardId::low_voltage), 1);
    EXPECT_FALSE(bench.run.history.quarantined);
    EXPECT_EQ(describe(*bench.find(EventKind::idle_alarm), bench.plan).find("the run is over"), std::string::npos);
}

TEST(LiftedOut, while_its_run_was_paused_before_the_power_cut_quarantines_nothing) {
    Bench bench = under_way(charging());
    bench.command(CommandKind::pause);
    bench.run_for(10_s);
    power_cut(bench);
    bench.voltage = nothing_there;
    bench.run_for(5_min);
    EXPECT_EQ(bench.run.state, RunState::paused);
    EXPECT_EQ(told_of(bench, GuardId::low_voltage), 1);
    EXPECT_FALSE(bench.run.history.quarantined);
}

TEST(LiftedOut, in_a_pause_of_more_than_a_minute_quarantines_nothing_however_slowly_the_leads_discharge) {
    Bench bench = under_way(charging());
    bench.command(CommandKind::pause);
    bench.run_for(2_min);
    while (bench.voltage > nothing_there) {
        bench.voltage -= 20_mV;
        bench.step();
    }
    bench.run_for(5_min);
    EXPECT_EQ(bench.run.state, RunState::paused);
    EXPECT_EQ(told_of(bench, GuardId::low_voltage), 1);
    EXPECT_FALSE(bench.run.history.quarantined);
}

TEST(LiftedOut, of_a_stopped_run_before_it_is_removed_quarantines_nothing) {
    Bench bench = under_way(charging());
    bench.command(CommandKind::stop);
    bench.run_for(1_h);
    bench.voltage = nothing_there;
    bench.run_for(5_min);
    EXPECT_EQ(bench.run.state, RunState::stopped);
    EXPECT_EQ(told_of(bench, GuardId::low_voltage), 1);
    EXPECT_FALSE(bench.run.history.quarantined);
}

TEST(LiftedOut, and_put_back_the_run_goes_on_and_the_alarm_is_over) {
    Bench bench = under_way(charging());
    power_cut(bench);
    bench.voltage = nothing_there;
    bench.run_for(1_min);
    bench.voltage = 3600_mV;
    bench.run_for(10_s);
    bench.command(CommandKind::resume);
    bench.run_for(10_s);
    EXPECT_EQ(bench.run.state, RunState::forming);
    EXPECT_EQ(bench.run.idle_said, 0U);
}

TEST(LiftedOut, and_not_put_back_the_run_does_not_go_on) {
    Bench bench = under_way(charging());
    power_cut(bench);
    bench.voltage = nothing_there;
    bench.run_for(1_min);
    bench.command(CommandKind::resume);
    bench.run_for(10_s);
    EXPECT_EQ(bench.run.state, RunState::waiting);
    EXPECT_EQ(bench.find(EventKind::connection_failed)->code, static_cast<std::uint8_t>(ConnectionFault::other_cell));
    EXPECT_FALSE(bench.run.history.quarantined);
}

TEST(InHand, heat_is_the_cells_whoever_holds_it) {
    Bench bench = under_way(charging());
    power_cut(bench);
    bench.voltage = nothing_there;
    bench.temperature = 55_degC;
    bench.run_for(3_s);
    EXPECT_TRUE(bench.tripped_by(GuardId::over_temperature));
    EXPECT_TRUE(bench.run.history.quarantined);
    EXPECT_TRUE(bench.group_tripped);
}

TEST(InHand, heat_after_a_voltage_that_was_told_is_no_less_the_cells) {
    Bench bench = under_way(charging());
    power_cut(bench);
    bench.voltage = nothing_there;
    bench.run_for(1_min);
    bench.temperature = 55_degC;
    bench.run_for(3_s);
    EXPECT_TRUE(bench.tripped_by(GuardId::over_temperature));
    EXPECT_TRUE(bench.run.history.quarantined);
}

TEST(InHand, current_that_nobody_asked_for_drains_the_cell_that_is_there) {
    Bench bench = under_way(charging());
    power_cut(bench);
    bench.current = -(500_mA);
    bench.mode = StageMode::constant_current;
    bench.run_for(10_s);
    ASSERT_TRUE(bench.tripped_by(GuardId::leakage));
    bench.voltage = 2100_mV;
    bench.run_for(3_s);
    EXPECT_TRUE(bench.tripped_by(GuardId::low_voltage));
    EXPECT_TRUE(bench.run.history.quarantined);
}

TEST(InHand, a_cell_that_falls_in_a_step_under_way_is_no_cell_in_doubt) {
    for (const Protocol& p : {charging(), resting()}) {
        Bench bench = under_way(p);
        while (bench.voltage > 2100_mV && bench.run.state != RunState::tripped) {
            bench.voltage -= 40_mV;  // a short inside
            bench.step();
        }
        bench.run_for(3_s);
        EXPECT_TRUE(bench.tripped_by(GuardId::low_voltage));
        EXPECT_TRUE(bench.run.history.quarantined);
    }
}

}  // namespace
}  // namespace slowfilm::engine::test
