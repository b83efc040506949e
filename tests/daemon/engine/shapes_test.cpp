#include "tests/daemon/engine/harness.hpp"

#include <gtest/gtest.h>

namespace slowfilm::engine {
namespace {

using namespace literals;
using namespace test;

Step pulse_step(std::vector<protocol::PulseLevel> levels, Duration at_most = 5_min) {
    Step s;
    s.kind = protocol::StepKind::pulse;
    s.path = "2";
    s.levels = std::move(levels);
    s.at_most.time = at_most;
    return s;
}

protocol::PulseLevel level(CurrentOrRate current, Duration span, bool charges = false) {
    return {.charges = charges, .current = current, .span = span};
}

Step voltage_sweep(std::optional<Voltage> from, Voltage to, VoltageSlope rate, CurrentOrRate limit) {
    Step s;
    s.kind = protocol::StepKind::ramp;
    s.path = "1";
    s.voltage_ramp = protocol::VoltageRamp{.from = from, .to = to, .rate = rate};
    s.current = limit;
    s.at_most.time = 10_h;
    return s;
}

Step current_sweep(std::optional<CurrentOrRate> from, CurrentOrRate to, Duration over) {
    Step s;
    s.kind = protocol::StepKind::ramp;
    s.path = "1";
    s.current_ramp = protocol::CurrentRamp{.from = from, .to = to, .over = over};
    s.at_most.time = 10_h;
    return s;
}

constexpr VoltageSlope millivolt_a_second{86'400'000'000};  // 1 mV/s in nV/d

// Rest, then two levels of a 2.5 Ah cell that shows what the standard's worked numbers say.
Bench two_levels(Step pulse) {
    Protocol p = charging();
    p.cell.capacity = 2500_mAh;
    p.limits.current_max.trip = CurrentOrRate{4000_mA};
    p.steps = {rest_step(1_min), std::move(pulse)};
    Bench bench{p, formed()};
    bench.voltage = 3750_mV;
    bench.start();
    return bench;
}

// The cell's voltage follows its current: 3.700 V at 0.5 A, 3.620 V at 2.5 A out of it.
void go_through(Bench& bench, int seconds) {
    for (int i = 0; i < seconds && bench.run.state != RunState::done; ++i) {
        const Current out = -bench.flowing();
        bench.voltage = out == 500_mA ? 3700_mV : out == 2500_mA ? 3620_mV : 3750_mV;
        bench.step();
    }
}

// IEC 61960-3, d.c. resistance: (U1 - U2) / (I2 - I1) after 10 s at 0.2 It and 1 s at 1 It. 2.5 Ah, 3.700 V at 0.5 A
// and 3.620 V at 2.5 A give 0.0400 ohm. The channel is read ten times a second: a level of 1 s needs that.
TEST(Pulse, the_two_level_resistance_of_iec_61960_3_is_forty_milliohm) {
    Protocol p = charging();
    p.cell.capacity = 2500_mAh;
    p.limits.current_max.trip = CurrentOrRate{4000_mA};
    p.steps = {rest_step(1_min), pulse_step({level(Rate{1, 5}, 10_s), level(Rate{1, 1}, 1_s)})};
    ChannelTraits fast = ideal_traits();
    fast.period = 100_ms;
    fast.settle = 50_ms;
    Bench bench{p, formed(), fast};
    bench.period = 100_ms;
    bench.voltage = 3750_mV;
    bench.start();
    go_through(bench, 800);
    ASSERT_EQ(bench.run.state, RunState::done);
    EXPECT_EQ(bench.run.last_visit.ended_by, EndReason::levels);
    EXPECT_EQ(bench.run.last_visit.no_resistance, NoResistance::none);
    EXPECT_EQ(print(bench.run.last_visit.resistance), "40 mohm");
    EXPECT_EQ((bench.run.last_visit.ended - bench.run.last_visit.started).count, (11_s).count);
}

TEST(Pulse, one_level_is_taken_against_the_rest_before_it) {
    Bench bench = two_levels(pulse_step({level(Current{500'000'000}, 10_s)}));
    go_through(bench, 100);
    ASSERT_EQ(bench.run.state, RunState::done);
    // 3.750 V at open circuit, 3.700 V at 0.5 A.
    EXPECT_EQ(bench.run.last_visit.no_resistance, NoResistance::none);
    EXPECT_EQ(print(bench.run.last_visit.resistance), "100 mohm");
}

TEST(Pulse, reaching_the_window_voids_the_resistance) {
    Bench bench = two_levels(pulse_step({level(Rate{1, 5}, 10_s), level(Rate{1, 1}, 10_s)}));
    for (int i = 0; i < 100 && bench.run.state != RunState::done; ++i) {
        bench.voltage = bench.flowing() < -1000_mA ? 2700_mV : 3700_mV;
        bench.step();
    }
    ASSERT_EQ(bench.run.state, RunState::done);
    EXPECT_EQ(bench.run.last_visit.no_resistance, NoResistance::window_reached);
}

TEST(Pulse, a_level_off_its_time_by_more_than_a_tenth_of_a_second_voids_the_resistance) {
    Protocol p = charging();
    p.steps = {rest_step(1_min), pulse_step({level(Rate{1, 10}, 10_s), level(Rate{1, 5}, Duration{10'400'000})})};
    Bench bench{p, formed()};
    bench.voltage = 3700_mV;
    bench.start();
    bench.steps(100);
    ASSERT_EQ(bench.run.state, RunState::done);
    EXPECT_EQ(bench.run.last_visit.no_resistance, NoResistance::level_time);
}

TEST(Pulse, without_a_reading_in_a_level_there_is_no_resistance) {
    Bench bench = two_levels(pulse_step({level(Rate{1, 5}, 4_s), level(Rate{1, 1}, 4_s)}));
    bench.plan.stale_voltage = bench.plan.stale_current = 60_s;
    bench.spoil = [&](Sample& s) {
        if (bench.flowing() < -1000_mA) {
            s.voltage.quality = Quality::absent;
        }
    };
    go_through(bench, 100);
    ASSERT_EQ(bench.run.state, RunState::done);
    EXPECT_EQ(bench.run.last_visit.no_resistance, NoResistance::no_reading);
}

TEST(Pulse, begins_again_after_its_rest_when_it_was_paused) {
    Bench bench = two_levels(pulse_step({level(Rate{1, 5}, 10_s), level(Rate{1, 1}, 10_s)}));
    while (bench.flowing() >= Current{}) {
        go_through(bench, 1);
    }
    go_through(bench, 3);
    bench.command(CommandKind::pause);
    go_through(bench, 5);
    bench.command(CommandKind::resume);
    int resting = 0;
    for (int i = 0; i < 200 && bench.run.state != RunState::done; ++i) {
        go_through(bench, 1);
        resting += bench.run.state == RunState::resting ? 1 : 0;
    }
    ASSERT_EQ(bench.run.state, RunState::done);
    EXPECT_GE(resting, 58) << "the minute of rest before the pulse must be had again";
    EXPECT_EQ(print(bench.run.last_visit.resistance), "40 mohm");
}

TEST(Pulse, a_level_shorter_than_two_periods_is_refused_with_the_period) {
    Protocol p = charging();
    p.steps = {rest_step(1_min), pulse_step({level(Rate{1, 10}, 1_s)})};
    const auto plan = make_plan(p, p.cell.capacity, ideal_traits(), wide_caps());
    ASSERT_FALSE(plan);
    EXPECT_NE(plan.error().message.find("a level must last two periods at least"), std::string::npos);
}

TEST(Ramp, a_voltage_sweep_is_one_demand_that_moves_at_its_rate_and_ends_when_it_is_through) {
    Protocol p = base_protocol();
    p.cell.state = CellState::formed;
    p.steps = {voltage_sweep(3600_mV, 3700_mV, millivolt_a_second, Rate{1, 10})};
    Bench bench{p, formed()};
    bench.voltage = 3600_mV;
    bench.start();
    const Time applied = bench.run.applied_at;
    for (int i = 0; i < 50; ++i) {
        bench.voltage = std::get<HoldVoltage>(bench.run.demand).voltage;
        bench.step();
        EXPECT_TRUE(bench.run.taken);
    }
    EXPECT_EQ(bench.run.applied_at, applied) << "its setpoints settle nothing anew";
    EXPECT_NEAR(volts(std::get<HoldVoltage>(bench.run.demand).voltage), 3.650, 0.0011);
    bench.steps(60);
    EXPECT_EQ(bench.run.state, RunState::forming) << "at its limit of current it has stayed behind";
    bench.voltage = 3700_mV;
    bench.step();
    EXPECT_EQ(bench.run.last_visit.ended_by, EndReason::swept);
    EXPECT_EQ(bench.run.state, RunState::done);
}

TEST(Ramp, a_sweep_down_from_where_the_cell_is_ends_below_and_not_at_once) {
    Protocol p = base_protocol();
    p.cell.state = CellState::formed;
    p.steps = {voltage_sweep(3600_mV, 3000_mV, millivolt_a_second, Rate{1, 10})};
    p.steps[0].voltage_ramp->from.reset();
    p.steps[0].ends.voltage = 3550_mV;
    Bench bench{p, formed()};
    bench.voltage = 3600_mV;
    bench.start();
    for (int i = 0; i < 40; ++i) {
        bench.voltage = std::get<HoldVoltage>(bench.run.demand).voltage;
        bench.step();
    }
    EXPECT_EQ(bench.run.state, RunState::forming);
    bench.voltage = 3550_mV;
    bench.step();
    EXPECT_EQ(bench.run.last_visit.ended_by, EndReason::voltage);
}

TEST(Ramp, a_discharge_that_lessens_is_a_discharge_still) {
    Protocol p = base_protocol();
    p.cell.state = CellState::formed;
    p.steps = {current_sweep(Current{-500'000'000}, Current{-100'000'000}, 1_h)};
    p.steps[0].ends.voltage = 3300_mV;
    Bench bench{p, formed()};
    bench.voltage = 3600_mV;
    bench.start();
    bench.steps(5);
    EXPECT_EQ(bench.run.state, RunState::forming) << "3.6 V is not yet below 3.3 V";
    bench.voltage = 3300_mV;
    bench.steps(2);
    EXPECT_EQ(bench.run.last_visit.ended_by, EndReason::voltage);
}

TEST(Ramp, a_current_sweep_crosses_zero_and_charge_is_its_exact_integral) {
    Protocol p = base_protocol();
    p.cell.state = CellState::formed;
    p.steps = {current_sweep(CurrentOrRate{Current{-500'000'000}}, CurrentOrRate{500_mA}, 1000_s)};
    Bench bench{p, formed()};
    bench.voltage = 3600_mV;
    bench.start();
    while (bench.run.state == RunState::forming) {
        bench.step();
    }
    ASSERT_EQ(bench.run.state, RunState::done);
    EXPECT_EQ(bench.run.last_visit.ended_by, EndReason::swept);
    // A triangle each way: 0.5 A x 500 s / 2 = 125 As. Readings of a staircase miss half a step at each end.
    EXPECT_NEAR(ampere_hours(bench.run.last_visit.charge_out.whole) * 3600.0, 125.0, 0.6);
    EXPECT_NEAR(ampere_hours(bench.run.last_visit.charge_in.whole) * 3600.0, 125.0, 0.6);
}

TEST(Ramp, goes_on_from_the_present_voltage_after_a_pause) {
    Protocol p = base_protocol();
    p.cell.state = CellState::formed;
    p.steps = {voltage_sweep(std::nullopt, 3700_mV, millivolt_a_second, Rate{1, 10})};
    Bench bench{p, formed()};
    bench.voltage = 3600_mV;
    bench.start();
    EXPECT_EQ(std::get<HoldVoltage>(bench.run.demand).voltage, 3600_mV);
    for (int i = 0; i < 50; ++i) {
        bench.voltage = std::get<HoldVoltage>(bench.run.demand).voltage;
        bench.step();
    }
    bench.command(CommandKind::pause);
    bench.voltage = 3630_mV;  // it has relaxed
    bench.steps(5);
    bench.command(CommandKind::resume);
    while (bench.run.state == RunState::checking) {
        bench.step();
    }
    ASSERT_EQ(bench.run.state, RunState::forming);
    EXPECT_NEAR(volts(std::get<HoldVoltage>(bench.run.demand).voltage), 3.630, 0.0011);
}

TEST(Ramp, a_sweep_beyond_the_window_is_refused) {
    Protocol p = base_protocol();
    p.cell.state = CellState::formed;
    p.steps = {voltage_sweep(3600_mV, 4230_mV, millivolt_a_second, Rate{1, 10})};
    EXPECT_FALSE(make_plan(p, p.cell.capacity, ideal_traits(), wide_caps()));
}

TEST(Ramp, ends_at_once_without_current_where_its_voltage_is_there_already) {
    Protocol p = base_protocol();
    p.cell.state = CellState::formed;
    Step sweep = current_sweep(CurrentOrRate{100_mA}, CurrentOrRate{500_mA}, 1000_s);
    sweep.ends.voltage = 3500_mV;
    p.steps = {sweep, rest_step(1_min)};
    Bench bench{p, formed()};
    bench.voltage = 3600_mV;
    bench.start();
    EXPECT_EQ(bench.run.last_visit.ended_by, EndReason::already_so);
    EXPECT_EQ(bench.run.last_visit.charge_in.whole.count, 0);
}

}  // namespace
}  // namespace slowfilm::engine
