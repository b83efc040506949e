// Each guard of the table: a fault that trips, one that rides out, one during a change of demand, one across a pause.
#include "tests/daemon/engine/harness.hpp"

#include <map>

#include <gtest/gtest.h>

namespace slowfilm::engine::test {
namespace {

// How one guard is provoked.
struct Fault {
    GuardId id;
    std::string name;
    std::function<Protocol()> protocol;
    std::function<void(Bench&)> settle;  // before the fault
    std::function<void(Bench&)> cause;   // the fault begins
    std::function<void(Bench&)> cure;    // and ends
    Duration trips_within;               // of the cause
    bool pause_suspends;                 // what it judges cannot happen at open circuit
    ChannelTraits traits = ideal_traits();
};

void at_three_point_six(Bench& bench) {
    bench.voltage = 3600_mV;
}
void at_setpoint(Bench& bench) {
    bench.voltage = 4200_mV;
    bench.current = 450_mA;  // above four times the taper current, below the hold's own limit
}

// low_voltage would find it first.
Protocol driven_over() {
    Protocol p = charging();
    p.limits.low_voltage.trip = Voltage{-150'000'000};
    return p;
}

Protocol watching_jumps() {
    Protocol p = charging();
    p.limits.voltage_jump.off = false;
    return p;
}
ChannelTraits reading_terminals() {
    ChannelTraits traits = ideal_traits();
    traits.reads_terminals = true;
    traits.has_contactor = false;  // or they tell nothing while it is open
    return traits;
}
ChannelTraits reading_ambient() {
    ChannelTraits traits = ideal_traits();
    traits.has_ambient = true;
    traits.temperature_of = TemperatureOf::shelf;  // or the leap itself would be a rise
    return traits;
}

std::vector<Fault> faults() {
    const auto cure_voltage = [](Bench& b) { b.voltage = 3600_mV; };
    const auto cure_current = [](Bench& b) { b.current.reset(); };
    const auto cure_temperature = [](Bench& b) { b.temperature = 25_degC; };
    const auto cure_hold = [](Bench& b) { at_setpoint(b); };
    const auto cure_spoil = [](Bench& b) { b.spoil = nullptr; };
    return {
        {GuardId::over_voltage, "over_voltage", charging, at_three_point_six, [](Bench& b) { b.voltage = 4251_mV; },
         cure_voltage, 2_s, false},
        {GuardId::reversed, "reversed", driven_over, [](Bench& b) { b.voltage = 500_mV; },
         [](Bench& b) { b.voltage = Voltage{-101'000'000}; }, cure_voltage, 2_s, false},
        {GuardId::low_voltage, "low_voltage", charging, [](Bench& b) { b.voltage = 2300_mV; },
         [](Bench& b) { b.voltage = 2199_mV; }, cure_voltage, 2_s, false},
        {GuardId::discharge_floor, "discharge_floor", discharging, [](Bench& b) { b.voltage = 2750_mV; },
         // A fall below the floor would first end the step: it comes while another guard holds the ends.
         [](Bench& b) {
             b.voltage = 2599_mV;
             b.current = -1150_mA;
         },
         [](Bench& b) {
             b.voltage = 3600_mV;
             b.current.reset();
         },
         2_s, true},
        {GuardId::over_current, "over_current", charging, at_three_point_six, [](Bench& b) { b.current = 1201_mA; },
         cure_current, 2_s, true},
        {GuardId::current_error, "current_error", charging, at_three_point_six, [](Bench& b) { b.current = 490_mA; },
         cure_current, 5_s, true},
        {GuardId::hold_error, "hold_error", holding, at_setpoint, [](Bench& b) { b.voltage = 4195_mV; }, cure_hold,
         10_s, true},
        {GuardId::current_lost, "current_lost", holding,
         [](Bench& b) {
             at_setpoint(b);
             b.run_for(20_s);
         },
         [](Bench& b) { b.current = 1_mA; }, cure_hold, 2_s, true},
        {GuardId::leakage, "leakage", resting, at_three_point_six, [](Bench& b) { b.current = 3_mA; }, cure_current,
         2_s, false},
        {GuardId::over_temperature, "over_temperature", charging, at_three_point_six,
         [](Bench& b) { b.temperature = 51_degC; }, cure_temperature, 2_s, false},
        {GuardId::under_temperature, "under_temperature", resting, at_three_point_six,
         [](Bench& b) { b.temperature = Temperature{262'000}; }, cure_temperature, 2_s, false},
        {GuardId::charge_temperature, "charge_temperature", charging, at_three_point_six,
         [](Bench& b) { b.temperature = 46_degC; }, cure_temperature, 2_s, true},
        {GuardId::discharge_temperature, "discharge_temperature",
         [] {
             Protocol p = discharging();
             p.limits.discharge_temperature = {.min = 0_degC, .max = 40_degC, .written = Place{}};
             return p;
         },
         at_three_point_six, [](Bench& b) { b.temperature = 41_degC; }, cure_temperature, 2_s, true},
        {GuardId::not_plausible, "not_plausible", charging, at_three_point_six,
         // Every other reading is bad: fresh enough not to be stale.
         [](Bench& b) {
             b.spoil = [n = 0](Sample& s) mutable {
                 if (n++ % 2 == 0) {
                     s.voltage.quality = Quality::bad;
                     s.voltage.value = Voltage{};
                 }
             };
         },
         cure_spoil, 60_s, false},
        {GuardId::stale, "stale", charging, at_three_point_six,
         [](Bench& b) { b.spoil = [](Sample& s) { s.current = {}; }; }, cure_spoil, 4_s, false},
        {GuardId::voltage_fall, "voltage_fall", charging,
         [](Bench& b) {
             b.voltage = 3600_mV;
             b.run_for(11_min);
         },
         [](Bench& b) { b.voltage = 3549_mV; }, cure_voltage, 62_s, true},
        {GuardId::voltage_jump, "voltage_jump", watching_jumps,
         [](Bench& b) {
             b.voltage = 3600_mV;
             b.run_for(15_s);
         },
         [](Bench& b) { b.voltage = 3651_mV; }, cure_voltage, 2_s, true},
        {GuardId::lead_drop, "lead_drop", charging, at_three_point_six, [](Bench& b) { b.drop = 301_mV; },
         [](Bench& b) { b.drop = Voltage{}; }, 2_s, false, reading_terminals()},
        {GuardId::stuck, "stuck", charging, at_three_point_six, [](Bench& b) { b.frozen = true; },
         [](Bench& b) { b.frozen = false; }, 12_min + 62_s, true},
        {GuardId::above_ambient, "above_ambient", charging,
         [](Bench& b) {
             b.voltage = 3600_mV;
             b.temperature = 39_degC;
         },
         [](Bench& b) { b.temperature = Temperature{313'200}; }, [](Bench& b) { b.temperature = 39_degC; }, 2_s, false,
         reading_ambient()},
    };
}

class EveryGuard : public ::testing::TestWithParam<Fault> {
  protected:
    static Bench ready(const Fault& fault) {
        Bench bench{fault.protocol(), formed(), fault.traits};
        bench.voltage = 3600_mV;
        bench.start();
        fault.settle(bench);
        bench.run_for(30_s);
        EXPECT_EQ(bench.count(EventKind::tripped), 0);
        return bench;
    }
};

TEST_P(EveryGuard, trips_within_its_time_and_opens) {
    Bench bench = ready(GetParam());
    GetParam().cause(bench);
    bench.run_for(GetParam().trips_within);
    EXPECT_TRUE(bench.tripped_by(GetParam().id)) << name(bench.run.state);
    EXPECT_EQ(bench.run.trip_class, guard_row(GetParam().id).trip_class);
}

TEST_P(EveryGuard, a_single_bad_sample_in_ten_rides_out) {
    Bench bench = ready(GetParam());
    for (int i = 0; i < 200; ++i) {
        GetParam().cause(bench);
        bench.step();
        GetParam().cure(bench);
        bench.steps(9);
    }
    EXPECT_EQ(bench.count(EventKind::tripped), 0);
}

TEST_P(EveryGuard, trips_when_the_fault_begins_at_a_change_of_demand) {
    Bench bench{GetParam().protocol(), formed(), GetParam().traits};
    bench.voltage = 3600_mV;
    bench.start();
    GetParam().settle(bench);
    GetParam().cause(bench);
    bench.run_for(GetParam().trips_within + 2_s);
    EXPECT_EQ(bench.run.state, RunState::tripped);
}

TEST_P(EveryGuard, a_fault_across_a_pause_trips_in_it_or_after_it) {
    Bench bench = ready(GetParam());
    bench.command(CommandKind::pause);
    if (GetParam().pause_suspends) {
        bench.current.reset();
        bench.run_for(10_s);
        bench.command(CommandKind::resume);
        bench.run_for(5_s);
        GetParam().settle(bench);
        bench.run_for(30_s);
    }
    GetParam().cause(bench);
    bench.run_for(GetParam().trips_within + 2_s);
    // A cell whose voltage is another's all at once may be in somebody's hands: it is told of, and not blamed.
    const bool of_voltage = GetParam().id == GuardId::over_voltage;
    EXPECT_EQ(bench.run.state, of_voltage ? RunState::paused : RunState::tripped);
    EXPECT_TRUE(!of_voltage || bench.count(EventKind::idle_alarm) > 0);
    EXPECT_TRUE(!of_voltage || !bench.run.history.quarantined);
    EXPECT_TRUE(is_open(bench.run.demand));
}

TEST_P(EveryGuard, no_step_ends_while_it_runs_its_persistence) {
    Bench bench = ready(GetParam());
    GetParam().cause(bench);
    bench.step();
    EXPECT_EQ(bench.count(EventKind::step_ended),
              bench.run.state == RunState::tripped && bench.run.trip_class == TripClass::cell ? 1 : 0);
    EXPECT_NE(bench.run.state, RunState::done);
}

INSTANTIATE_TEST_SUITE_P(Table, EveryGuard, ::testing::ValuesIn(faults()),
                         [](const auto& param_info) { return param_info.param.name; });

TEST(Guards, every_row_of_the_table_is_provoked_somewhere) {
    std::map<GuardId, bool> provoked;
    for (const Fault& fault : faults()) {
        provoked[fault.id] = true;
    }
    // These have tests of their own below, since a sample alone does not provoke them.
    for (const GuardId id :
         {GuardId::temperature_rise, GuardId::climb, GuardId::charge_leg, GuardId::charge_net, GuardId::run_time,
          GuardId::bench_cap, GuardId::channel_fault, GuardId::group, GuardId::record_lost}) {
        provoked[id] = true;
    }
    for (const GuardRow& row : guard_table()) {
        EXPECT_TRUE(provoked[row.id]) << row.name;
    }
}

TEST(Guards, a_pristine_cell_near_zero_volts_does_not_trip_low_voltage) {
    Protocol p = charging();
    p.cell.state = CellState::pristine;
    Bench bench{p};
    bench.voltage = 240_mV;
    bench.start();
    bench.run_for(10_min);
    EXPECT_EQ(bench.run.state, RunState::forming);
}

TEST(Guards, low_voltage_is_armed_by_two_readings_and_then_for_good) {
    Protocol p = charging();
    p.cell.state = CellState::pristine;
    Bench bench{p};
    bench.start();
    bench.voltage = 3600_mV;
    bench.step();
    bench.voltage = 240_mV;
    bench.run_for(10_s);
    EXPECT_FALSE(bench.run.history.armed) << "one spurious reading must not arm it";
    bench.voltage = 3600_mV;
    bench.run_for(5_s);
    EXPECT_TRUE(bench.run.history.armed);
    bench.voltage = 2800_mV;
    bench.step();
    bench.voltage = 2000_mV;
    bench.run_for(3_s);
    EXPECT_TRUE(bench.tripped_by(GuardId::low_voltage));
}

TEST(Guards, a_flickering_fault_trips_all_the_same) {
    Bench bench = under_way(charging());
    for (int i = 0; i < 60 && bench.run.state == RunState::forming; ++i) {
        bench.voltage = i % 2 == 0 ? 4260_mV : 3600_mV;
        bench.step();
    }
    EXPECT_TRUE(bench.tripped_by(GuardId::over_voltage));
}

TEST(Guards, climb_trips_a_cell_whose_voltage_does_not_rise_with_its_charge) {
    Protocol p = charging();
    p.cell.state = CellState::pristine;
    p.limits.climb = {{.by = ChargeOrRatio{8_percent}, .above = 3000_mV}};
    Bench bench{p};
    bench.voltage = 500_mV;
    bench.start();
    bench.run_for(47_min);
    EXPECT_EQ(bench.run.state, RunState::forming);
    bench.run_for(2_min);
    EXPECT_TRUE(bench.tripped_by(GuardId::climb));
    EXPECT_TRUE(bench.run.history.quarantined);
}

TEST(Guards, climb_lets_a_cell_pass_that_rose_in_time_and_fell_back_in_a_rest) {
    Protocol p = charging();
    p.cell.state = CellState::pristine;
    p.limits.climb = {{.by = ChargeOrRatio{8_percent}, .above = 3000_mV}};
    Bench bench{p};
    bench.voltage = 500_mV;
    bench.start();
    bench.run_for(10_min);
    bench.voltage = 3100_mV;
    bench.run_for(10_min);
    bench.command(CommandKind::pause);
    bench.voltage = 2950_mV;
    bench.run_for(1_min);
    bench.command(CommandKind::resume);
    bench.run_for(1_h);
    EXPECT_EQ(bench.run.state, RunState::forming);
}

TEST(Guards, a_first_leg_longer_than_its_cap_trips) {
    Protocol p = charging();
    p.limits.charge_leg_first = ChargeOrRatio{20_percent};
    Bench bench{p, CellHistory{.furthest = CellState::formed, .known = true}};
    bench.voltage = 3600_mV;
    bench.start();
    bench.run_for(2_h - 10_s);
    EXPECT_EQ(bench.run.state, RunState::forming);
    bench.run_for(20_s);
    EXPECT_TRUE(bench.tripped_by(GuardId::charge_leg));
}

TEST(Guards, a_leg_goes_on_across_rests_pauses_and_small_discharges) {
    Protocol p = charging();
    p.limits.charge_leg_first = ChargeOrRatio{20_percent};
    Step some = charge_step(CurrentOrRate{500_mA}, 4200_mV, 14_h);
    some.ends = {.amount = ChargeOrRatio{15_percent}};
    Step little = discharge_step(CurrentOrRate{500_mA}, 2700_mV, 14_h);
    little.ends = {.amount = ChargeOrRatio{5_percent}};
    p.steps = {some, little, some};
    Bench bench{p, CellHistory{.furthest = CellState::formed, .known = true}};
    bench.voltage = 3600_mV;
    bench.start();
    bench.run_for(90_min + 30_min + 31_min);
    EXPECT_TRUE(bench.tripped_by(GuardId::charge_leg));
}

TEST(Guards, a_discharge_of_more_than_a_tenth_begins_a_new_leg) {
    Protocol p = charging();
    p.limits.charge_leg_first = ChargeOrRatio{20_percent};
    p.limits.charge_leg_later = ChargeOrRatio{20_percent};
    Step some = charge_step(CurrentOrRate{500_mA}, 4200_mV, 14_h);
    some.ends = {.amount = ChargeOrRatio{15_percent}};
    Step much = discharge_step(CurrentOrRate{500_mA}, 2700_mV, 14_h);
    much.ends = {.amount = ChargeOrRatio{11_percent}};
    p.steps = {some, much, some};
    Bench bench{p};
    bench.voltage = 3600_mV;
    bench.start();
    bench.run_for(5_h);
    EXPECT_EQ(bench.run.state, RunState::done);
}

TEST(Guards, more_net_charge_than_allowed_trips) {
    Protocol p = charging();
    p.limits.net_max = ChargeOrRatio{10_percent};
    Bench bench{p};
    bench.voltage = 3600_mV;
    bench.start();
    bench.run_for(61_min);
    EXPECT_TRUE(bench.tripped_by(GuardId::charge_net));
}

TEST(Guards, a_cell_that_warms_faster_than_allowed_trips_long_before_the_absolute_limit) {
    Bench bench{charging(), formed()};
    bench.voltage = 3600_mV;
    bench.start();
    bench.run_for(2_min);
    for (int i = 0; i < 240 && bench.run.state == RunState::forming; ++i) {
        bench.temperature += Temperature{50};  // 3 K/min
        bench.step();
    }
    EXPECT_TRUE(bench.tripped_by(GuardId::temperature_rise));
    EXPECT_LT(celsius(bench.temperature), 35.0);
    EXPECT_TRUE(bench.group_tripped) << "heat opens the neighbours";
    bench.run_for(5_min);
    EXPECT_EQ(bench.count(EventKind::tripped), 1) << "said once, though the cell goes on warming";
}

TEST(Guards, a_room_thermometer_that_falls_silent_does_not_switch_the_rise_guard_off) {
    ChannelTraits traits = ideal_traits();
    traits.has_ambient = true;
    Bench bench{charging(), formed(), traits};
    bench.voltage = 3600_mV;
    bool silent = false;
    bench.spoil = [&](Sample& s) {
        if (silent) {
            s.ambient = {};
        }
    };
    bench.start();
    bench.run_for(3_min);
    silent = true;
    bench.run_for(3_min);
    EXPECT_TRUE(bench.tripped_by(GuardId::stale)) << "the loss alone is no rise";
    for (int i = 0; i < 240 && bench.run.trip_class == TripClass::channel; ++i) {
        bench.temperature += Temperature{50};  // 3 K/min
        bench.step();
    }
    EXPECT_TRUE(bench.tripped_by(GuardId::temperature_rise));
}

TEST(Guards, an_ordinary_warming_under_current_rides_out) {
    Bench bench{charging(), formed()};
    bench.voltage = 3600_mV;
    bench.start();
    for (int i = 0; i < 1200; ++i) {
        bench.temperature += Temperature{i % 3 == 0 ? 20 : 0};  // 0.4 K/min
        bench.step();
    }
    EXPECT_EQ(bench.run.state, RunState::forming);
}

TEST(Guards, a_cell_still_warming_ten_minutes_after_the_current_stopped_trips) {
    Bench bench{resting(), formed()};
    bench.voltage = 3600_mV;
    bench.start();
    bench.run_for(10_min);
    for (int i = 0; i < 600 && bench.run.state == RunState::resting; ++i) {
        bench.temperature += Temperature{12};  // 0.7 K/min, under the limit while current flows
        bench.step();
    }
    EXPECT_TRUE(bench.tripped_by(GuardId::temperature_rise));
}

TEST(Guards, a_steady_reading_for_a_day_is_neither_stale_nor_stuck) {
    Bench bench{resting(), formed()};
    bench.voltage = 3600_mV;
    bench.start();
    bench.run_for(23_h);
    EXPECT_EQ(bench.run.state, RunState::resting);
}

TEST(Guards, no_samples_at_all_trip_by_the_clock_alone) {
    Bench bench = under_way(charging());
    for (int i = 0; i < 4; ++i) {
        bench.silence();
    }
    EXPECT_TRUE(bench.tripped_by(GuardId::stale));
}

TEST(Guards, a_repeated_sample_is_not_a_fresh_one) {
    Bench bench = under_way(charging());
    const Sample old = bench.sample();
    for (int i = 0; i < 5 && bench.run.state == RunState::forming; ++i) {
        bench.now = bench.now + 1_s;
        bench.give(Tick{});
        bench.give(old);
    }
    EXPECT_TRUE(bench.tripped_by(GuardId::stale));
}

TEST(Guards, an_open_sensor_that_reads_a_legal_number_is_never_a_cold_or_hot_cell) {
    // Public fault reports: open Pt1000 modules that read 150.0, open NTCs at -20, open Pt100s at -242.02 degC.
    for (const std::int64_t milli : {150'000, -20'001, -242'020, 988'800, -127'000, 2'000'000}) {
        Bench bench{charging(), formed()};
        bench.voltage = 3600_mV;
        bench.start();
        bench.run_for(30_s);
        bench.temperature = Temperature{273'150 + milli};
        bench.run_for(5_s);
        EXPECT_EQ(bench.run.state, RunState::tripped) << milli;
        EXPECT_EQ(bench.run.trip_class, TripClass::channel) << milli;
        EXPECT_FALSE(bench.run.history.quarantined) << milli;
    }
}

TEST(Guards, run_time_trips_a_run_that_outlives_its_bound) {
    Protocol p = resting();
    p.limits.run_time_max = 2_h;
    Bench bench{p, formed()};
    bench.voltage = 3600_mV;
    bench.start();
    bench.run_for(3_h);
    EXPECT_TRUE(bench.tripped_by(GuardId::run_time));
}

TEST(Guards, the_bench_caps_need_no_second_sample) {
    Bench bench{charging(), formed()};
    bench.voltage = 3600_mV;
    bench.start();
    bench.temperature = 71_degC;
    bench.step();
    EXPECT_TRUE(bench.tripped_by(GuardId::bench_cap));
    EXPECT_TRUE(bench.last.trip_group);
}

TEST(Guards, a_channel_fault_and_a_neighbours_heat_trip_and_can_be_acknowledged) {
    for (const InputBody& cause : {InputBody{ChannelFault{FaultKind::rebooted}}, InputBody{GroupTrip{3}}}) {
        Bench bench{charging(), formed()};
        bench.voltage = 3600_mV;
        bench.start();
        bench.give(cause);
        ASSERT_EQ(bench.run.state, RunState::tripped);
        bench.run_for(10_s);
        bench.command(CommandKind::acknowledge);
        EXPECT_EQ(bench.run.state, RunState::waiting);
        EXPECT_TRUE(is_open(bench.run.demand)) << "acknowledge never resumes";
        bench.command(CommandKind::resume);
        bench.run_for(5_s);
        EXPECT_EQ(bench.run.state, RunState::forming);
    }
}

TEST(Guards, a_cell_trip_is_for_good) {
    Bench bench{charging(), formed()};
    bench.voltage = 3600_mV;
    bench.start();
    bench.voltage = 4300_mV;
    bench.run_for(3_s);
    ASSERT_TRUE(bench.tripped_by(GuardId::over_voltage));
    bench.voltage = 3600_mV;
    bench.run_for(1_min);
    bench.command(CommandKind::acknowledge);
    EXPECT_EQ(bench.run.state, RunState::tripped);
    bench.command(CommandKind::resume);
    EXPECT_EQ(bench.run.state, RunState::tripped);
    EXPECT_TRUE(is_open(bench.run.demand));
}

TEST(Guards, a_channel_trip_is_not_acknowledged_while_its_cause_lasts) {
    Bench bench{charging(), formed()};
    bench.voltage = 3600_mV;
    bench.start();
    bench.temperature = 46_degC;
    bench.run_for(3_s);
    ASSERT_TRUE(bench.tripped_by(GuardId::charge_temperature));
    bench.command(CommandKind::acknowledge);
    EXPECT_EQ(bench.run.state, RunState::tripped);
    bench.temperature = 30_degC;
    bench.run_for(3_s);
    bench.command(CommandKind::acknowledge);
    EXPECT_EQ(bench.run.state, RunState::waiting);
}

TEST(Guards, heat_after_a_channel_trip_makes_it_a_cell_trip) {
    Bench bench{charging(), formed()};
    bench.voltage = 3600_mV;
    bench.start();
    bench.give(ChannelFault{FaultKind::lost});
    bench.temperature = 55_degC;
    bench.run_for(3_s);
    EXPECT_TRUE(bench.tripped_by(GuardId::over_temperature));
    EXPECT_TRUE(bench.run.history.quarantined);
}

TEST(Guards, current_that_cannot_be_recorded_does_not_flow) {
    Bench bench{charging(), formed()};
    bench.voltage = 3600_mV;
    bench.start();
    bench.give(RecordLost{});
    EXPECT_EQ(bench.run.state, RunState::waiting);
    EXPECT_TRUE(is_open(bench.run.demand));
}

TEST(Guards, a_warning_is_said_once_until_it_has_gone) {
    Protocol p = charging();
    p.limits.temperature_max.warn = 40_degC;
    Bench bench{p, formed()};
    bench.voltage = 3600_mV;
    bench.start();
    bench.temperature = 41_degC;
    bench.run_for(1_min);
    EXPECT_EQ(bench.count(EventKind::warned), 1);
    bench.temperature = 30_degC;
    bench.run_for(10_s);
    bench.temperature = 42_degC;
    bench.run_for(10_s);
    EXPECT_EQ(bench.count(EventKind::warned), 2);
    EXPECT_EQ(bench.run.state, RunState::forming);
}

TEST(Guards, a_stage_at_its_ceiling_is_not_off_its_demand) {
    Bench bench = under_way(charging());
    bench.mode = StageMode::at_ceiling;
    bench.voltage = 4199_mV;
    bench.current = 300_mA;
    bench.step();
    EXPECT_EQ(bench.run.state, RunState::done) << "its ceiling lies within the end margin: the voltage is reached";
}

}  // namespace
}  // namespace slowfilm::engine::test
