// The guards that one sample cannot provoke: each trips in the step after a change of demand, trips across a pause, and
// rides out what is within its limit.
#include "tests/daemon/engine/harness.hpp"

#include <gtest/gtest.h>

namespace slowfilm::engine::test {
namespace {

// 0.5 A until a tenth is in, which takes an hour, then 0.4 A for long.
Protocol two_stages() {
    Protocol p = base_protocol();
    p.cell.state = CellState::formed;
    Step first = charge_step(CurrentOrRate{500_mA}, 4200_mV, 14_h);
    first.ends = {.amount = ChargeOrRatio{10_percent}};
    p.steps = {first, charge_step(CurrentOrRate{400_mA}, 4200_mV, 14_h)};
    return p;
}

struct SlowFault {
    GuardId id;
    std::string name;
    std::function<void(Protocol&)> narrow;  // limits that two_stages() goes beyond in its second hour
    std::function<void(Protocol&)> wide;    // and limits that it keeps
    std::function<void(Bench&)> worsen;     // every second of the second stage
    std::function<void(Bench&)> bear;       // the same within the limits
};

std::vector<SlowFault> slow_faults() {
    const auto nothing = [](Bench&) {};
    const auto as_it_is = [](Protocol&) {};
    return {
        {GuardId::climb, "climb",
         [](Protocol& p) { p.limits.climb = {{.by = ChargeOrRatio{15_percent}, .above = 3900_mV}}; },
         [](Protocol& p) { p.limits.climb = {{.by = ChargeOrRatio{15_percent}, .above = 3500_mV}}; }, nothing, nothing},
        {GuardId::charge_leg, "charge_leg",
         [](Protocol& p) { p.limits.charge_leg_first = p.limits.charge_leg_later = ChargeOrRatio{15_percent}; },
         [](Protocol& p) { p.limits.charge_leg_first = p.limits.charge_leg_later = ChargeOrRatio{80_percent}; },
         nothing, nothing},
        {GuardId::charge_net, "charge_net", [](Protocol& p) { p.limits.net_max = ChargeOrRatio{15_percent}; },
         [](Protocol& p) { p.limits.net_max = ChargeOrRatio{80_percent}; }, nothing, nothing},
        {GuardId::run_time, "run_time", [](Protocol& p) { p.limits.run_time_max = 90_min; },
         [](Protocol& p) { p.limits.run_time_max = 10_h; }, nothing, nothing},
        {GuardId::temperature_rise, "temperature_rise", as_it_is, as_it_is,
         [](Bench& b) { b.temperature += Temperature{50}; },                                         // 3 K/min
         [](Bench& b) { b.temperature += Temperature{b.now.count / 1'000'000 % 5 == 0 ? 5 : 0}; }},  // 0.06 K/min
        {GuardId::bench_cap, "bench_cap", as_it_is, as_it_is, [](Bench& b) { b.temperature = 71_degC; },
         [](Bench& b) { b.temperature = 26_degC; }},
    };
}

class SlowGuard : public ::testing::TestWithParam<SlowFault> {
  protected:
    static Bench with(const std::function<void(Protocol&)>& limits) {
        Protocol p = two_stages();
        limits(p);
        Bench bench{p, CellHistory{.furthest = CellState::formed, .known = true, .armed = true, .highest = 3600_mV}};
        bench.voltage = 3600_mV;
        bench.start();
        return bench;
    }
    static void go_on(Bench& bench, Duration span, const std::function<void(Bench&)>& each) {
        for (std::int64_t i = 0; i < span.count / 1'000'000 && bench.run.state == RunState::forming; ++i) {
            if (bench.run.step == 1) {
                each(bench);
            }
            bench.step();
        }
    }
};

TEST_P(SlowGuard, trips_after_a_change_of_demand_as_it_would_have_without_one) {
    Bench bench = with(GetParam().narrow);
    go_on(bench, 3_h, GetParam().worsen);
    EXPECT_TRUE(bench.tripped_by(GetParam().id));
    EXPECT_EQ(bench.run.step, 1);
}

TEST_P(SlowGuard, trips_across_a_pause_which_neither_adds_nor_forgives) {
    Bench bench = with(GetParam().narrow);
    go_on(bench, 1_h + 10_s, GetParam().worsen);
    if (bench.run.state == RunState::forming) {
        bench.command(CommandKind::pause);
        bench.run_for(2_h);
        ASSERT_EQ(bench.run.state, RunState::paused);
        bench.command(CommandKind::resume);
        bench.run_for(5_s);
        ASSERT_EQ(bench.run.state, RunState::forming);
        go_on(bench, 2_h, GetParam().worsen);
    }
    EXPECT_TRUE(bench.tripped_by(GetParam().id));
}

TEST_P(SlowGuard, rides_out_what_is_within_its_limit) {
    Bench bench = with(GetParam().wide);
    go_on(bench, 3_h, GetParam().bear);
    EXPECT_EQ(bench.run.state, RunState::forming);
    EXPECT_EQ(bench.run.step, 1);
    EXPECT_EQ(bench.count(EventKind::tripped), 0);
}

INSTANTIATE_TEST_SUITE_P(Table, SlowGuard, ::testing::ValuesIn(slow_faults()),
                         [](const auto& param_info) { return param_info.param.name; });

}  // namespace
}  // namespace slowfilm::engine::test
