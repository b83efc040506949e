// The small test current before any other: what it must find, what it must not take for a fault, what it may never do.
#include "daemon/engine/connection.hpp"

#include "tests/daemon/engine/harness.hpp"

#include <gtest/gtest.h>

namespace slowfilm::engine::test {
namespace {

Protocol of(CellState state) {
    Protocol p = charging();
    p.cell.state = state;
    return p;
}

Voltage at_rest(CellState state) {
    switch (state) {
        case CellState::pristine: return 240_mV;
        case CellState::tapped: return 2500_mV;
        case CellState::formed: return 3600_mV;
    }
    return {};
}

// Up to where the test current flows.
Bench driven(const Protocol& p, Voltage voltage, const ChannelTraits& traits = ideal_traits()) {
    Bench bench{p, {}, traits};
    bench.voltage = voltage;
    bench.command(CommandKind::start);
    for (int i = 0; i < 10 && is_open(bench.run.demand); ++i) {
        bench.step();
    }
    EXPECT_EQ(bench.run.test.phase, TestPhase::driven);
    return bench;
}

DriveCurrent drive_of(const Bench& bench) {
    return std::get<DriveCurrent>(bench.run.demand);
}

ConnectionFault fault_of(const Bench& bench) {
    const auto event = bench.find(EventKind::connection_failed);
    return event ? static_cast<ConnectionFault>(event->code) : ConnectionFault::none;
}

// Runs the checks of a cell whose voltage moves by `up` while the test current flows, and stays off by `stays` after
// it.
Bench checked(CellState state, Voltage up, Voltage stays = {}) {
    Bench bench{of(state)};
    bench.voltage = at_rest(state);
    bench.resistance = Resistance{};
    bool was_driven = false;
    bench.spoil = [&bench, &was_driven, up, stays](Sample& s) {
        const bool now = !is_open(bench.run.applied) && bench.run.state == RunState::checking;
        was_driven = was_driven || now;
        s.voltage.value += now ? up : was_driven ? stays : Voltage{};
    };
    bench.start();
    bench.spoil = nullptr;
    return bench;
}

class EachState : public ::testing::TestWithParam<CellState> {};
INSTANTIATE_TEST_SUITE_P(Cells, EachState,
                         ::testing::Values(CellState::pristine, CellState::tapped, CellState::formed));

TEST_P(EachState, a_sound_connection_passes) {
    Bench bench{of(GetParam())};
    bench.voltage = at_rest(GetParam());
    bench.start();
    EXPECT_EQ(bench.run.state, RunState::forming);
    EXPECT_EQ(bench.count(EventKind::connection_good), 1);
}

TEST_P(EachState, its_current_waits_for_the_record_as_any_first_current_does) {
    const Bench bench = driven(of(GetParam()), at_rest(GetParam()));
    EXPECT_FALSE(is_open(bench.run.demand));
    Bench again{of(GetParam())};
    again.voltage = at_rest(GetParam());
    again.grants = false;
    again.command(CommandKind::start);
    again.steps(3);
    EXPECT_TRUE(again.last.wants_test);
    EXPECT_TRUE(again.give(TestGrant{}).record_first);
}

TEST_P(EachState, its_charge_counts) {
    Bench bench{of(GetParam())};
    bench.voltage = at_rest(GetParam());
    bench.start();
    EXPECT_NE(bench.run.net.whole, Charge{});
}

TEST_P(EachState, no_answer_in_the_voltage_is_found) {
    const Bench bench = checked(GetParam(), Voltage{});
    EXPECT_EQ(fault_of(bench), ConnectionFault::no_response);
    EXPECT_EQ(bench.run.state, RunState::waiting);
    EXPECT_EQ(bench.run.wait, WaitReason::connection);
    EXPECT_TRUE(is_open(bench.run.demand));
}

TEST_P(EachState, a_voltage_that_goes_on_after_the_current_is_found) {
    const Voltage up = GetParam() == CellState::formed ? -(10_mV) : 10_mV;
    const Bench bench = checked(GetParam(), up, up * 2);
    EXPECT_EQ(fault_of(bench), ConnectionFault::not_back);
}

TEST_P(EachState, a_tenth_of_a_millivolt_of_noise_is_neither_an_answer_nor_a_fault) {
    for (const std::int64_t microvolts : {-100, 100}) {
        EXPECT_EQ(fault_of(checked(GetParam(), Voltage{microvolts * 1'000})), ConnectionFault::no_response);
    }
    Bench bench{of(GetParam())};
    bench.voltage = at_rest(GetParam());
    bench.spoil = [n = 0](Sample& s) mutable { s.voltage.value += Voltage{++n % 2 == 0 ? 100'000 : -100'000}; };
    bench.start();
    EXPECT_EQ(bench.run.state, RunState::forming);
}

TEST_P(EachState, a_trip_a_pause_and_a_gap_under_the_test_current_open_and_free_the_group) {
    for (const InputBody& body :
         {InputBody{Command{CommandKind::pause}}, InputBody{Command{CommandKind::stop}},
          InputBody{ChannelFault{FaultKind::lost}}, InputBody{GroupTrip{2}}, InputBody{RecordLost{}}}) {
        Bench bench = driven(of(GetParam()), at_rest(GetParam()));
        const Decision decision = bench.give(body);
        EXPECT_TRUE(is_open(decision.demand));
        EXPECT_TRUE(decision.test_over);
        EXPECT_EQ(bench.run.test.phase, TestPhase::none);
    }
}

// "Never": a pristine cell is only ever charged, with no more than C/50 for 1 s moves.
TEST(Connection, a_pristine_cell_is_never_given_more_than_a_fiftieth_c_for_a_second) {
    for (const Duration period : {100_ms, 500_ms, 1_s, 5_s, 10_s}) {
        ChannelTraits traits = ideal_traits();
        traits.period = period;
        traits.settle = period;
        traits.voltage_accuracy = 100_uV;
        Bench bench{of(CellState::pristine), {}, traits};
        bench.period = period;
        bench.resistance = Resistance{2'000'000'000};
        bench.command(CommandKind::start);
        Charge most;
        for (int i = 0; i < 40 && bench.run.state == RunState::checking; ++i) {
            bench.step();
            if (!is_open(bench.run.demand) && bench.run.state == RunState::checking) {
                EXPECT_GT(drive_of(bench).current.count, 0);
                EXPECT_LE(drive_of(bench).current, 100_mA);
            }
            most = std::max(most, bench.run.net.whole);
        }
        EXPECT_EQ(bench.run.state, RunState::forming) << period.count;
        EXPECT_GT(most.count, 0);
        EXPECT_LE(most, (5000_mAh) / 50 / 3600) << period.count;
    }
}

TEST(Connection, a_pristine_cells_test_ends_by_the_clock_though_no_sample_comes) {
    Bench bench = driven(of(CellState::pristine), 240_mV);
    bench.silence();
    bench.silence();
    bench.silence();
    EXPECT_TRUE(is_open(bench.run.demand));
    EXPECT_EQ(fault_of(bench), ConnectionFault::no_reading);
}

TEST(Connection, a_pristine_cells_resistance_is_never_judged) {
    Protocol p = of(CellState::pristine);
    p.start.resistance = {.min = Resistance{1}, .max = Resistance{2}};
    Bench bench{p};
    bench.start();
    EXPECT_EQ(bench.run.state, RunState::forming);
}

TEST(Connection, a_pristine_cell_need_not_come_all_the_way_back) {
    const Bench bench = checked(CellState::pristine, 12_mV, 11_mV);
    EXPECT_EQ(fault_of(bench), ConnectionFault::none);
    EXPECT_EQ(bench.run.state, RunState::forming);
}

TEST(Connection, a_voltage_that_moves_the_wrong_way_is_found) {
    EXPECT_EQ(fault_of(checked(CellState::pristine, -(5_mV))), ConnectionFault::wrong_direction);
    EXPECT_EQ(fault_of(checked(CellState::tapped, -(5_mV))), ConnectionFault::wrong_direction);
    EXPECT_EQ(fault_of(checked(CellState::formed, 5_mV)), ConnectionFault::wrong_direction) << "it is discharged";
}

TEST(Connection, a_formed_cell_is_always_driven_away_from_the_nearer_end_of_its_window) {
    EXPECT_LT(drive_of(driven(of(CellState::formed), 4150_mV)).current.count, 0);
    EXPECT_GT(drive_of(driven(of(CellState::formed), 2800_mV)).current.count, 0);
    EXPECT_LT(drive_of(driven(of(CellState::formed), 3500_mV)).current.count, 0);
    EXPECT_GT(drive_of(driven(of(CellState::formed), 3400_mV)).current.count, 0);
}

TEST(Connection, the_test_current_always_keeps_within_the_window_and_the_limits) {
    for (const Voltage voltage : {2650_mV, 2800_mV, 3600_mV, 4199_mV}) {
        const Bench bench = driven(of(CellState::formed), voltage);
        const DriveCurrent drive = drive_of(bench);
        EXPECT_LE(drive.ceiling, 4200_mV);
        EXPECT_LE(magnitude(drive.current), 600_mA) << "half of current_max at most";
        if (drive.current.count < 0) {
            EXPECT_GE(drive.floor, 2700_mV);
        }
    }
}

TEST(Connection, a_supply_that_cannot_sink_charges_where_there_is_room_and_else_passes_the_test_over) {
    ChannelTraits traits = ideal_traits();
    traits.sink_max = Current{};
    EXPECT_GT(drive_of(driven(of(CellState::formed), 4100_mV, traits)).current.count, 0);
    Bench full{of(CellState::formed), {}, traits};
    full.voltage = 4190_mV;
    full.command(CommandKind::start);
    full.steps(3);
    EXPECT_EQ(full.run.state, RunState::forming);
    EXPECT_EQ(full.count(EventKind::connection_good), 1);
}

TEST(Connection, resistance_is_the_step_of_voltage_over_the_step_of_current) {
    // 20 mV at 0.5 A is 40 mOhm. By hand.
    for (const auto& [low, high, fault] : {std::tuple{39'000'000, 41'000'000, ConnectionFault::none},
                                           std::tuple{41'000'000, 90'000'000, ConnectionFault::resistance_low},
                                           std::tuple{10'000'000, 39'000'000, ConnectionFault::resistance_high}}) {
        Protocol p = of(CellState::formed);
        p.start.resistance = {.min = Resistance{low}, .max = Resistance{high}};
        Bench bench{p};
        bench.voltage = 3600_mV;
        bench.resistance = Resistance{40'000'000};
        bench.start();
        EXPECT_EQ(fault_of(bench), fault);
    }
    Protocol one_bound = of(CellState::formed);
    one_bound.start.resistance.max = Resistance{39'000'000};
    Bench bench{one_bound};
    bench.voltage = 3600_mV;
    bench.resistance = Resistance{40'000'000};
    bench.start();
    EXPECT_EQ(fault_of(bench), ConnectionFault::resistance_high);
    EXPECT_EQ(bench.find(EventKind::connection_failed)->value, 40'000'000);
}

TEST(Connection, a_cell_whose_voltage_still_relaxes_is_not_taken_for_another) {
    Protocol p = of(CellState::formed);
    p.start.resistance = {.min = Resistance{25'000'000}, .max = Resistance{35'000'000}};
    for (const std::int64_t per_second : {-2'000'000, 2'000'000}) {
        Bench bench{p};
        bench.voltage = 3600_mV;
        bench.spoil = [&bench, per_second](Sample& s) {
            s.voltage.value += Voltage{per_second * (bench.now.count / 1'000'000)};
        };
        bench.start();
        EXPECT_EQ(bench.run.state, RunState::forming) << per_second;
    }
}

TEST(Connection, the_guards_are_on_while_the_test_current_flows) {
    const auto trips = [](GuardId id, const std::function<void(Bench&)>& cause) {
        ChannelTraits traits = ideal_traits();
        traits.settle = 5_s;  // long enough for two samples
        Bench bench = driven(of(CellState::formed), 3600_mV, traits);
        cause(bench);
        bench.run_for(3_s);
        EXPECT_TRUE(bench.tripped_by(id)) << guard_row(id).name;
    };
    trips(GuardId::over_voltage, [](Bench& b) { b.voltage = 4300_mV; });
    trips(GuardId::over_current, [](Bench& b) { b.current = 1300_mA; });
    trips(GuardId::over_temperature, [](Bench& b) { b.temperature = 55_degC; });
}

TEST(Connection, waits_for_the_group_as_long_as_it_takes_and_asks_once) {
    Bench bench{of(CellState::formed)};
    bench.voltage = 3600_mV;
    bench.grants = false;
    bench.command(CommandKind::start);
    int asked = 0;
    for (int i = 0; i < 3600; ++i) {
        asked += bench.step().wants_test ? 1 : 0;
    }
    EXPECT_EQ(asked, 1);
    EXPECT_EQ(bench.run.state, RunState::checking);
    EXPECT_TRUE(is_open(bench.run.demand)) << "no current before it is granted";
    bench.give(TestGrant{});
    bench.run_for(5_s);
    EXPECT_EQ(bench.run.state, RunState::forming);
}

TEST(Connection, readings_are_judged_while_it_waits_for_the_group) {
    const auto waiting = [] {
        Bench bench{of(CellState::formed)};
        bench.voltage = 3600_mV;
        bench.grants = false;
        bench.command(CommandKind::start);
        bench.run_for(1_min);
        return bench;
    };
    Bench pulled = waiting();
    pulled.voltage = 0_mV;
    pulled.run_for(2_s);
    EXPECT_EQ(fault_of(pulled), ConnectionFault::below_start_window);
    EXPECT_TRUE(pulled.last.test_over) << "its place in the group is free";
    Bench silent = waiting();
    for (int i = 0; i < 30 && silent.run.state == RunState::checking; ++i) {
        silent.silence();
    }
    EXPECT_EQ(fault_of(silent), ConnectionFault::no_reading);
}

TEST(Connection, a_grant_that_nobody_waits_for_starts_nothing_and_is_given_back) {
    Bench bench{of(CellState::formed)};
    bench.voltage = 3600_mV;
    bench.start();
    const Demand before = bench.run.demand;
    EXPECT_TRUE(bench.give(TestGrant{}).test_over);
    EXPECT_EQ(bench.run.demand, before);
}

TEST(Connection, a_voltage_that_moved_elsewhere_means_crossed_leads_and_no_current) {
    for (const int later : {0, 1, 2, 30}) {
        Bench bench = driven(of(CellState::formed), 3600_mV);
        bench.steps(later);
        bench.give(Crossed{4});
        EXPECT_EQ(fault_of(bench), ConnectionFault::crossed) << later;
        EXPECT_EQ(bench.find(EventKind::connection_failed)->value, 4);
        EXPECT_EQ(bench.run.state, RunState::waiting);
        EXPECT_TRUE(is_open(bench.run.demand));
        EXPECT_FALSE(bench.run.history.quarantined);
    }
}

TEST(Connection, thermometers_that_disagree_at_rest_are_found_at_the_start_alone) {
    ChannelTraits traits = ideal_traits();
    traits.has_ambient = true;
    Bench bench{of(CellState::formed), {}, traits};
    bench.voltage = 3600_mV;
    bench.temperature = Temperature{(25_degC).count + 2'001};
    bench.start();
    EXPECT_EQ(fault_of(bench), ConnectionFault::sensors_disagree);
    Bench later{of(CellState::formed), {}, traits};
    later.voltage = 3600_mV;
    later.start();
    later.temperature = 30_degC;
    later.run_for(5_s);
    later.command(CommandKind::pause);
    later.command(CommandKind::resume);
    later.run_for(8_s);
    EXPECT_EQ(later.run.state, RunState::forming) << "a cell is warm from its own current";
}

TEST(Connection, a_room_without_a_reading_is_no_agreement) {
    ChannelTraits traits = ideal_traits();
    traits.has_ambient = true;
    Bench bench{of(CellState::formed), {}, traits};
    bench.voltage = 3600_mV;
    bench.spoil = [](Sample& s) { s.ambient.quality = Quality::bad; };
    bench.start();
    bench.run_for(30_s);
    EXPECT_EQ(fault_of(bench), ConnectionFault::no_reading);
}

struct SameCell {
    Voltage before, after;
    ConnectionFault fault;
};

TEST(Connection, after_an_ask_only_the_cell_that_was_there_passes) {
    // 0.25 V down, 0.10 V up: common practice.
    for (const SameCell& one :
         {SameCell{3600_mV, 3351_mV, ConnectionFault::none}, SameCell{3600_mV, 3349_mV, ConnectionFault::other_cell},
          SameCell{3600_mV, 3699_mV, ConnectionFault::none}, SameCell{3600_mV, 3701_mV, ConnectionFault::other_cell},
          SameCell{2500_mV, 2100_mV, ConnectionFault::below_start_window}}) {
        Bench bench{of(CellState::formed), formed()};
        bench.voltage = 3600_mV;
        bench.start();
        bench.command(CommandKind::pause);
        bench.run_for(5_s);
        bench.run.same_cell = {.voltage = one.before, .known = true};
        bench.run.state = RunState::checking;
        start_checks(bench.run, StartWindow::same_cell, bench.now);
        bench.voltage = one.after;
        bench.run_for(8_s);
        EXPECT_EQ(fault_of(bench), one.fault) << one.after.count;
    }
}

TEST(Connection, a_test_is_the_same_fold_after_its_state_was_written_and_read) {
    Bench bench = driven(of(CellState::formed), 3600_mV);
    const auto read = restore(serialise(bench.run));
    ASSERT_TRUE(read);
    Bench other = bench;
    other.run = *read;
    bench.run_for(5_s);
    other.run_for(5_s);
    EXPECT_EQ(serialise(bench.run), serialise(other.run));
    EXPECT_EQ(other.run.state, RunState::forming);
}

}  // namespace
}  // namespace slowfilm::engine::test
