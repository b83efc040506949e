// Ways in which guards were once fooled: current that nobody asked for, readings that come seldom, thermometers that
// come back, readings that come twice.
#include "daemon/engine/alarm.hpp"
#include "tests/daemon/engine/harness.hpp"

#include <gtest/gtest.h>

namespace slowfilm::engine::test {
namespace {

ChannelTraits with_ambient() {
    ChannelTraits traits = ideal_traits();
    traits.has_ambient = true;
    return traits;
}

// Paused while the output stays on: leakage trips.
Bench stuck_on(Current current = 500_mA) {
    Bench bench = under_way(charging());
    bench.current = current;
    bench.mode = StageMode::constant_current;
    bench.command(CommandKind::pause);
    bench.run_for(10_s);
    EXPECT_TRUE(bench.tripped_by(GuardId::leakage));
    return bench;
}

int alarms_of(const Bench& bench, GuardId id) {
    return static_cast<int>(std::count_if(bench.events.begin(), bench.events.end(), [&](const Event& event) {
        return event.kind == EventKind::idle_alarm && event.code == static_cast<std::uint8_t>(id);
    }));
}

TEST(Stray, a_cell_that_a_stuck_output_charges_above_voltage_max_is_quarantined) {
    Bench bench = stuck_on();
    bench.voltage = 4260_mV;
    bench.run_for(3_s);
    EXPECT_TRUE(bench.tripped_by(GuardId::over_voltage));
    EXPECT_EQ(bench.run.trip_class, TripClass::cell);
    EXPECT_TRUE(bench.run.history.quarantined);
}

TEST(Stray, without_current_a_voltage_in_doubt_is_not_the_cells) {
    Bench bench = under_way(charging());
    bench.give(ChannelFault{FaultKind::lost});
    bench.voltage = 4900_mV;
    bench.run_for(1_min);
    EXPECT_TRUE(bench.tripped_by(GuardId::channel_fault));
    EXPECT_FALSE(bench.run.history.quarantined);
}

TEST(Stray, a_cell_that_a_stuck_output_drains_is_quarantined_at_low_voltage) {
    Bench bench = stuck_on(-(500_mA));
    bench.voltage = 2100_mV;
    bench.run_for(3_s);
    EXPECT_TRUE(bench.tripped_by(GuardId::low_voltage));
    EXPECT_TRUE(bench.run.history.quarantined);
}

TEST(Stray, a_cell_that_a_stuck_output_drains_is_quarantined_at_the_discharge_floor) {
    Bench bench = stuck_on(-(500_mA));
    bench.voltage = 2650_mV;
    bench.run_for(5_s);
    EXPECT_FALSE(bench.run.history.quarantined);
    bench.voltage = 2590_mV;
    bench.run_for(3_s);
    EXPECT_TRUE(bench.tripped_by(GuardId::discharge_floor));
    EXPECT_TRUE(bench.run.history.quarantined);
}

TEST(Stray, a_cell_that_a_stuck_output_charges_in_the_cold_trips_by_charge_temperature) {
    Bench bench = stuck_on();
    bench.temperature = 8_degC;
    bench.run_for(1_min);
    EXPECT_TRUE(bench.tripped_by(GuardId::charge_temperature) || alarms_of(bench, GuardId::charge_temperature) == 1);
}

TEST(Stray, a_current_above_current_max_is_the_cells_in_a_pause_an_ask_and_after_the_run) {
    Protocol asks = charging();
    asks.steps = {ask_step(10_h)};
    Protocol rests = charging();
    rests.steps = {rest_step(10_s)};
    for (const Protocol& p : {charging(), asks, rests}) {
        Bench bench = under_way(p);
        bench.command(CommandKind::pause);
        bench.run_for(3_s);
        bench.current = 1300_mA;
        bench.run_for(5_s);
        EXPECT_TRUE(bench.run.history.quarantined);
        EXPECT_TRUE(bench.tripped_by(GuardId::over_current) || alarms_of(bench, GuardId::over_current) == 1);
    }
}

TEST(Stray, what_a_stuck_output_puts_in_counts_up_to_charge_leg_max) {
    Protocol p = charging();
    p.limits.charge_leg_first = p.limits.charge_leg_later = 500_mAh;
    Bench bench = under_way(p);
    bench.current = 1000_mA;
    bench.mode = StageMode::constant_current;
    bench.command(CommandKind::pause);
    bench.run_for(25_min);
    EXPECT_TRUE(bench.tripped_by(GuardId::leakage));
    bench.run_for(10_min);
    EXPECT_TRUE(bench.tripped_by(GuardId::charge_leg)) << "0.5 Ah are through after 30 min of 1 A";
}

TEST(Stray, the_benchs_caps_hold_for_current_that_nobody_asked_for) {
    Bench bench = stuck_on();
    bench.voltage = 5050_mV;
    bench.step();
    EXPECT_TRUE(bench.tripped_by(GuardId::over_voltage) || bench.tripped_by(GuardId::bench_cap));
    EXPECT_TRUE(bench.run.history.quarantined);
}

TEST(Stray, a_cell_that_reads_above_voltage_max_gets_no_test_current) {
    Bench bench = under_way(charging());
    bench.give(ChannelFault{FaultKind::lost});
    bench.run_for(3_s);
    bench.command(CommandKind::acknowledge);
    ASSERT_EQ(bench.run.state, RunState::waiting);
    bench.voltage = 4260_mV;
    bench.command(CommandKind::resume);
    for (int i = 0; i < 10; ++i) {
        EXPECT_TRUE(is_open(bench.step().demand));
    }
    EXPECT_EQ(bench.run.state, RunState::waiting);
    EXPECT_FALSE(bench.run.history.quarantined) << "its connection is in doubt";
}

TEST(Stray, a_stuck_output_is_told_again_every_five_minutes_until_it_is_seen_open) {
    Bench bench = stuck_on();
    bench.run_for(31_min);
    EXPECT_EQ(bench.count(EventKind::output_stuck), 7);
    bench.current = 0_mA;
    bench.mode = StageMode::open;
    bench.run_for(1_h);
    EXPECT_EQ(bench.count(EventKind::output_stuck), 7);
}

TEST(Acknowledge, of_a_loose_contact_is_refused_while_the_output_is_stuck) {
    Protocol p = charging();
    p.limits.voltage_jump.off = false;
    Bench bench = under_way(p);
    bench.current = 500_mA;
    bench.mode = StageMode::constant_current;
    bench.voltage = 3800_mV;
    bench.run_for(5_s);
    ASSERT_TRUE(bench.tripped_by(GuardId::voltage_jump));
    bench.run_for(1_min);
    bench.command(CommandKind::acknowledge);
    EXPECT_EQ(bench.run.state, RunState::tripped);
    EXPECT_EQ(alarm_state(bench.plan, bench.run, false), AlarmState::unacknowledged);
}

TEST(Group, a_neighbours_heat_that_is_still_there_keeps_the_alarm_up) {
    Bench bench = under_way(charging());
    bench.give(GroupTrip{1});
    bench.run_for(5_s);
    ASSERT_TRUE(bench.tripped_by(GuardId::group));
    EXPECT_EQ(alarm_state(bench.plan, bench.run, true), AlarmState::unacknowledged);
    EXPECT_EQ(alarm_state(bench.plan, bench.run, false), AlarmState::latched_unacknowledged);
}

TEST(Group, heat_that_comes_back_opens_the_neighbours_again) {
    Bench bench = under_way(charging());
    bench.temperature = 55_degC;
    bench.run_for(10_s);
    ASSERT_TRUE(bench.group_tripped);
    bench.group_tripped = false;
    bench.run_for(1_min);
    EXPECT_FALSE(bench.group_tripped) << "once, while it lasts";
    bench.temperature = 30_degC;
    bench.run_for(10_min);
    bench.group_tripped = false;
    bench.temperature = 55_degC;
    bench.run_for(10_s);
    EXPECT_TRUE(bench.group_tripped);
}

// 6 W into 70 J/K, as a short inside would: seconds until the rise is told, whatever the channel's period in a run.
TEST(IdlePersistence, is_time_however_fast_the_channel_was) {
    std::vector<std::int64_t> told;
    for (const Duration period : {1_s, 100_ms, 20_ms}) {
        ChannelTraits traits = ideal_traits();
        traits.period = period;
        traits.settle = 10_ms;
        Protocol p = charging();
        p.steps = {rest_step(10_s)};
        Bench bench{p, formed(), traits};
        bench.period = period;
        bench.voltage = 3600_mV;
        bench.start();
        bench.run_for(20_s);
        ASSERT_EQ(bench.run.state, RunState::done);
        bench.period = 5_s;
        bench.run_for(2_min);
        const Time began = bench.now;
        while (bench.count(EventKind::idle_alarm) == 0 && bench.now - began < 1_h) {
            bench.temperature += Temperature{428};
            bench.step();
        }
        told.push_back((bench.now - began).count / 1'000'000);
    }
    EXPECT_LE(told[0], 150);
    EXPECT_EQ(told[1], told[0]);
    EXPECT_EQ(told[2], told[0]);
}

TEST(Thermometer, one_that_read_fifteen_below_zero_and_comes_back_quarantines_no_sound_cell) {
    for (const Temperature reads : {Temperature{258'150}, 5_degC, Temperature{243'150}}) {
        Bench bench = under_way(charging());
        bench.run_for(5_min);
        const Temperature room = bench.temperature;
        bench.temperature = reads;
        bench.run_for(2_min);
        ASSERT_EQ(bench.run.state, RunState::tripped);
        ASSERT_EQ(bench.run.trip_class, TripClass::channel);
        bench.temperature = room;
        bench.run_for(10_min);
        EXPECT_EQ(bench.run.trip_class, TripClass::channel) << guard_row(bench.run.tripped_by).name;
        EXPECT_FALSE(bench.run.history.quarantined);
        EXPECT_FALSE(bench.group_tripped);
    }
}

TEST(Thermometer, that_comes_back_slowly_from_the_cold_quarantines_no_sound_cell) {
    Bench bench = under_way(charging());
    bench.run_for(5_min);
    bench.temperature = Temperature{258'150};
    bench.run_for(2_min);
    for (int i = 0; i < 60; ++i) {
        bench.temperature += Temperature{667};  // 40 K in a minute
        bench.step();
    }
    bench.run_for(10_min);
    EXPECT_EQ(bench.run.trip_class, TripClass::channel);
    EXPECT_FALSE(bench.run.history.quarantined);
}

TEST(Thermometer, a_glitch_once_a_minute_does_not_blind_the_rise_guard) {
    Bench bench = under_way(resting());
    bench.spoil = [n = 0](Sample& s) mutable {
        if (++n % 50 == 0) {
            s.temperature.value = 49_degC;
        }
    };
    for (int i = 0; i < 300 && bench.run.state == RunState::resting; ++i) {
        bench.temperature += Temperature{50};  // 3 K/min
        bench.step();
    }
    EXPECT_TRUE(bench.tripped_by(GuardId::temperature_rise));
}

TEST(Thermometer, out_of_its_range_after_the_run_is_told_as_implausible_not_as_silent) {
    Bench bench = under_way(charging());
    bench.temperature = 55_degC;
    bench.run_for(10_s);
    ASSERT_TRUE(bench.tripped_by(GuardId::over_temperature));
    bench.temperature = Temperature{397'150};  // 124 degC
    bench.run_for(5_min);
    EXPECT_EQ(alarms_of(bench, GuardId::not_plausible), 1);
    EXPECT_EQ(alarms_of(bench, GuardId::stale), 0);
}

TEST(Ambient, one_spurious_reading_of_the_room_dulls_no_guard) {
    Bench bench{resting(), formed(), with_ambient()};
    bench.voltage = 3600_mV;
    bench.start();
    bench.run_for(2_min);
    bench.ambient = 80_degC;
    bench.step();
    bench.ambient = 25_degC;
    bench.run_for(2_min);
    for (int i = 0; i < 3600 && bench.run.state == RunState::resting; ++i) {
        bench.temperature += Temperature{5};
        bench.step();
    }
    EXPECT_TRUE(bench.tripped_by(GuardId::above_ambient));
    EXPECT_NEAR(celsius(bench.temperature), 40.0, 0.1);
}

TEST(Ambient, a_thermometer_of_the_room_that_is_silent_or_broken_trips_the_channel) {
    Bench silent{resting(), formed(), with_ambient()};
    silent.voltage = 3600_mV;
    silent.start();
    silent.run_for(2_min);
    Bench broken = silent;
    silent.spoil = [](Sample& s) { s.ambient = {}; };
    silent.run_for(5_s);
    EXPECT_TRUE(silent.tripped_by(GuardId::stale));
    broken.ambient = 200_degC;
    broken.run_for(1_min);
    EXPECT_TRUE(broken.tripped_by(GuardId::stale) || broken.tripped_by(GuardId::not_plausible));
}

TEST(Ambient, a_cell_that_stays_hot_when_its_chamber_goes_from_55_to_25_degrees_is_told_within_half_an_hour) {
    Bench bench{resting(), formed(), with_ambient()};
    bench.voltage = 3600_mV;
    bench.start();
    for (int i = 0; i < 1200; ++i) {  // up at 1.2 K/min, the cell with it
        bench.ambient = bench.temperature = Temperature{(25_degC).count + i * 24'000 / 1200};
        bench.step();
    }
    ASSERT_EQ(bench.run.state, RunState::resting);
    const Time began = bench.now;
    while (bench.run.state == RunState::resting && bench.now - began < 3_h) {
        bench.ambient = Temperature{std::max((25_degC).count, bench.ambient.count - 33)};  // 2 K/min
        bench.step();  // the cell stays 24 K warmer than the room
    }
    EXPECT_TRUE(bench.tripped_by(GuardId::above_ambient));
    EXPECT_LE((bench.now - began).count, (40_min).count);
}

TEST(OldReading, delivered_again_ends_no_step_and_arms_no_guard) {
    Protocol p = charging();
    p.cell.state = CellState::pristine;
    Bench bench{p};
    bench.voltage = 240_mV;
    bench.start();
    bench.run_for(5_s);
    ASSERT_EQ(bench.run.state, RunState::forming);
    // One spurious reading at the top, which the instrument then repeats with its old time.
    Sample spurious = bench.sample();
    bench.now = bench.now + 1_s;
    spurious = bench.sample();
    spurious.voltage.value = 4210_mV;
    bench.give(spurious);
    const Reading<Voltage> old = spurious.voltage;
    for (int i = 0; i < 5; ++i) {
        bench.now = bench.now + 200_ms;
        Sample again = bench.sample();
        again.voltage = old;
        bench.give(again);
    }
    EXPECT_FALSE(bench.run.history.armed);
    EXPECT_EQ(bench.run.history.furthest, CellState::pristine);
    EXPECT_EQ(bench.run.guards.fill[index_of(GuardId::over_voltage)].samples, 0);
}

TEST(BenchCap, says_what_was_read_and_what_is_allowed) {
    Bench bench = under_way(charging());
    bench.temperature = Temperature{345'150};
    bench.step();
    ASSERT_TRUE(bench.tripped_by(GuardId::bench_cap));
    EXPECT_EQ(describe(*bench.find(EventKind::tripped), bench.plan),
              "bench_cap: 72 degC is above the 70 degC that the bench allows, in step 1");
}

TEST(Stuck, is_what_a_run_needs_first) {
    Bench bench = stuck_on();
    EXPECT_TRUE(is_stuck(bench.run));
    bench.run_for(1_min);
    EXPECT_TRUE(is_stuck(bench.run));
    bench.current = 0_mA;
    bench.mode = StageMode::open;
    bench.run_for(3_s);
    EXPECT_FALSE(is_stuck(bench.run));
}

}  // namespace
}  // namespace slowfilm::engine::test
