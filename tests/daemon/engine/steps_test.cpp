// How steps begin, end and follow each other.
#include "tests/daemon/engine/harness.hpp"

#include <gtest/gtest.h>

namespace slowfilm::engine::test {
namespace {

Protocol with(std::vector<Step> steps) {
    Protocol p = base_protocol();
    p.steps = std::move(steps);
    return p;
}

TEST(Steps, no_current_flows_before_the_connection_checks_are_passed) {
    Bench bench{with({charge_step(Rate{1, 20}, 3000_mV, 6_h)})};
    bench.command(CommandKind::start);
    EXPECT_EQ(bench.run.state, RunState::checking);
    EXPECT_TRUE(is_open(bench.run.demand));
    bench.step();
    EXPECT_TRUE(is_open(bench.run.demand));
    bench.steps(5);
    EXPECT_EQ(bench.run.state, RunState::forming);
    EXPECT_EQ(std::get<DriveCurrent>(bench.run.demand).current, 250_mA);
}

TEST(Steps, first_current_after_open_circuit_waits_for_the_record) {
    Bench bench{with({charge_step(Rate{1, 20}, 3000_mV, 6_h)})};
    bench.command(CommandKind::start);
    EXPECT_FALSE(bench.last.record_first);
    while (bench.run.state == RunState::checking) {
        bench.step();
    }
    EXPECT_TRUE(bench.last.record_first);
    EXPECT_TRUE(bench.last.apply);
}

TEST(Steps, a_change_between_two_currents_does_not_wait_for_the_record) {
    Bench bench{with({charge_step(Rate{1, 20}, 3000_mV, 6_h), charge_step(Rate{1, 10}, 3600_mV, 6_h)})};
    bench.start();
    bench.voltage = 3001_mV;
    bench.step();
    EXPECT_EQ(bench.run.step, 1);
    EXPECT_TRUE(bench.last.apply);
    EXPECT_FALSE(bench.last.record_first);
    EXPECT_TRUE(bench.last.commit);
}

TEST(Steps, a_charge_ends_by_voltage_and_the_run_is_done) {
    Bench bench{with({charge_step(Rate{1, 20}, 3000_mV, 6_h)})};
    bench.start();
    bench.run_for(60_s);
    bench.voltage = 3000_mV;
    bench.step();
    EXPECT_EQ(bench.last_end(), EndReason::voltage);
    EXPECT_EQ(bench.run.state, RunState::done);
    EXPECT_TRUE(is_open(bench.run.demand));
}

TEST(Steps, charge_of_half_an_ampere_for_ten_hours_is_five_ampere_hours) {
    // Arithmetic: 0.5 A x 36000 s = 5.000000 Ah.
    Protocol p = with({charge_step(CurrentOrRate{500_mA}, 4200_mV, 14_h)});
    p.limits.climb.clear();
    Bench bench{p};
    bench.start();
    const Charge tested = bench.run.net.whole;
    bench.voltage = 3600_mV;
    bench.run_for(10_h);
    EXPECT_NEAR(ampere_hours(bench.run.net.whole - tested), 5.0, 1e-9);
}

TEST(Steps, a_hold_ends_only_after_thirty_seconds_of_taper_at_the_setpoint) {
    Bench bench{with({hold_step(4200_mV, Rate{1, 10}, Rate{1, 50}, 3_h)})};
    bench.start();
    bench.voltage = 4200_mV;
    bench.current = 200_mA;
    bench.run_for(60_s);
    bench.current = 100_mA;
    bench.run_for(29_s);
    EXPECT_EQ(bench.run.state, RunState::forming);
    bench.run_for(2_s);
    EXPECT_EQ(bench.run.state, RunState::done);
    EXPECT_EQ(bench.last_end(), EndReason::current);
}

TEST(Steps, a_current_of_the_wrong_sign_is_no_taper) {
    Bench bench{with({hold_step(4200_mV, Rate{1, 10}, Rate{1, 50}, 3_h)})};
    bench.start();
    bench.voltage = 4200_mV;
    bench.current = -50_mA;
    bench.run_for(5_min);
    EXPECT_EQ(bench.run.state, RunState::forming);
}

TEST(Steps, a_rest_counts_only_verified_open_circuit) {
    Bench bench{with({charge_step(Rate{1, 20}, 3000_mV, 6_h), rest_step(10_min)})};
    bench.start();
    bench.run_for(10_s);
    bench.voltage = 3000_mV;
    bench.current = 250_mA;  // the output is slow to open
    bench.step();
    EXPECT_EQ(bench.run.state, RunState::resting);
    EXPECT_EQ(bench.run.visit_time, Duration{});
    bench.current = Current{};
    bench.run_for(9_min);
    EXPECT_EQ(bench.run.state, RunState::resting);
    bench.run_for(2_min);
    EXPECT_EQ(bench.run.state, RunState::done);
    EXPECT_EQ(bench.last_end(), EndReason::time);
}

TEST(Steps, an_ask_waits_open_until_it_is_confirmed) {
    Bench bench{with({rest_step(5_s), ask_step(72_h), charge_step(Rate{1, 10}, 3600_mV, 6_h)})};
    bench.start();
    bench.run_for(10_s);
    ASSERT_EQ(bench.run.state, RunState::asking);
    bench.run_for(1_h);
    EXPECT_EQ(bench.run.state, RunState::asking);
    bench.command(CommandKind::confirm);
    EXPECT_EQ(bench.run.state, RunState::checking);
    bench.run_for(5_s);
    EXPECT_EQ(bench.run.state, RunState::forming);
}

TEST(Steps, a_confirm_that_nobody_asked_for_is_refused) {
    Bench bench{with({charge_step(Rate{1, 20}, 3000_mV, 6_h)})};
    bench.start();
    bench.command(CommandKind::confirm);
    EXPECT_EQ(bench.count(EventKind::refused), 1);
    EXPECT_EQ(bench.run.state, RunState::forming);
}

TEST(Steps, repeats_nest_and_count_their_passes_from_the_outside) {
    Bench bench{with({repeat_step(2, {repeat_step(3, {rest_step(5_s)}), rest_step(2_s)})})};
    bench.start();
    std::vector<std::array<std::uint32_t, 2>> passes;
    std::uint32_t seen = 1000;
    for (int i = 0; i < 200 && bench.run.state != RunState::done; ++i) {
        if (bench.run.visit != seen) {
            seen = bench.run.visit;
            passes.push_back({bench.run.pass[0], bench.run.pass[1]});
        }
        bench.step();
    }
    const std::vector<std::array<std::uint32_t, 2>> expected{{1, 1}, {1, 2}, {1, 3}, {1, 0},
                                                             {2, 1}, {2, 2}, {2, 3}, {2, 0}};
    EXPECT_EQ(passes, expected);
    EXPECT_EQ(bench.run.state, RunState::done);
}

TEST(Steps, a_step_whose_end_is_already_true_ends_at_once_without_current) {
    Bench bench{with({charge_step(Rate{1, 20}, 3000_mV, 6_h), rest_step(5_s)})};
    bench.voltage = 900_mV;
    Protocol p = with({charge_step(Rate{1, 20}, 800_mV, 6_h), rest_step(5_s)});
    Bench already{p};
    already.voltage = 900_mV;
    already.start();
    EXPECT_EQ(already.last_end(), EndReason::already_so);
    EXPECT_TRUE(is_open(already.run.demand));
    EXPECT_LE(already.run.net.whole, already.plan.capacity / 50 / 3600) << "the connection test's charge alone";
    already.step();
    EXPECT_EQ(already.run.state, RunState::resting);
}

TEST(Steps, a_step_of_a_repeat_already_so_twice_running_stops_the_run) {
    Bench bench{with({repeat_step(50, {charge_step(Rate{1, 20}, 800_mV, 6_h), rest_step(5_s)})})};
    bench.voltage = 900_mV;
    bench.start();
    bench.run_for(1_min);
    EXPECT_EQ(bench.run.state, RunState::stopped);
    EXPECT_EQ(bench.run.wait, WaitReason::already_so_twice);
    EXPECT_LE(bench.run.visit, 3U);
}

TEST(Steps, at_most_reached_stops_the_run_and_is_never_called_done) {
    Bench bench{with({charge_step(Rate{1, 20}, 3000_mV, 10_min)})};
    bench.start();
    bench.run_for(11_min);
    EXPECT_EQ(bench.run.state, RunState::stopped);
    EXPECT_EQ(bench.last_end(), EndReason::at_most_time);
    EXPECT_EQ(bench.count(EventKind::done), 0);
}

TEST(Steps, on_overrun_wait_opens_and_waits_and_resume_goes_on_with_the_next_step) {
    Step first = charge_step(Rate{1, 20}, 3000_mV, 10_min);
    first.on_overrun = protocol::OnOverrun::wait;
    Bench bench{with({first, rest_step(5_s)})};
    bench.start();
    bench.run_for(11_min);
    ASSERT_EQ(bench.run.state, RunState::waiting);
    EXPECT_TRUE(is_open(bench.run.demand));
    bench.command(CommandKind::resume);
    bench.run_for(5_s);
    EXPECT_EQ(bench.run.state, RunState::resting);
}

TEST(Steps, on_overrun_next_goes_on) {
    Step first = charge_step(Rate{1, 20}, 3000_mV, 10_min);
    first.on_overrun = protocol::OnOverrun::next;
    Bench bench{with({first, rest_step(5_s)})};
    bench.start();
    bench.run_for(10_min);
    bench.run_for(2_s);
    EXPECT_EQ(bench.run.state, RunState::resting);
    EXPECT_EQ(bench.last_end(), EndReason::at_most_time);
}

TEST(Steps, a_charge_cap_stops_before_more_goes_in) {
    Step first = charge_step(CurrentOrRate{500_mA}, 3000_mV, 6_h);
    first.at_most.amount = ChargeOrRatio{100_mAh};
    Bench bench{with({first})};
    bench.start();
    bench.run_for(1_h);
    EXPECT_EQ(bench.run.state, RunState::stopped);
    EXPECT_EQ(bench.last_end(), EndReason::at_most_amount);
    EXPECT_NEAR(ampere_hours(bench.run.net.whole), 0.1, 0.0003);
}

TEST(Steps, a_repeat_that_outlives_its_cap_stops) {
    Step repeat = repeat_step(1000, {rest_step(10_s)});
    repeat.at_most.time = 5_min;
    Bench bench{with({repeat})};
    bench.start();
    bench.run_for(20_min);
    EXPECT_EQ(bench.run.state, RunState::stopped);
    EXPECT_LT(bench.run.visit, 40U);
}

TEST(Steps, net_is_reached_from_below_in_charge_and_from_above_in_discharge) {
    Step up = charge_step(CurrentOrRate{500_mA}, 4200_mV, 6_h);
    up.ends = {.net = ChargeOrRatio{10_percent}};
    Step down = discharge_step(CurrentOrRate{500_mA}, 2700_mV, 6_h);
    down.ends = {.net = ChargeOrRatio{5_percent}};
    Bench bench{with({up, down})};
    bench.start();
    bench.voltage = 3600_mV;
    bench.run_for(1_h + 5_s);
    EXPECT_EQ(bench.run.step, 1);
    EXPECT_EQ(bench.last_end(), EndReason::net);
    EXPECT_NEAR(ampere_hours(bench.run.net.whole), 0.5, 0.002);
    bench.run_for(31_min);
    EXPECT_EQ(bench.run.state, RunState::done);
    EXPECT_NEAR(ampere_hours(bench.run.net.whole), 0.25, 0.001);
}

TEST(Steps, a_cycle_ends_with_a_full_discharge) {
    Bench bench{
        with({charge_step(Rate{1, 10}, 3600_mV, 6_h), discharge_step(Rate{1, 10}, 3000_mV, 6_h), rest_step(5_s)})};
    bench.start();
    bench.voltage = 3600_mV;
    bench.steps(3);
    EXPECT_EQ(bench.run.cycle, 1U);
    bench.voltage = 2990_mV;
    bench.steps(2);
    EXPECT_TRUE(bench.run.last_visit.ends_cycle);
    EXPECT_EQ(bench.run.cycle, 2U);
}

TEST(Steps, pause_opens_at_once_and_the_amount_is_kept) {
    Step up = charge_step(CurrentOrRate{500_mA}, 4200_mV, 6_h);
    up.ends = {.amount = ChargeOrRatio{10_percent}};
    Bench bench{with({up})};
    bench.start();
    bench.voltage = 3600_mV;
    bench.run_for(30_min);
    bench.command(CommandKind::pause);
    EXPECT_TRUE(is_open(bench.run.demand));
    const Charge moved = bench.run.totals.charge_in.whole;
    bench.run_for(2_h);
    EXPECT_EQ(bench.run.totals.charge_in.whole, moved);
    bench.command(CommandKind::resume);
    bench.run_for(31_min);
    EXPECT_EQ(bench.run.state, RunState::done);
    EXPECT_NEAR(ampere_hours(bench.run.net.whole), 0.5, 0.001);
}

TEST(Steps, a_paused_hold_must_meet_its_taper_anew) {
    Bench bench{with({hold_step(4200_mV, Rate{1, 10}, Rate{1, 50}, 3_h)})};
    bench.start();
    bench.voltage = 4200_mV;
    bench.current = 90_mA;
    bench.run_for(25_s);
    bench.current.reset();
    bench.command(CommandKind::pause);
    bench.run_for(10_s);
    bench.command(CommandKind::resume);
    bench.run_for(5_s);
    bench.current = 90_mA;
    bench.run_for(20_s);
    EXPECT_EQ(bench.run.state, RunState::forming);
    bench.run_for(20_s);
    EXPECT_EQ(bench.run.state, RunState::done);
}

TEST(Steps, an_ask_that_overruns_into_waiting_still_wants_its_confirm) {
    Step ask = ask_step(1_h);
    ask.on_overrun = protocol::OnOverrun::wait;
    Bench bench{with({rest_step(5_s), ask, charge_step(Rate{1, 10}, 3600_mV, 6_h)})};
    bench.start();
    bench.run_for(2_h);
    ASSERT_EQ(bench.run.state, RunState::waiting);
    bench.command(CommandKind::resume);
    bench.run_for(1_min);
    EXPECT_EQ(bench.run.state, RunState::asking);
    bench.command(CommandKind::confirm);
    bench.run_for(5_s);
    EXPECT_EQ(bench.run.state, RunState::forming);
}

TEST(Steps, a_cell_taken_out_in_an_ask_that_overran_is_not_blamed_for_its_voltage) {
    Step ask = ask_step(1_h);
    ask.on_overrun = protocol::OnOverrun::wait;
    Bench bench{with({rest_step(10_s), ask}), CellHistory{.furthest = CellState::formed, .known = true, .armed = true}};
    bench.plan.start_voltage = {};
    bench.voltage = 3600_mV;
    bench.start();
    bench.run_for(2_h);
    ASSERT_EQ(bench.run.state, RunState::waiting);
    bench.voltage = Voltage{};
    bench.run_for(10_min);
    EXPECT_EQ(bench.run.state, RunState::waiting);
    EXPECT_FALSE(bench.run.history.quarantined);
}

TEST(Steps, a_repeats_cap_never_passes_over_an_ask) {
    Step repeat = repeat_step(3, {rest_step(10_s), ask_step(72_h)});
    repeat.at_most.time = 11_s;
    repeat.on_overrun = protocol::OnOverrun::next;
    Bench bench{with({repeat, charge_step(Rate{1, 10}, 3600_mV, 6_h)})};
    bench.start();
    bench.run_for(1_h);
    EXPECT_EQ(bench.run.state, RunState::asking);
}

TEST(Steps, a_step_after_a_repeat_that_overran_has_no_pass) {
    Step repeat = repeat_step(1000, {rest_step(10_s)});
    repeat.at_most.time = 1_min;
    repeat.on_overrun = protocol::OnOverrun::next;
    Bench bench{with({repeat, rest_step(1_h)})};
    bench.start();
    bench.run_for(2_min);
    ASSERT_EQ(bench.run.step, 2);
    EXPECT_EQ(bench.run.pass[0], 0U);
}

TEST(Steps, two_different_steps_already_so_one_after_the_other_do_not_stop_the_run) {
    Step outside = charge_step(Rate{1, 20}, 800_mV, 6_h);
    Bench bench{with({outside, repeat_step(1, {charge_step(Rate{1, 20}, 850_mV, 6_h), rest_step(5_s)})})};
    bench.voltage = 900_mV;
    bench.start();
    bench.run_for(1_min);
    EXPECT_EQ(bench.run.state, RunState::done);
}

TEST(Steps, waiting_for_people_is_no_run_time) {
    Protocol p = with({rest_step(5_s), ask_step(72_h), rest_step(5_s)});
    p.limits.run_time_max = 1_h;
    Bench bench{p};
    bench.start();
    bench.run_for(10_s);
    bench.run_for(5_h);
    EXPECT_EQ(bench.run.state, RunState::asking);
    bench.command(CommandKind::confirm);
    bench.run_for(20_s);
    EXPECT_EQ(bench.run.state, RunState::done);
}

TEST(Steps, a_reversed_cell_gets_no_current_and_a_sentence) {
    Bench bench{with({charge_step(Rate{1, 20}, 3000_mV, 6_h)})};
    bench.voltage = Voltage{-240'000'000};
    bench.start();
    EXPECT_EQ(bench.run.state, RunState::waiting);
    EXPECT_FALSE(bench.run.history.quarantined);
    const auto failed = bench.find(EventKind::connection_failed);
    ASSERT_TRUE(failed);
    EXPECT_EQ(failed->code, static_cast<std::uint8_t>(ConnectionFault::reversed));
    EXPECT_NE(describe(*failed, bench.plan).find("polarity"), std::string::npos);
}

TEST(Steps, a_cell_outside_the_start_window_gets_no_current) {
    Bench bench{with({charge_step(Rate{1, 20}, 3000_mV, 6_h)})};
    bench.voltage = 3600_mV;  // a formed cell where a pristine one is claimed
    bench.start();
    EXPECT_EQ(bench.run.state, RunState::waiting);
    EXPECT_EQ(bench.run.wait, WaitReason::connection);
}

TEST(Steps, no_reading_at_the_start_ends_in_waiting_by_time_alone) {
    Bench bench{with({charge_step(Rate{1, 20}, 3000_mV, 6_h)})};
    bench.command(CommandKind::start);
    for (int i = 0; i < 60; ++i) {
        bench.silence();
    }
    EXPECT_EQ(bench.run.state, RunState::waiting);
}

}  // namespace
}  // namespace slowfilm::engine::test
