// One small test for each thing that the language's rules say never or always happens in a run, named by it; those of
// guards, trips and connection checks stand in safety_test.cpp.
#include "tests/daemon/engine/harness.hpp"

#include <gtest/gtest.h>

namespace slowfilm::engine::test {
namespace {

Bench under_way(const Protocol& p, Voltage voltage = 3600_mV) {
    Bench bench{p, formed()};
    bench.voltage = voltage;
    bench.start();
    bench.steps(5);
    EXPECT_EQ(bench.count(EventKind::tripped), 0);
    return bench;
}

TEST(Sentences, a_fault_never_passes_for_an_end) {
    Protocol p = charging();
    p.limits.temperature_max.persistence = 10_s;
    p.steps.push_back(rest_step(1_h));
    Bench bench = under_way(p);
    bench.temperature = 51_degC;
    bench.steps(2);
    bench.voltage = 4200_mV;  // the end, while a guard is running its persistence
    bench.steps(3);
    EXPECT_EQ(bench.run.step, 0);
    bench.run_for(10_s);
    EXPECT_TRUE(bench.tripped_by(GuardId::over_temperature));
    EXPECT_EQ(bench.run.last_visit.ended_by, EndReason::tripped);
}

TEST(Sentences, both_ends_of_every_step_are_always_kept) {
    Protocol p = resting();
    p.steps = {rest_step(1_min), rest_step(1_min), rest_step(1_min)};
    p.keep.every = 10_h;
    Bench bench{p, formed()};
    bench.voltage = 3600_mV;
    bench.command(CommandKind::start);
    int begun = 0;
    int ended = 0;
    const auto look = [&](const Decision& decision) {
        for (const Event& event : decision.all_events()) {
            if (event.kind == EventKind::step_ended) {
                ++ended;
                EXPECT_TRUE(decision.keep) << "the last sample of a step";
            }
            begun += event.kind == EventKind::step_began && decision.keep ? 1 : 0;
        }
    };
    for (int i = 0; i < 300; ++i) {
        bench.now = bench.now + bench.period;
        look(bench.give(Tick{}));
        look(bench.give(bench.sample()));
    }
    EXPECT_EQ(ended, 3);
    EXPECT_GE(begun, 2) << "a step that follows another begins with the sample that ended it";
}

TEST(Sentences, guards_always_go_by_the_rated_capacity) {
    CellHistory large = formed();
    large.measured = 7000_mAh;
    const Protocol p = charging();
    Bench rated{p, formed()};
    Bench measured{p, large};
    for (std::size_t i = 0; i < guard_count; ++i) {
        EXPECT_EQ(rated.plan.guards[i].trip, measured.plan.guards[i].trip);
    }
    EXPECT_EQ(rated.plan.climb.size(), measured.plan.climb.size());
}

TEST(Sentences, waiting_for_people_is_never_bounded_by_run_time_max) {
    Protocol p = resting();
    p.limits.run_time_max = 30_h;
    Bench bench = under_way(p);
    bench.command(CommandKind::pause);
    bench.run_for(40_h);
    EXPECT_EQ(bench.run.state, RunState::paused);

    p.steps = {ask_step(100_h)};
    Bench asking{p, formed()};
    asking.voltage = 3600_mV;
    asking.start();
    asking.run_for(40_h);
    EXPECT_EQ(asking.run.state, RunState::asking);
}

TEST(Sentences, a_voltage_that_stands_still_in_a_rest_is_never_stuck) {
    Bench bench = under_way(resting());
    bench.frozen = true;
    bench.run_for(20_h);
    EXPECT_EQ(bench.count(EventKind::tripped), 0);
    EXPECT_EQ(bench.run.state, RunState::resting);
}

TEST(Sentences, a_cell_below_1_volt_that_waits_is_an_alarm_and_never_a_trip) {
    Protocol p = base_protocol();
    p.steps = {charge_step(Rate{1, 50}, 2000_mV, 2_h)};
    Bench bench{p};
    bench.voltage = 600_mV;
    bench.start();
    bench.command(CommandKind::pause);
    bench.run_for(26_h);
    EXPECT_GE(bench.count(EventKind::copper), 1);
    EXPECT_EQ(bench.count(EventKind::tripped), 0);
    EXPECT_EQ(bench.run.state, RunState::paused);
}

}  // namespace
}  // namespace slowfilm::engine::test
