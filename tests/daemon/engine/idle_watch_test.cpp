// What is left on a channel when its run is over is watched until somebody takes it away; and a cell that waits below
// 1 V is told of.
#include "daemon/engine/alarm.hpp"
#include "tests/daemon/engine/harness.hpp"

#include <gtest/gtest.h>

namespace slowfilm::engine::test {
namespace {

Bench done() {
    Protocol p = charging();
    p.steps = {rest_step(1_min)};
    Bench bench{p, formed()};
    bench.voltage = 3600_mV;
    bench.start();
    bench.run_for(2_min);
    EXPECT_EQ(bench.run.state, RunState::done);
    EXPECT_EQ(bench.count(EventKind::idle_alarm), 0);
    return bench;
}

int alarms_of(const Bench& bench, GuardId id) {
    return static_cast<int>(std::count_if(bench.events.begin(), bench.events.end(), [&](const Event& event) {
        return event.kind == EventKind::idle_alarm && event.code == static_cast<std::uint8_t>(id);
    }));
}

struct Idle {
    GuardId id;
    std::string name;
    std::function<void(Bench&)> cause;
    bool of_cell;
    bool opens_group;
};

class IdleWatch : public ::testing::TestWithParam<Idle> {};

TEST_P(IdleWatch, tells_once_and_leaves_the_state_what_it_was) {
    Bench bench = done();
    GetParam().cause(bench);
    bench.run_for(12_min);
    EXPECT_EQ(alarms_of(bench, GetParam().id), 1);
    EXPECT_EQ(bench.run.state, RunState::done);
    EXPECT_EQ(bench.run.history.quarantined, GetParam().of_cell);
    EXPECT_EQ(bench.group_tripped, GetParam().opens_group);
    EXPECT_EQ(bench.count(EventKind::tripped), 0);
    EXPECT_TRUE(is_open(bench.run.demand));
}

std::vector<Idle> idles() {
    return {
        {GuardId::over_voltage, "over_voltage", [](Bench& b) { b.voltage = 4300_mV; }, false, false},
        {GuardId::reversed, "reversed", [](Bench& b) { b.voltage = Voltage{-200'000'000}; }, false, false},
        {GuardId::low_voltage, "low_voltage", [](Bench& b) { b.voltage = 2100_mV; }, false, false},
        {GuardId::over_temperature, "over_temperature", [](Bench& b) { b.temperature = 55_degC; }, true, true},
        {GuardId::stale, "stale", [](Bench& b) { b.spoil = [](Sample& s) { s = Sample{}; }; }, false, false},
        {GuardId::temperature_rise, "temperature_rise",
         [](Bench& b) {
             b.spoil = [kelvin = 0](Sample& s) mutable { s.temperature.value += Temperature{kelvin += 20}; };
         },
         true, true},
    };
}
INSTANTIATE_TEST_SUITE_P(Table, IdleWatch, ::testing::ValuesIn(idles()),
                         [](const auto& param_info) { return param_info.param.name; });

TEST(Idle, a_current_through_a_cell_whose_run_is_over_is_told) {
    Bench bench = done();
    bench.current = 3_mA;
    bench.mode = StageMode::open;
    bench.run_for(5_s);
    EXPECT_EQ(alarms_of(bench, GuardId::leakage), 1);
    EXPECT_EQ(bench.run.state, RunState::done);
}

TEST(Idle, the_discharge_floor_and_jumps_are_no_matter_of_a_cell_that_lies_there) {
    Bench bench = done();
    bench.voltage = 2500_mV;  // below the floor of 2.6 V, above the trip of 2.2 V
    bench.run_for(1_h);
    EXPECT_EQ(bench.count(EventKind::idle_alarm), 0);
}

TEST(Idle, samples_every_five_seconds_are_not_stale) {
    Bench bench = done();
    bench.period = 5_s;
    bench.run_for(1_h);
    EXPECT_EQ(bench.count(EventKind::idle_alarm), 0);
}

TEST(Idle, one_guard_after_another_is_told_though_the_first_is_still_out) {
    Bench bench = done();
    bench.voltage = 4300_mV;
    bench.run_for(10_s);
    bench.temperature = 55_degC;
    bench.run_for(10_s);
    EXPECT_EQ(alarms_of(bench, GuardId::over_voltage), 1);
    EXPECT_EQ(alarms_of(bench, GuardId::over_temperature), 1);
    EXPECT_TRUE(bench.group_tripped);
}

TEST(Idle, a_neighbours_trip_does_not_change_a_run_that_is_over) {
    Bench bench = done();
    bench.give(GroupTrip{3});
    EXPECT_EQ(bench.run.state, RunState::done);
    EXPECT_EQ(bench.count(EventKind::tripped), 0);
}

TEST(Idle, a_gap_does_not_make_a_cell_stale) {
    Bench bench = done();
    const Time from = bench.now;
    bench.now = bench.now + 10_h;
    bench.give(Gap{from});
    bench.run_for(10_s);
    EXPECT_EQ(bench.count(EventKind::idle_alarm), 0);
}

TEST(Idle, a_cell_whose_connection_was_in_doubt_is_not_blamed_when_its_run_is_stopped) {
    Bench bench{charging(), formed()};
    bench.voltage = Voltage{-3'600'000'000};
    bench.start();
    ASSERT_EQ(bench.run.state, RunState::waiting);
    bench.command(CommandKind::stop);
    bench.run_for(1_min);
    EXPECT_FALSE(bench.run.history.quarantined);
    EXPECT_EQ(bench.count(EventKind::idle_alarm), 0);
}

TEST(Idle, a_tripped_cells_own_guard_is_not_told_again_and_another_is) {
    Bench bench = under_way(charging());
    bench.voltage = 4300_mV;
    bench.run_for(1_min);
    ASSERT_TRUE(bench.tripped_by(GuardId::over_voltage));
    EXPECT_EQ(bench.count(EventKind::idle_alarm), 0);
    bench.temperature = 55_degC;
    bench.run_for(1_min);
    EXPECT_EQ(alarms_of(bench, GuardId::over_temperature), 1);
    EXPECT_TRUE(bench.group_tripped);
    EXPECT_TRUE(bench.tripped_by(GuardId::over_voltage));
}

// Alarm states of IEC 62682 / ISA-18.2.
TEST(Alarm, of_a_channel_trip_goes_from_unacknowledged_to_latched_to_normal) {
    Bench bench{charging(), formed()};
    bench.voltage = 3600_mV;
    bench.start();
    EXPECT_EQ(alarm_state(bench.plan, bench.run, false), AlarmState::normal);
    bench.temperature = 46_degC;
    bench.run_for(3_s);
    ASSERT_TRUE(bench.tripped_by(GuardId::charge_temperature));
    EXPECT_EQ(alarm_state(bench.plan, bench.run, false), AlarmState::unacknowledged);
    bench.temperature = 30_degC;
    bench.run_for(3_s);
    EXPECT_EQ(alarm_state(bench.plan, bench.run, false), AlarmState::latched_unacknowledged);
    bench.command(CommandKind::acknowledge);
    EXPECT_EQ(alarm_state(bench.plan, bench.run, false), AlarmState::latched_acknowledged);
    bench.command(CommandKind::resume);
    EXPECT_EQ(alarm_state(bench.plan, bench.run, false), AlarmState::normal);
}

TEST(Alarm, of_a_cell_trip_is_acknowledged_and_stays) {
    Bench bench{charging(), formed()};
    bench.voltage = 3600_mV;
    bench.start();
    bench.voltage = 4300_mV;
    bench.run_for(3_s);
    EXPECT_EQ(alarm_state(bench.plan, bench.run, false), AlarmState::unacknowledged);
    bench.command(CommandKind::acknowledge);
    EXPECT_EQ(alarm_state(bench.plan, bench.run, false), AlarmState::acknowledged);
    bench.voltage = 3600_mV;
    bench.run_for(10_s);
    EXPECT_EQ(alarm_state(bench.plan, bench.run, false), AlarmState::latched_acknowledged);
    EXPECT_EQ(bench.run.state, RunState::tripped);
}

TEST(Alarm, of_a_cell_that_lies_there_stays_visible_when_it_has_returned) {
    Bench bench = done();
    EXPECT_EQ(alarm_state(bench.plan, bench.run, false), AlarmState::normal);
    bench.voltage = 4300_mV;
    bench.run_for(10_s);
    EXPECT_EQ(alarm_state(bench.plan, bench.run, false), AlarmState::unacknowledged);
    bench.voltage = 4100_mV;
    bench.run_for(10_s);
    EXPECT_EQ(alarm_state(bench.plan, bench.run, false), AlarmState::returned_unacknowledged);
    EXPECT_EQ(name(AlarmState::returned_unacknowledged), "returned to normal, unacknowledged");
}

std::vector<std::int64_t> hours_told(const Bench& bench) {
    std::vector<std::int64_t> hours;
    for (const Event& event : bench.events) {
        if (event.kind == EventKind::copper) {
            hours.push_back((event.limit + (30_min).count) / (1_h).count);
        }
    }
    return hours;
}

Bench tapping(Voltage voltage) {
    Protocol p = charging();
    p.cell.state = CellState::pristine;
    Bench bench{p};
    bench.voltage = voltage;
    bench.start();
    bench.run_for(30_s);
    EXPECT_EQ(bench.run.state, RunState::forming);
    return bench;
}

// 24 h from filling to tap is common practice.
TEST(Copper, a_paused_cell_below_one_volt_is_told_at_once_and_with_half_a_quarter_an_eighth_and_nothing_left) {
    Bench bench = tapping(600_mV);
    bench.command(CommandKind::pause);
    bench.period = 10_s;
    bench.plan.stale_voltage = bench.plan.stale_current = bench.plan.stale_temperature = 30_s;
    bench.run_for(30_h);
    EXPECT_EQ(hours_told(bench), (std::vector<std::int64_t>{24, 12, 6, 3, 0}));
    EXPECT_EQ(bench.run.state, RunState::paused) << "an alarm, not a trip";
}

TEST(Copper, a_waiting_or_tripped_cell_is_told_of_too) {
    Bench waits = tapping(600_mV);
    waits.give(RecordLost{});
    waits.run_for(3_s);
    EXPECT_EQ(hours_told(waits), (std::vector<std::int64_t>{24}));
    Bench trips = tapping(600_mV);
    trips.give(ChannelFault{FaultKind::lost});
    trips.run_for(3_s);
    EXPECT_EQ(hours_told(trips), (std::vector<std::int64_t>{24}));
}

TEST(Copper, a_cell_above_one_volt_and_one_whose_leads_are_reversed_are_not_told_of) {
    Bench high = tapping(900_mV);
    high.voltage = 1001_mV;
    high.run_for(5_s);
    high.command(CommandKind::pause);
    high.run_for(1_min);
    EXPECT_TRUE(hours_told(high).empty());
    Bench reversed{charging()};
    reversed.voltage = Voltage{-3'600'000'000};
    reversed.start();
    ASSERT_EQ(reversed.run.state, RunState::waiting);
    reversed.run_for(1_min);
    EXPECT_TRUE(hours_told(reversed).empty());
}

TEST(Copper, pausing_again_and_again_does_not_begin_the_day_anew) {
    Bench bench = tapping(600_mV);
    bench.command(CommandKind::pause);
    bench.run_for(13_h);
    bench.command(CommandKind::resume);
    bench.run_for(2_s);
    bench.command(CommandKind::pause);
    bench.run_for(10_s);
    EXPECT_EQ(hours_told(bench), (std::vector<std::int64_t>{24, 12}));
}

}  // namespace
}  // namespace slowfilm::engine::test
