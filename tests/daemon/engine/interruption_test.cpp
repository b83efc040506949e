// What happens when nobody watched for a while.
#include "tests/daemon/engine/harness.hpp"

#include <gtest/gtest.h>

namespace slowfilm::engine::test {
namespace {

Bench charging(protocol::AfterInterruption then) {
    Protocol p = base_protocol();
    p.cell.state = CellState::formed;
    p.interruption.then = then;
    p.interruption.longest = 10_min;
    p.interruption.total = 30_min;
    p.interruption.voltage_fall_max = 100_mV;
    p.interruption.charge_uncertain_max = ChargeOrRatio{5_percent};
    p.steps = {charge_step(CurrentOrRate{500_mA}, 4200_mV, 14_h)};
    Bench bench{p, CellHistory{.furthest = CellState::formed, .known = true, .armed = true, .highest = 4200_mV}};
    bench.voltage = 3600_mV;
    bench.start();
    bench.run_for(10_min);
    return bench;
}

void gap(Bench& bench, Duration length) {
    const Time from = bench.now;
    bench.now = bench.now + length;
    bench.give(Gap{from});
}

TEST(Interruption, by_default_the_circuit_opens_and_a_person_decides) {
    Bench bench = charging(protocol::AfterInterruption::wait);
    gap(bench, 20_s);
    EXPECT_EQ(bench.run.state, RunState::waiting);
    EXPECT_EQ(bench.run.wait, WaitReason::gap);
    EXPECT_TRUE(is_open(bench.run.demand));
    bench.command(CommandKind::resume);
    bench.run_for(8_s);
    EXPECT_EQ(bench.run.state, RunState::forming);
}

TEST(Interruption, stop_ends_the_run_and_it_is_not_done) {
    Bench bench = charging(protocol::AfterInterruption::stop);
    gap(bench, 20_s);
    EXPECT_EQ(bench.run.state, RunState::stopped);
}

TEST(Interruption, resume_goes_on_by_itself_after_its_checks_within_the_bounds) {
    Bench bench = charging(protocol::AfterInterruption::resume);
    gap(bench, 5_min);
    EXPECT_EQ(bench.run.state, RunState::checking);
    EXPECT_TRUE(is_open(bench.run.demand));
    bench.run_for(8_s);
    EXPECT_EQ(bench.run.state, RunState::forming);
    EXPECT_EQ(bench.run.visit, 0U) << "the same visit goes on";
}

TEST(Interruption, a_longer_gap_than_allowed_waits) {
    Bench bench = charging(protocol::AfterInterruption::resume);
    gap(bench, 11_min);
    EXPECT_EQ(bench.run.state, RunState::waiting);
}

TEST(Interruption, gaps_add_up_and_the_total_is_bounded) {
    Bench bench = charging(protocol::AfterInterruption::resume);
    for (int i = 0; i < 3; ++i) {
        gap(bench, 9_min);
        bench.run_for(10_s);
        ASSERT_EQ(bench.run.state, RunState::forming) << i;
    }
    gap(bench, 9_min);
    EXPECT_EQ(bench.run.state, RunState::waiting);
    EXPECT_EQ(bench.run.gap_count, 4U);
}

TEST(Interruption, a_cell_whose_voltage_fell_in_the_gap_waits) {
    Bench bench = charging(protocol::AfterInterruption::resume);
    bench.voltage = 3600_mV;
    gap(bench, 5_min);
    bench.voltage = 3450_mV;
    bench.run_for(10_s);
    EXPECT_EQ(bench.run.state, RunState::waiting);
    EXPECT_EQ(bench.run.wait, WaitReason::gap);
}

TEST(Interruption, unseen_current_counts_against_the_caps_but_not_as_measured_charge) {
    // 0.5 A for 9 min that nobody saw may be 0.075 Ah: the guards take it as charged, the figures do not.
    Bench bench = charging(protocol::AfterInterruption::resume);
    const Charge before = bench.run.net.whole;
    gap(bench, 9_min);
    EXPECT_EQ(bench.run.net.whole, before);
    EXPECT_NEAR(ampere_hours(bench.run.uncertain), 0.075, 1e-6);
}

TEST(Interruption, a_gap_while_asking_or_paused_changes_nothing_but_the_count) {
    Bench bench = charging(protocol::AfterInterruption::stop);
    bench.command(CommandKind::pause);
    bench.run_for(10_s);
    gap(bench, 5_h);
    EXPECT_EQ(bench.run.state, RunState::paused);
    EXPECT_EQ(bench.run.gap_count, 1U);
}

TEST(Interruption, a_gap_is_no_step_time) {
    Bench bench = charging(protocol::AfterInterruption::resume);
    const Duration before = bench.run.visit_time;
    gap(bench, 9_min);
    bench.run_for(5_s);
    EXPECT_LE(bench.run.visit_time, before + 5_s);
}

TEST(Interruption, a_gap_that_ends_before_it_begins_is_no_length) {
    Bench bench = charging(protocol::AfterInterruption::wait);
    bench.give(Gap{bench.now + 10_s});
    EXPECT_EQ(bench.run.gaps, Duration{});
    EXPECT_EQ(bench.run.state, RunState::waiting);
}

}  // namespace
}  // namespace slowfilm::engine::test
