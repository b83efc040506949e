// Wherever a run goes on, the cell must be the one that was there: its voltage says so, and where hands may have been
// on it a person names it.
#include "daemon/engine/connection.hpp"
#include "tests/daemon/engine/harness.hpp"

#include <gtest/gtest.h>

namespace slowfilm::engine::test {
namespace {

void gap(Bench& bench, Duration length) {
    const Time from = bench.now;
    bench.now = bench.now + length;
    bench.give(Gap{from});
}

ConnectionFault last_fault(const Bench& bench) {
    ConnectionFault fault = ConnectionFault::none;
    for (const Event& event : bench.events) {
        if (event.kind == EventKind::connection_failed) {
            fault = static_cast<ConnectionFault>(event.code);
        }
    }
    return fault;
}

Bench charged() {
    return under_way(charging(), 3870_mV);
}

void expect_refused(Bench& bench) {
    bench.command(CommandKind::resume);
    bench.run_for(15_s);
    EXPECT_EQ(bench.run.state, RunState::waiting);
    EXPECT_EQ(last_fault(bench), ConnectionFault::other_cell);
    EXPECT_TRUE(is_open(bench.run.demand));
}

TEST(SameCell, a_cell_that_reads_half_a_volt_less_after_a_gap_gets_no_current) {
    Bench bench = charged();
    gap(bench, 10_min);
    bench.voltage = 3370_mV;
    expect_refused(bench);
    expect_refused(bench);  // asking twice changes nothing
    bench.voltage = 3860_mV;
    bench.command(CommandKind::resume);
    bench.run_for(15_s);
    EXPECT_EQ(bench.run.state, RunState::forming) << "the cell that was there goes on";
}

TEST(SameCell, a_cell_that_reads_half_a_volt_less_after_a_pause_gets_no_current) {
    Bench bench = charged();
    bench.command(CommandKind::pause);
    bench.run_for(5_s);
    bench.voltage = 3370_mV;
    bench.run_for(5_min);
    expect_refused(bench);
}

TEST(SameCell, a_cell_that_reads_half_a_volt_less_after_an_acknowledged_trip_gets_no_current) {
    Bench bench = charged();
    bench.give(ChannelFault{FaultKind::lost});
    ASSERT_EQ(bench.run.state, RunState::tripped);
    bench.run_for(5_s);
    bench.voltage = 3370_mV;
    bench.run_for(5_s);
    bench.command(CommandKind::acknowledge);
    ASSERT_EQ(bench.run.state, RunState::waiting);
    expect_refused(bench);
}

TEST(SameCell, a_gap_that_goes_on_by_itself_compares_where_the_protocol_gives_no_bound) {
    Protocol p = charging();
    p.interruption.then = protocol::AfterInterruption::resume;
    Bench bench = under_way(p, 3870_mV);
    gap(bench, 5_s);
    ASSERT_EQ(bench.run.state, RunState::checking);
    bench.voltage = 3370_mV;
    bench.run_for(15_s);
    EXPECT_EQ(bench.run.state, RunState::waiting);
    EXPECT_EQ(last_fault(bench), ConnectionFault::other_cell);
}

// The cell is out for degassing, the leads read nothing, and somebody pauses and resumes meanwhile.
TEST(SameCell, an_ask_that_asks_again_still_knows_the_cell_from_before_it) {
    Protocol p = charging();
    p.steps = {rest_step(30_s), ask_step(24_h), charge_step(CurrentOrRate{500_mA}, 4200_mV, 14_h)};
    for (const auto& [back, state] : {std::pair{3340_mV, RunState::waiting}, std::pair{3930_mV, RunState::forming}}) {
        Bench bench{p, formed()};
        bench.voltage = 3940_mV;
        bench.start();
        bench.run_for(40_s);
        ASSERT_EQ(bench.run.state, RunState::asking);
        bench.voltage = 0_mV;
        bench.run_for(10_s);
        for (int i = 0; i < 2; ++i) {
            bench.command(CommandKind::pause);
            bench.run_for(10_s);
            bench.command(CommandKind::resume);
            bench.run_for(10_s);
            ASSERT_EQ(bench.run.state, RunState::asking);
        }
        bench.voltage = back;
        bench.run_for(5_s);
        bench.command(CommandKind::confirm);
        bench.run_for(90_s);
        EXPECT_EQ(bench.run.state, state) << back.count;
        EXPECT_EQ(last_fault(bench) == ConnectionFault::other_cell, state == RunState::waiting);
    }
}

TEST(SameCell, a_lead_that_lets_go_is_not_what_the_cell_is_told_by) {
    // No guard of this protocol minds a leap: what is remembered must be the reading before it.
    Bench bench = charged();
    bench.voltage = 3300_mV;
    bench.step();
    bench.give(ChannelFault{FaultKind::lost});
    bench.run_for(5_s);
    EXPECT_NEAR(volts(bench.run.same_cell.voltage), 3.87, 1e-6);
}

struct Relaxed {
    Voltage voltage;
    Current current;
    bool discharged;
    Voltage now;
    bool same;
};

TEST(SameCell, may_relax_as_far_as_cells_do_after_the_current_that_flowed) {
    // Of a 5 Ah cell. 0.25 V against no more than 1C, 0.10 V along with it, an emptied one back to 3.65 V; common
    // practice.
    const Bench bench = charged();
    for (const Relaxed& one :
         {Relaxed{3800_mV, 500_mA, false, 3551_mV, true}, Relaxed{3800_mV, 500_mA, false, 3549_mV, false},
          Relaxed{3800_mV, 500_mA, false, 3899_mV, true}, Relaxed{3800_mV, 500_mA, false, 3901_mV, false},
          Relaxed{3800_mV, 10000_mA, false, 3301_mV, true}, Relaxed{3800_mV, 10000_mA, false, 3299_mV, false},
          Relaxed{3500_mV, -10000_mA, true, 3999_mV, true}, Relaxed{3500_mV, -10000_mA, true, 4001_mV, false},
          Relaxed{3500_mV, {}, true, 3749_mV, true}, Relaxed{3500_mV, {}, true, 3751_mV, false},
          Relaxed{2700_mV, -500_mA, true, 3649_mV, true}, Relaxed{2700_mV, -500_mA, true, 3651_mV, false},
          Relaxed{2000_mV, 100_mA, false, 1500_mV, true}, Relaxed{240_mV, 100_mA, false, 3099_mV, true},
          Relaxed{240_mV, 100_mA, false, 3101_mV, false}}) {
        engine::Run run = bench.run;
        run.same_cell = {.voltage = one.voltage, .current = one.current, .known = true, .discharged = one.discharged};
        EXPECT_EQ(may_be_same_cell(bench.plan, run, one.now), one.same) << one.voltage.count << " " << one.now.count;
    }
}

TEST(SameCell, a_pause_of_seconds_needs_no_name_and_one_of_minutes_does) {
    Bench bench = charged();
    EXPECT_FALSE(cell_in_doubt(bench.plan, bench.run, bench.now)) << "it is under way";
    bench.command(CommandKind::pause);
    bench.run_for(50_s);
    EXPECT_FALSE(cell_in_doubt(bench.plan, bench.run, bench.now));
    bench.run_for(15_s);
    EXPECT_TRUE(cell_in_doubt(bench.plan, bench.run, bench.now));
    bench.command(CommandKind::resume);
    bench.run_for(10_s);
    ASSERT_EQ(bench.run.state, RunState::forming);
    bench.command(CommandKind::pause);
    EXPECT_FALSE(cell_in_doubt(bench.plan, bench.run, bench.now)) << "it has been itself since";
}

TEST(SameCell, a_cell_that_was_out_of_the_fixture_in_a_pause_must_be_named) {
    for (const bool broken : {false, true}) {
        Bench bench = charged();
        bench.command(CommandKind::pause);
        bench.run_for(5_s);
        bench.spoil = [broken](Sample& s) {
            s.voltage.value = broken ? Voltage{} : 3100_mV;
            s.voltage.quality = broken ? Quality::bad : Quality::good;
        };
        bench.step();
        bench.spoil = nullptr;
        bench.run_for(5_s);
        EXPECT_TRUE(cell_in_doubt(bench.plan, bench.run, bench.now)) << broken;
    }
}

TEST(SameCell, after_a_gap_a_trip_and_failed_checks_the_cell_must_be_named_whatever_the_voltage) {
    Bench with_gap = charged();
    gap(with_gap, Duration{});  // the daemon was away for no time that its clock knows
    EXPECT_TRUE(cell_in_doubt(with_gap.plan, with_gap.run, with_gap.now));

    Bench tripped = charged();
    tripped.give(ChannelFault{FaultKind::lost});
    tripped.run_for(5_s);
    EXPECT_FALSE(cell_in_doubt(tripped.plan, tripped.run, tripped.now)) << "it cannot be resumed at all";
    tripped.command(CommandKind::acknowledge);
    EXPECT_TRUE(cell_in_doubt(tripped.plan, tripped.run, tripped.now));

    Bench failed{charging(), formed()};
    failed.voltage = 2000_mV;
    failed.start();
    ASSERT_EQ(failed.run.state, RunState::waiting);
    EXPECT_TRUE(cell_in_doubt(failed.plan, failed.run, failed.now));
}

TEST(SameCell, what_it_is_told_by_comes_back_with_the_state) {
    Bench bench = charged();
    gap(bench, 10_min);
    const auto read = restore(serialise(bench.run));
    ASSERT_TRUE(read);
    EXPECT_EQ(read->same_cell.voltage, bench.run.same_cell.voltage);
    EXPECT_EQ(read->same_cell.current, 500_mA);
    EXPECT_TRUE(read->in_hand);
    EXPECT_EQ(serialise(*read), serialise(bench.run));
}

}  // namespace
}  // namespace slowfilm::engine::test
