// What outlives a run because it is the cell's: charge that nobody saw, hours below 1 V, and what it is.
#include "tests/daemon/engine/harness.hpp"

#include <gtest/gtest.h>

namespace slowfilm::engine::test {
namespace {

void gap(Bench& bench, Duration length) {
    const Time from = bench.now;
    bench.now = bench.now + length;
    bench.give(Gap{from});
}

TEST(CellMemory, charge_that_flowed_unseen_counts_for_the_leg_of_the_next_run) {
    // 8 h at C/10 that nobody saw: 0.8 of rated.
    Bench first = under_way(charging());
    gap(first, 8_h);
    first.command(CommandKind::stop);
    EXPECT_NEAR(ampere_hours(cell_history(first.run).leg_unseen), 4.0, 1e-6);
    EXPECT_LT(ampere_hours(cell_history(first.run).leg), 0.01) << "none of it was measured";

    Bench next{charging(), cell_history(first.run)};
    next.voltage = 3700_mV;
    next.now = first.now;
    next.start();
    ASSERT_EQ(next.run.state, RunState::forming);
    next.run_for(5_h);  // 2.5 Ah; with the 4 Ah the leg is over the 125 % of 5 Ah that a first one may have
    EXPECT_TRUE(next.tripped_by(GuardId::charge_leg)) << static_cast<int>(next.run.state);
}

TEST(CellMemory, charge_that_flowed_unseen_counts_for_climb_in_the_next_run) {
    Protocol p = base_protocol();
    p.limits.climb = {{.by = ChargeOrRatio{20_percent}, .above = 3000_mV}};
    p.steps = {charge_step(CurrentOrRate{500_mA}, 4200_mV, 14_h)};
    Bench first{p};
    first.start();
    first.run_for(30_s);
    ASSERT_EQ(first.run.state, RunState::forming);
    gap(first, 2_h);
    first.command(CommandKind::stop);
    Bench next{p, cell_history(first.run)};
    next.now = first.now;
    next.start();
    next.run_for(2_min);
    EXPECT_TRUE(next.tripped_by(GuardId::climb)) << static_cast<int>(next.run.state);
}

TEST(CellMemory, a_discharge_ends_the_leg_and_what_was_unseen_of_it) {
    Bench bench = under_way(discharging());
    gap(bench, 1_h);
    ASSERT_GT(bench.run.history.leg_unseen.count, 0);
    bench.command(CommandKind::resume);
    bench.run_for(70_min);  // more than a tenth of rated
    EXPECT_EQ(bench.run.history.leg_unseen, Charge{});
    EXPECT_GT(bench.run.history.net_unseen.count, 0) << "since pristine it stays unseen";
}

TEST(CellMemory, a_first_cycle_whose_charge_was_not_all_seen_is_not_whole_in_the_next_run) {
    CellHistory history;
    history.known = true;
    EXPECT_TRUE((Bench{charging(), history}.run.cycle_whole));
    history.net_unseen = 100_mAh;
    EXPECT_FALSE((Bench{charging(), history}.run.cycle_whole));
}

TEST(CellMemory, the_hours_below_one_volt_go_on_in_the_next_run) {
    Protocol p = base_protocol();
    p.steps = {rest_step(48_h)};
    Bench first{p};
    first.period = 1_min;
    first.plan = make_plan(
                     p, p.cell.capacity,
                     [] {
                         ChannelTraits traits = ideal_traits();
                         traits.period = 1_min;
                         return traits;
                     }(),
                     wide_caps())
                     .value();
    first.start();
    first.command(CommandKind::pause);
    first.run_for(4_h);
    const auto left = copper_left(first.run.history, first.now);
    ASSERT_TRUE(left);
    EXPECT_LE(*left, 20_h) << "told of now, not as it was when the alarm was raised";
    EXPECT_GE(*left, 19_h);
    first.command(CommandKind::stop);

    Bench next{p, cell_history(first.run)};
    next.now = first.now + 6_h;  // it lay in a drawer
    next.start();
    next.command(CommandKind::pause);
    next.step();
    const auto alarm = next.find(EventKind::copper);
    ASSERT_TRUE(alarm);
    EXPECT_LE(Duration{alarm->limit}, 14_h);
    EXPECT_GE(Duration{alarm->limit}, 13_h);
    EXPECT_EQ(restore(serialise(next.run))->history, next.run.history);
}

TEST(CellMemory, a_clock_that_lies_behind_never_gives_more_than_a_day) {
    CellHistory cell;
    EXPECT_FALSE(copper_left(cell, Time{5}));
    cell.low_since = Time{1'000'000'000'000};
    EXPECT_EQ(copper_left(cell, Time{5}), 24_h);
    EXPECT_EQ(copper_left(cell, cell.low_since + 30_h), Duration{});
}

TEST(CellMemory, a_claim_is_not_known_before_the_checks_were_passed) {
    Bench bench{charging()};
    bench.voltage = 2598_mV;
    bench.start();
    ASSERT_EQ(bench.run.state, RunState::waiting);
    EXPECT_FALSE(bench.run.history.known);
    bench.voltage = 3600_mV;
    bench.command(CommandKind::resume);
    bench.run_for(10_s);
    ASSERT_EQ(bench.run.state, RunState::forming);
    EXPECT_TRUE(bench.run.history.known);
}

}  // namespace
}  // namespace slowfilm::engine::test
