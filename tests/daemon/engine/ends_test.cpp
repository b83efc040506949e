#include "tests/daemon/engine/harness.hpp"

#include <gtest/gtest.h>

namespace slowfilm::engine {
namespace {

using namespace literals;
using namespace test;

Bench at(Voltage voltage, const Protocol& protocol, const CellHistory& history = formed()) {
    Bench bench{protocol, history};
    bench.voltage = voltage;
    bench.start();
    return bench;
}

Protocol of_steps(std::vector<Step> steps) {
    Protocol p = charging();
    p.limits.temperature_rise.off = true;  // temperatures jump in here
    p.limits.temperature_rise.written = Place{1, 1};
    p.steps = std::move(steps);
    return p;
}

TEST(Ends, a_rest_ends_once_the_temperature_has_been_kept_for_its_time) {
    Step rest = rest_step(2_h);
    rest.ends.time.reset();
    rest.ends.temperature = protocol::TemperatureEnd{.min = 44_degC, .max = 46_degC, .held = 5_min};
    rest.at_most.time = 6_h;
    Bench bench = at(3700_mV, of_steps({rest, rest_step(1_h)}));
    bench.temperature = 43_degC;
    bench.run_for(10_min);
    EXPECT_EQ(bench.run.step, 0);
    bench.temperature = 45_degC;
    bench.run_for(3_min);
    bench.temperature = 43_degC;  // it falls out once: the time begins anew
    bench.step();
    bench.temperature = 45_degC;
    bench.run_for(4_min);
    EXPECT_EQ(bench.run.step, 0);
    bench.run_for(2_min);
    EXPECT_EQ(bench.run.step, 1);
    EXPECT_EQ(bench.last_end(), EndReason::temperature);
}

TEST(Ends, a_rest_ends_when_the_voltage_drifts_by_less_than_its_settle_even_with_noise) {
    Step rest = rest_step(2_h);
    rest.ends.time.reset();
    rest.ends.settle = protocol::Settle{.below = {12'000'000}, .over = 30_min};  // 0.5 mV/h
    rest.at_most.time = 24_h;
    Bench bench = at(3700_mV, of_steps({rest}));
    // It relaxes with a time constant of an hour from 20 mV, 0.1 mV of noise on top: below 0.5 mV/h after 3.7 h.
    std::int64_t seconds = 0;
    double left = 20e6;
    while (bench.run.state == RunState::resting && seconds < 24 * 3600) {
        left *= 1.0 - 1.0 / 3600.0;
        const std::int64_t noise = (seconds * 7919 % 200'000) - 100'000;
        bench.voltage = 3700_mV + Voltage{static_cast<std::int64_t>(left) + noise};
        bench.step();
        ++seconds;
    }
    EXPECT_EQ(bench.last_end(), EndReason::settled);
    EXPECT_GT(seconds, 3 * 3600);
    EXPECT_LT(seconds, 5 * 3600);
}

TEST(Ends, a_rest_may_end_by_a_voltage_above_or_below) {
    Step above = rest_step(1_h);
    above.ends.above = 3750_mV;
    Step below = rest_step(1_h);
    below.ends.below = 3700_mV;
    Bench bench = at(3720_mV, of_steps({above, below}));
    bench.steps(20);
    EXPECT_EQ(bench.run.step, 0);
    bench.voltage = 3751_mV;
    bench.step();
    EXPECT_EQ(bench.run.step, 1);
    EXPECT_EQ(bench.last_end(), EndReason::voltage);
    bench.voltage = 3699_mV;
    bench.step();
    EXPECT_EQ(bench.run.state, RunState::done);
}

TEST(Ends, another_end_than_the_good_one_goes_the_overrun_way) {
    Step charge = charge_step(CurrentOrRate{500_mA}, 4000_mV, 14_h);
    charge.ends.amount = StepCharge{100_mAh};
    charge.good_end = protocol::GoodEnd::amount;
    charge.on_overrun = protocol::OnOverrun::wait;
    Bench bench = at(3700_mV, of_steps({charge, rest_step(1_min)}));
    bench.steps(60);
    bench.voltage = 4001_mV;  // the voltage comes first: this cell takes less than it should
    bench.step();
    EXPECT_EQ(bench.last_end(), EndReason::voltage);
    EXPECT_EQ(bench.run.state, RunState::waiting);
    EXPECT_EQ(bench.run.wait, WaitReason::not_good_end);
}

TEST(Ends, a_good_end_is_not_passed_by_another_condition_that_was_already_so) {
    for (const auto& [what, state] :
         {std::pair{protocol::OnOverrun::wait, RunState::waiting}, {protocol::OnOverrun::stop, RunState::stopped}}) {
        Step charge = charge_step(CurrentOrRate{500_mA}, 3600_mV, 14_h);
        charge.ends.amount = StepCharge{100_mAh};
        charge.good_end = protocol::GoodEnd::amount;
        charge.on_overrun = what;
        Bench bench = at(3700_mV, of_steps({charge, charge_step(CurrentOrRate{1000_mA}, 4200_mV, 14_h)}));
        bench.steps(10);
        EXPECT_EQ(bench.run.state, state);
        EXPECT_EQ(bench.run.wait, WaitReason::not_good_end);
        EXPECT_EQ(bench.run.step, 0) << "the film stage must not be skipped for the fast one after it";
    }
}

TEST(Ends, a_hold_in_either_direction_comes_to_its_net_charge_from_above_too) {
    Step hold = hold_step(3500_mV, CurrentOrRate{500_mA}, CurrentOrRate{1_mA}, 14_h);
    hold.direction = protocol::Direction::either;
    hold.ends.current.reset();
    hold.ends.net = StepCharge{Charge{} - 100_mAh};
    Bench bench = at(3500_mV, of_steps({hold, rest_step(1_h)}));
    bench.steps(5);
    EXPECT_EQ(bench.run.step, 0) << "0 mAh is not -100 mAh";
}

TEST(Ends, the_good_end_goes_on) {
    Step charge = charge_step(CurrentOrRate{500_mA}, 4000_mV, 14_h);
    charge.ends.amount = StepCharge{100_mAh};
    charge.good_end = protocol::GoodEnd::amount;
    Bench bench = at(3700_mV, of_steps({charge, rest_step(1_h)}));
    bench.run_for(15_min);
    EXPECT_EQ(bench.last_end(), EndReason::amount);
    EXPECT_EQ(bench.run.step, 1);
}

TEST(Ends, no_condition_counts_before_not_before) {
    Step charge = charge_step(CurrentOrRate{500_mA}, 3600_mV, 14_h);
    charge.not_before = 10_min;
    Bench bench = at(3700_mV, of_steps({charge, rest_step(1_h)}));
    bench.run_for(Duration{590'000'000});
    EXPECT_EQ(bench.run.step, 0) << "neither at once nor sooner";
    bench.run_for(20_s);
    EXPECT_EQ(bench.run.step, 1);
    EXPECT_EQ(bench.last_end(), EndReason::voltage);
}

TEST(Ends, a_share_of_the_measured_capacity_waits_for_a_person_where_none_is_known) {
    Step charge = charge_step(CurrentOrRate{500_mA}, 4200_mV, 14_h);
    charge.ends.amount = StepCharge{Ratio{300'000}, true};
    Bench bench = at(3300_mV, of_steps({charge}));
    EXPECT_EQ(bench.run.state, RunState::waiting);
    EXPECT_EQ(bench.run.wait, WaitReason::not_measured);
    EXPECT_TRUE(is_open(bench.run.demand));
    EXPECT_TRUE(bench.run.in_visit) << "nothing is passed over: what the person does decides";
}

TEST(Ends, a_discharge_that_measures_gives_the_capacity_that_later_shares_are_of) {
    Step down = discharge_step(CurrentOrRate{1000_mA}, 2700_mV, 14_h);
    down.measures = true;
    Step up = charge_step(CurrentOrRate{1000_mA}, 4200_mV, 14_h);
    up.ends.amount = StepCharge{Ratio{300'000}, true};  // 30 % of measured
    Bench bench = at(3300_mV, of_steps({down, up}));
    bench.run_for(4_h);  // 4 Ah out
    bench.voltage = 2699_mV;
    bench.step();
    EXPECT_NEAR(ampere_hours(bench.run.history.measured), 4.0, 0.001);
    bench.voltage = 3300_mV;
    while (bench.run.state == RunState::forming) {
        bench.step();
    }
    EXPECT_EQ(bench.last_end(), EndReason::amount);
    EXPECT_NEAR(ampere_hours(bench.run.last_visit.charge_in.whole), 1.2, 0.001);
}

TEST(Ends, a_discharge_that_did_not_come_to_its_voltage_measures_nothing) {
    Step down = discharge_step(CurrentOrRate{1000_mA}, 2700_mV, 14_h);
    down.measures = true;
    down.ends.time = 1_h;
    Bench bench = at(3300_mV, of_steps({down}));
    bench.run_for(Duration{3'700'000'000});
    ASSERT_EQ(bench.run.state, RunState::done);
    EXPECT_EQ(bench.run.history.measured.count, 0);
}

TEST(Ends, a_rate_of_the_measured_capacity_never_exceeds_the_limits) {
    Step down = discharge_step(CurrentOrRate{Rate{1, 5}}, 2700_mV, 14_h);
    down.current = StepCurrent{Rate{1, 5}, true};
    CellHistory big = formed();
    big.measured = 7000_mAh;  // 1.4 A at C/5, and current_max is 1.2 A
    Bench bench = at(3600_mV, of_steps({down}), big);
    ASSERT_EQ(bench.run.state, RunState::forming);
    EXPECT_EQ(std::get<DriveCurrent>(bench.run.demand).current, -1200_mA);
}

TEST(Ends, a_rate_of_the_measured_capacity_stays_within_the_limits_of_its_own_step) {
    Step down = discharge_step(CurrentOrRate{Rate{1, 5}}, 2700_mV, 14_h);
    down.current = StepCurrent{Rate{1, 5}, true};
    down.limits.emplace();
    down.limits->current_max.trip = CurrentOrRate{1050_mA};
    down.limits->current_max.written = Place{1, 1};
    CellHistory big = formed();
    big.measured = 7000_mAh;  // 1.4 A at C/5
    Bench bench = at(3600_mV, of_steps({down}), big);
    ASSERT_EQ(bench.run.state, RunState::forming);
    EXPECT_EQ(std::get<DriveCurrent>(bench.run.demand).current, -1050_mA);
}

// Passes of a repeat that discharge 1.000, 0.900, 0.895 Ah: the third differs by 0.56 %.
TEST(Ends, a_repeat_ends_when_its_figure_no_longer_changes) {
    Step repeat = repeat_step(
        9, {charge_step(CurrentOrRate{1000_mA}, 4200_mV, 5_h), discharge_step(CurrentOrRate{1000_mA}, 2700_mV, 5_h)});
    repeat.ends.figure = protocol::FigureEnd{.figure = FigureId::discharge_capacity, .below = {10'000}};
    Bench bench = at(2800_mV, of_steps({repeat, rest_step(1_h)}));
    const auto turn = [&](double hours) {
        bench.voltage = 3600_mV;
        bench.run_for(1_h);
        bench.voltage = 4201_mV;
        bench.step();
        bench.voltage = 3600_mV;
        bench.run_for(Duration{static_cast<std::int64_t>(hours * 3.6e9)});
        bench.voltage = 2699_mV;
        bench.step();
    };
    turn(0.5);  // its cycle did not begin at a full discharge: no figure yet
    turn(1.0);
    turn(0.9);
    EXPECT_EQ(bench.count(EventKind::repeat_ended), 0);
    turn(0.895);
    EXPECT_EQ(bench.count(EventKind::repeat_ended), 1);
    EXPECT_EQ(bench.run.state, RunState::resting);
}

TEST(OnlyIf, a_step_whose_figure_is_so_is_gone_through_and_another_is_passed_over) {
    const auto judged = [](std::int64_t below) {
        Step extra = charge_step(CurrentOrRate{500_mA}, 4200_mV, 14_h);
        extra.only_if = protocol::OnlyIf{.figure = FigureId::discharge_capacity, .below = below};
        Bench bench =
            at(2800_mV, of_steps({discharge_step(CurrentOrRate{1000_mA}, 2700_mV, 5_h),
                                  charge_step(CurrentOrRate{1000_mA}, 4200_mV, 5_h),
                                  discharge_step(CurrentOrRate{1000_mA}, 2700_mV, 5_h), extra, rest_step(1_h)}));
        bench.voltage = 2699_mV;
        bench.step();
        bench.voltage = 3600_mV;
        bench.run_for(1_h);
        bench.voltage = 4201_mV;
        bench.step();
        bench.voltage = 3600_mV;
        bench.run_for(1_h);
        bench.voltage = 2699_mV;
        bench.steps(3);
        return bench;
    };
    Bench taken = judged((1100_mAh).count);
    EXPECT_EQ(taken.run.step, 3);
    EXPECT_EQ(taken.run.state, RunState::forming);
    Bench passed = judged((900_mAh).count);
    EXPECT_EQ(passed.run.step, 4);
    EXPECT_EQ(passed.last_end(), EndReason::skipped);
    EXPECT_EQ(passed.run.last_visit.charge_in.whole.count, 0);
}

TEST(OnlyIf, a_figure_that_is_not_defined_waits_for_a_person_and_resume_passes_over_the_step) {
    Step extra = charge_step(CurrentOrRate{500_mA}, 4200_mV, 14_h);
    extra.only_if = protocol::OnlyIf{.figure = FigureId::dc_resistance, .above = (Resistance{30'000'000}).count};
    Bench bench = at(3600_mV, of_steps({extra, rest_step(1_h)}));
    EXPECT_EQ(bench.run.state, RunState::waiting);
    EXPECT_EQ(bench.run.wait, WaitReason::no_figure);
    bench.command(CommandKind::resume);
    bench.steps(8);
    EXPECT_EQ(bench.run.step, 1);
    EXPECT_EQ(bench.run.state, RunState::resting);
}

TEST(OnlyIf, a_whole_repeat_may_be_passed_over_as_the_first_thing_and_visits_count_from_zero) {
    Step repeat = repeat_step(2, {rest_step(1_min)});
    repeat.only_if = protocol::OnlyIf{.figure = FigureId::discharge_capacity, .below = (4000_mAh).count};
    Bench bench = at(3600_mV, of_steps({repeat, rest_step(1_h)}));
    EXPECT_EQ(bench.run.wait, WaitReason::no_figure);
    bench.command(CommandKind::resume);
    bench.steps(8);
    EXPECT_EQ(bench.run.step, 2);
    EXPECT_EQ(bench.run.visit, 0U);
    EXPECT_EQ(bench.run.state, RunState::resting);
}

TEST(Together, a_run_is_open_and_its_time_stands_until_the_others_are_there) {
    Step charge = charge_step(CurrentOrRate{500_mA}, 4200_mV, 14_h);
    charge.together = true;
    Bench bench = at(3600_mV, of_steps({rest_step(1_min), charge}));
    bench.run_for(2_min);
    EXPECT_EQ(bench.count(EventKind::gathering), 1);
    EXPECT_TRUE(bench.run.gathering);
    bench.run_for(30_min);
    EXPECT_TRUE(is_open(bench.run.demand));
    EXPECT_EQ(bench.run.visit_time.count, 0);
    const Duration counted = bench.run.now - bench.run.started - bench.run.aside;
    EXPECT_LT(counted, 3_min) << "waiting for others is none of the run's time";
    bench.give(Gathered{});
    EXPECT_EQ(bench.run.state, RunState::forming);
    EXPECT_FALSE(is_open(bench.run.demand));
}

TEST(Together, one_that_is_paused_while_it_waits_begins_once_it_is_resumed) {
    Step charge = charge_step(CurrentOrRate{500_mA}, 4200_mV, 14_h);
    charge.together = true;
    Bench bench = at(3600_mV, of_steps({charge}));
    bench.command(CommandKind::pause);
    bench.give(Gathered{});
    EXPECT_TRUE(is_open(bench.run.demand));
    EXPECT_EQ(bench.run.state, RunState::paused);
    bench.command(CommandKind::resume);
    bench.steps(8);
    EXPECT_EQ(bench.run.state, RunState::forming);
}

TEST(Ambient, the_chamber_is_set_when_its_step_begins_and_again_after_a_pause) {
    Step rest = rest_step(1_h);
    rest.ambient = 45_degC;
    Protocol p = of_steps({rest});
    ChannelTraits traits = ideal_traits();
    EXPECT_FALSE(make_plan(p, p.cell.capacity, traits, wide_caps())) << "no chamber there";
    traits.has_chamber = true;
    Bench bench{p, formed(), traits};
    bench.voltage = 3600_mV;
    bench.start();
    EXPECT_EQ(bench.count(EventKind::ambient), 1);
    EXPECT_EQ(bench.run.ambient, 45_degC);
    bench.command(CommandKind::pause);
    bench.steps(3);
    bench.command(CommandKind::resume);
    bool again = false;
    for (int i = 0; i < 8; ++i) {
        bench.step();
        again = again || bench.last.apply_ambient;
    }
    EXPECT_TRUE(again);
}

TEST(Ambient, the_chamber_is_not_set_while_the_cell_waits_for_the_others_of_its_tray) {
    Step rest = rest_step(1_h);
    rest.ambient = 45_degC;
    rest.together = true;
    ChannelTraits traits = ideal_traits();
    traits.has_chamber = true;
    Bench bench{of_steps({rest}), formed(), traits};
    bench.voltage = 3600_mV;
    bench.start();
    bench.steps(20);
    EXPECT_EQ(bench.count(EventKind::gathering), 1);
    EXPECT_EQ(bench.count(EventKind::ambient), 0) << "another cell is still in an earlier step";
    bench.give(Gathered{});
    EXPECT_EQ(bench.count(EventKind::ambient), 1);
    EXPECT_EQ(bench.run.ambient, 45_degC);
}

TEST(Ambient, a_repeat_sets_it_once_when_its_first_pass_begins_for_all) {
    Step inner = rest_step(1_min);
    Step repeat;
    repeat.kind = protocol::StepKind::repeat;
    repeat.ambient = 45_degC;
    repeat.together = true;
    repeat.times = 2;
    repeat.steps = {inner};
    ChannelTraits traits = ideal_traits();
    traits.has_chamber = true;
    Bench bench{of_steps({repeat}), formed(), traits};
    bench.voltage = 3600_mV;
    bench.start();
    bench.steps(10);
    EXPECT_EQ(bench.count(EventKind::ambient), 0);
    bench.give(Gathered{});
    bench.run_for(3_min);
    EXPECT_EQ(bench.run.state, RunState::done);
    EXPECT_EQ(bench.count(EventKind::ambient), 1);
}

TEST(Ambient, heat_sets_the_chamber_to_a_safe_one) {
    Step rest = rest_step(1_h);
    rest.ambient = 45_degC;
    ChannelTraits traits = ideal_traits();
    traits.has_chamber = true;
    Bench bench{of_steps({rest}), formed(), traits};
    bench.voltage = 3600_mV;
    bench.start();
    bench.temperature = 52_degC;
    bool set = false;
    for (int i = 0; i < 8; ++i) {
        bench.step();
        set = set || bench.last.apply_ambient;
    }
    EXPECT_TRUE(bench.tripped_by(GuardId::over_temperature));
    EXPECT_TRUE(set);
    EXPECT_EQ(bench.run.ambient, 25_degC);
}

TEST(Ask, what_is_read_before_its_delay_is_over_does_not_count) {
    Step ask = ask_step(2_h);
    ask.delay = 60_s;
    Bench bench = at(3600_mV, of_steps({ask, rest_step(1_h)}));
    bench.steps(5);
    bench.command(CommandKind::confirm);
    bench.run_for(59_s);
    EXPECT_EQ(bench.run.state, RunState::checking);
    bench.run_for(10_s);
    EXPECT_EQ(bench.run.state, RunState::resting);
}

}  // namespace
}  // namespace slowfilm::engine
