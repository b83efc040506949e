// A sense lead that lifts, or a contact that lets go, is the wiring's: it trips the channel and quarantines no cell. A
// cell that really falls is still its own.
#include "tests/daemon/engine/harness.hpp"

#include <gtest/gtest.h>

namespace slowfilm::engine::test {
namespace {

constexpr Voltage lifted = 0_mV;

Protocol with_jumps(Protocol p) {
    p.limits.voltage_jump.off = false;
    return p;
}

ChannelTraits reading_terminals() {
    ChannelTraits traits = ideal_traits();
    traits.reads_terminals = true;
    return traits;
}

void expect_channel_trip(const Bench& bench, GuardId id) {
    EXPECT_TRUE(bench.tripped_by(id)) << name(bench.run.state) << ", " << guard_row(bench.run.tripped_by).name;
    EXPECT_EQ(bench.run.trip_class, TripClass::channel);
    EXPECT_FALSE(bench.run.history.quarantined);
}

TEST(LiftedLead, in_any_step_trips_the_channel_within_two_samples_and_quarantines_no_cell) {
    for (const Protocol& p : {charging(), discharging(), resting(), holding()}) {
        for (const bool jumps : {false, true}) {
            Bench bench = under_way(jumps ? with_jumps(p) : p);
            bench.voltage = lifted;
            bench.run_for(2_s);
            expect_channel_trip(bench, GuardId::voltage_jump);
            bench.run_for(10_min);
            EXPECT_FALSE(bench.run.history.quarantined);
            EXPECT_EQ(bench.count(EventKind::idle_alarm), 0);
        }
    }
}

TEST(LiftedLead, says_what_was_read_and_where_to_look) {
    Bench bench = under_way(charging());
    bench.voltage = lifted;
    bench.run_for(2_s);
    EXPECT_EQ(
        describe(*bench.find(EventKind::tripped), bench.plan),
        "voltage_jump: the voltage went 3.6 V off between two readings, more than 1 V, as no demand or cell would "
        "move it; look at the sense leads and contacts, in step 1");
}

TEST(LiftedLead, that_reads_a_little_below_zero_is_no_reversed_cell) {
    Bench bench = under_way(charging());
    bench.voltage = Voltage{-300'000'000};
    bench.run_for(2_s);
    expect_channel_trip(bench, GuardId::voltage_jump);
}

TEST(LiftedLead, where_the_terminals_are_read_is_the_wirings_however_slowly_it_discharges) {
    Bench bench = under_way(charging(), 3600_mV, reading_terminals());
    for (int i = 0; i < 20 && bench.run.state == RunState::forming; ++i) {
        bench.voltage -= 200_mV;
        bench.drop += 200_mV;
        bench.step();
    }
    expect_channel_trip(bench, GuardId::lead_drop);
}

TEST(LiftedLead, with_a_lead_drop_that_persists_longer_than_low_voltage_is_the_wirings_all_the_same) {
    Protocol p = charging();
    p.limits.lead_drop.persistence = 30_s;
    Bench bench = under_way(p, 3600_mV, reading_terminals());
    for (int i = 0; i < 20 && bench.run.state == RunState::forming; ++i) {
        bench.voltage -= 200_mV;
        bench.drop += 200_mV;
        bench.step();
    }
    expect_channel_trip(bench, GuardId::lead_drop);
}

TEST(LiftedLead, in_a_pause_blames_no_cell) {
    for (const Duration into : {2_s, 20_s, 2_min}) {
        for (const Protocol& p : {charging(), with_jumps(charging())}) {
            Bench bench = under_way(p);
            bench.command(CommandKind::pause);
            bench.run_for(into);
            bench.voltage = lifted;
            bench.run_for(1_min);
            EXPECT_FALSE(bench.run.history.quarantined);
            EXPECT_TRUE(bench.run.state == RunState::paused || bench.run.trip_class == TripClass::channel);
            EXPECT_GT(bench.count(EventKind::idle_alarm) + bench.count(EventKind::tripped), 0) << "it is told";
        }
    }
}

TEST(LiftedLead, that_comes_and_goes_is_the_wirings) {
    Bench bench = under_way(charging());
    for (int i = 0; i < 60 && bench.run.state == RunState::forming; ++i) {
        bench.voltage = i % 2 == 0 ? lifted : 3600_mV;
        bench.step();
    }
    expect_channel_trip(bench, GuardId::voltage_jump);
}

TEST(LiftedLead, exactly_when_a_charge_begins_trips_within_two_samples_also_of_a_cell_that_was_never_high) {
    for (const Voltage before : {2900_mV, 240_mV}) {
        Protocol p = with_jumps(charging());
        p.cell.state = before > 1000_mV ? CellState::formed : CellState::pristine;
        p.steps.insert(p.steps.begin(), rest_step(20_s));
        Bench bench{p};
        bench.voltage = before;
        bench.start();
        while (bench.run.state == RunState::resting) {
            bench.step();
        }
        ASSERT_EQ(bench.run.state, RunState::forming);
        ASSERT_FALSE(bench.run.history.armed);
        bench.voltage = lifted;
        bench.run_for(2_s);
        expect_channel_trip(bench, GuardId::voltage_jump);
    }
}

TEST(LiftedLead, that_reads_high_when_a_discharge_begins_trips_within_two_samples) {
    Protocol p = with_jumps(discharging());
    p.steps.insert(p.steps.begin(), rest_step(20_s));
    Bench bench = under_way(p);
    while (bench.run.state == RunState::resting) {
        bench.step();
    }
    bench.voltage = 3700_mV;
    bench.run_for(2_s);
    expect_channel_trip(bench, GuardId::voltage_jump);
}

TEST(LiftedLead, exactly_when_a_rest_begins_trips_within_two_samples) {
    Protocol p = with_jumps(charging());
    p.steps[0].ends = {.time = 60_s};
    p.steps.push_back(rest_step(1_h));
    Bench bench{p};
    bench.voltage = 2900_mV;
    bench.start();
    while (bench.run.state == RunState::forming) {
        bench.step();
    }
    ASSERT_EQ(bench.run.state, RunState::resting);
    ASSERT_FALSE(bench.run.history.armed);
    bench.voltage = lifted;
    bench.run_for(2_s);
    expect_channel_trip(bench, GuardId::voltage_jump);
}

TEST(Settling, what_a_demand_does_to_a_sound_cell_is_no_jump) {
    // 100 mohm: charge, rest, discharge, rest, charge more, charge less; the cell relaxes by 30 mV a second after each.
    Protocol p = with_jumps(charging());
    const auto some = [](Step s) {
        s.ends = {.time = 30_s};
        return s;
    };
    p.steps = {some(charge_step(CurrentOrRate{1000_mA}, 4200_mV, 1_h)),
               rest_step(30_s),
               some(discharge_step(CurrentOrRate{1000_mA}, 2700_mV, 1_h)),
               rest_step(30_s),
               some(charge_step(CurrentOrRate{500_mA}, 4200_mV, 1_h)),
               some(charge_step(CurrentOrRate{1000_mA}, 4200_mV, 1_h)),
               some(charge_step(CurrentOrRate{100_mA}, 4200_mV, 1_h)),
               rest_step(30_s)};
    Bench bench{p, formed()};
    bench.voltage = 3600_mV;
    bench.start();
    for (int i = 0; i < 600 && bench.run.state != RunState::done; ++i) {
        const Voltage to = 3600_mV + Voltage{bench.flowing().count / 5};  // half of it at once
        const Voltage apart = to - bench.voltage;
        bench.voltage += magnitude(apart) > 60_mV
                             ? apart / 2
                             : Voltage{std::clamp(apart.count, std::int64_t{-30'000'000}, std::int64_t{30'000'000})};
        bench.step();
    }
    EXPECT_EQ(bench.run.state, RunState::done) << name(bench.run.state);
}

TEST(Settling, one_spurious_reading_right_after_a_demand_rides_out) {
    for (const Voltage spurious : {lifted, 3700_mV, 4240_mV}) {
        Protocol p = with_jumps(charging());
        p.steps.insert(p.steps.begin(), rest_step(20_s));
        Bench bench = under_way(p);
        while (bench.run.state == RunState::resting) {
            bench.step();
        }
        bench.run_for(3_s);
        bench.voltage = spurious;
        bench.step();
        bench.voltage = 3600_mV;
        bench.run_for(1_min);
        EXPECT_EQ(bench.run.state, RunState::forming);
    }
}

TEST(RealShort, that_takes_the_voltage_down_within_seconds_quarantines) {
    for (const Voltage each_second : {40_mV, 200_mV, 600_mV}) {
        for (const Protocol& p : {charging(), resting()}) {
            Bench bench = under_way(p);
            for (int i = 0; i < 60 && bench.run.state != RunState::tripped; ++i) {
                bench.voltage -= each_second;
                bench.step();
            }
            EXPECT_TRUE(bench.tripped_by(GuardId::low_voltage)) << print(each_second);
            EXPECT_TRUE(bench.run.history.quarantined);
        }
    }
}

TEST(RealShort, whose_voltage_falls_below_no_jump_quarantines_with_the_jump_guard_on) {
    Bench bench = under_way(with_jumps(resting()));
    for (int i = 0; i < 60 && bench.run.state != RunState::tripped; ++i) {
        bench.voltage -= 40_mV;
        bench.step();
    }
    EXPECT_TRUE(bench.tripped_by(GuardId::low_voltage));
}

// 3.6 V over 50 mohm are 130 W in a cell of 70 J/K: 1.9 K/s.
TEST(RealShort, a_dead_one_opens_at_once_and_its_heat_quarantines_within_twenty_seconds) {
    Bench bench = under_way(charging());
    bench.voltage = 1000_mV;
    bench.run_for(2_s);
    EXPECT_EQ(bench.run.state, RunState::tripped);
    EXPECT_TRUE(is_open(bench.run.demand));
    int seconds = 0;
    while (!bench.run.history.quarantined && seconds < 60) {
        bench.temperature += Temperature{1'900};
        bench.step();
        ++seconds;
    }
    EXPECT_TRUE(bench.tripped_by(GuardId::over_temperature));
    EXPECT_LE(seconds, 20);
}

}  // namespace
}  // namespace slowfilm::engine::test
