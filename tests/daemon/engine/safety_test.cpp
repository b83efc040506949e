// One small test for each thing that a guard, a trip or a connection check never or always does, named by it.
#include "tests/daemon/engine/harness.hpp"

#include <gtest/gtest.h>

namespace slowfilm::engine::test {
namespace {

Bench under_way(const Protocol& p) {
    Bench bench{p, formed()};
    const bool holds = p.steps[0].kind == StepKind::hold;
    bench.voltage = holds ? 4200_mV : 3600_mV;
    bench.start();
    if (holds) {
        bench.current = 450_mA;  // above four times the taper current, below the hold's own limit
    }
    bench.run_for(30_s);
    EXPECT_EQ(bench.count(EventKind::tripped), 0);
    return bench;
}

Protocol asking() {
    Protocol p = charging();
    p.steps = {ask_step(48_h)};
    return p;
}

const std::vector<Protocol (*)()> every_kind{charging, discharging, holding, resting};

TEST(Safety, a_trip_always_opens_the_circuit_and_never_lowers_a_voltage_to_stop_a_current) {
    for (const auto protocol : every_kind) {
        Bench bench = under_way(protocol());
        bench.current.reset();
        bench.temperature = 55_degC;
        bench.run_for(3_s);
        EXPECT_EQ(bench.run.state, RunState::tripped);
        EXPECT_TRUE(is_open(bench.run.demand));
        EXPECT_TRUE(is_open(bench.run.applied));
    }
}

TEST(Safety, guards_are_judged_on_every_sample_in_every_step_rests_and_questions_included) {
    for (const auto protocol : {charging, discharging, holding, resting, asking}) {
        Bench bench = under_way(protocol());
        bench.temperature = 51_degC;
        bench.run_for(2_s);
        EXPECT_TRUE(bench.tripped_by(GuardId::over_temperature));
    }
}

TEST(Safety, a_trip_survives_a_restart_and_nothing_resumes_by_itself_after_it) {
    for (const GuardId id : {GuardId::over_voltage, GuardId::charge_temperature}) {
        Bench bench = under_way(charging());
        if (id == GuardId::over_voltage) {
            bench.voltage = 4300_mV;
        } else {
            bench.temperature = 46_degC;
        }
        bench.run_for(3_s);
        ASSERT_TRUE(bench.tripped_by(id));
        bench.run = restore(serialise(bench.run)).value();
        bench.voltage = 3600_mV;
        bench.temperature = 25_degC;
        bench.run_for(24_h);
        EXPECT_TRUE(bench.tripped_by(id));
        EXPECT_EQ(bench.count(EventKind::step_began), 1);
    }
}

TEST(Safety, a_quarantined_cell_never_sees_current_again) {
    CellHistory history = formed();
    history.quarantined = true;
    Bench bench{charging(), history};
    bench.voltage = 3600_mV;
    bench.start();
    bench.run_for(1_min);
    EXPECT_EQ(bench.run.state, RunState::planned);
    EXPECT_EQ(bench.count(EventKind::refused), 1);
    EXPECT_TRUE(is_open(bench.run.demand));
}

TEST(Safety, acknowledge_never_resumes) {
    Bench bench = under_way(charging());
    bench.give(ChannelFault{FaultKind::rebooted});
    bench.run_for(5_s);
    bench.command(CommandKind::acknowledge);
    bench.run_for(24_h);
    EXPECT_EQ(bench.run.state, RunState::waiting);
    EXPECT_TRUE(is_open(bench.run.demand));
    bench.command(CommandKind::resume);
    EXPECT_EQ(bench.run.state, RunState::checking) << "and resume always runs the connection checks";
    EXPECT_TRUE(is_open(bench.run.demand));
}

TEST(Safety, a_hard_guard_is_never_off_and_never_only_warns) {
    Protocol p = charging();
    p.limits.voltage_max.off = p.limits.current_max.off = p.limits.temperature_max.off = true;
    p.limits.low_voltage.off = p.limits.voltage_fall.off = p.limits.discharge_floor.off = p.limits.leakage_max.off =
        true;
    p.limits.voltage_fall.warn = 10_mV;
    const Bench bench{p};
    for (const GuardRow& row : guard_table()) {
        if (row.hardness == Hardness::hard) {
            const GuardSetting& setting = bench.plan.guards[static_cast<std::size_t>(row.id)];
            EXPECT_NE(setting.origin, Origin::off) << row.name;
            EXPECT_FALSE(setting.warn_only) << row.name;
        }
    }
}

// 0.5 A for so long, then 0.4 A.
Protocol two_visits(Duration first) {
    Protocol p = charging();
    Step one = charge_step(CurrentOrRate{500_mA}, 4200_mV, 14_h);
    one.ends = {.time = first};
    p.steps = {one, charge_step(CurrentOrRate{400_mA}, 4200_mV, 14_h)};
    return p;
}

TEST(Safety, persistence_of_a_hard_guard_never_restarts) {
    Protocol p = charging();
    p.limits.temperature_max.persistence = 10_s;
    p.limits.charge_temperature.max = 60_degC;
    Bench bench = under_way(p);
    bench.temperature = 51_degC;
    bench.run_for(6_s);
    bench.temperature = 49_degC;
    bench.command(CommandKind::pause);
    bench.command(CommandKind::resume);
    while (bench.run.state == RunState::checking) {
        bench.step();
    }
    ASSERT_EQ(bench.run.state, RunState::forming);
    const Duration kept = bench.run.guards.fill[static_cast<std::size_t>(GuardId::over_temperature)].out_for;
    EXPECT_GT(kept, 2_s) << "it has only drained";
    bench.temperature = 51_degC;
    bench.run_for(10_s - kept + 1_s);
    EXPECT_TRUE(bench.tripped_by(GuardId::over_temperature));
}

TEST(Safety, persistence_of_what_judges_an_answer_to_a_demand_starts_anew_at_a_new_visit) {
    Bench bench = under_way(two_visits(34_s));
    bench.current = 470_mA;  // 30 mA short, for four of the five seconds
    while (bench.run.guards.fill[static_cast<std::size_t>(GuardId::current_error)].out_for < 4_s) {
        bench.step();
    }
    // An end may not pass while it runs: back within its limit, the visit ends, and the next is short as well.
    bench.current.reset();
    while (bench.run.step == 0) {
        bench.step();
    }
    bench.current = 370_mA;
    bench.run_for(4_s);
    EXPECT_EQ(bench.run.state, RunState::forming);
    bench.run_for(3_s);
    EXPECT_TRUE(bench.tripped_by(GuardId::current_error));
}

TEST(Safety, persistence_drains_at_half_the_rate_at_which_it_fills) {
    Bench bench = under_way(charging());
    const GuardFill& fill = bench.run.guards.fill[static_cast<std::size_t>(GuardId::current_error)];
    bench.current = 470_mA;
    bench.run_for(4_s);
    EXPECT_EQ(fill.out_for, 4_s);
    bench.current.reset();
    bench.run_for(4_s);
    EXPECT_EQ(fill.out_for, 2_s);
    bench.run_for(4_s);
    EXPECT_EQ(fill.out_for, 0_s);
}

TEST(Safety, no_guard_ever_reads_a_bad_value_as_in_range) {
    Bench bench = under_way(charging());
    bench.temperature = 51_degC;
    bench.step();
    bench.spoil = [](Sample& s) {
        s.temperature.quality = Quality::bad;
        s.temperature.value = Temperature{};
    };
    bench.step();
    bench.spoil = nullptr;
    bench.step();
    EXPECT_TRUE(bench.tripped_by(GuardId::over_temperature)) << "the bad one between drained nothing";
}

TEST(Safety, a_current_that_falls_away_is_never_a_taper) {
    Bench bench = under_way(holding());
    bench.current = 20_mA;
    bench.run_for(40_s);
    EXPECT_TRUE(bench.tripped_by(GuardId::current_lost));
    EXPECT_EQ(bench.count(EventKind::done), 0);
}

TEST(Safety, a_pause_is_always_accepted_under_current_and_in_the_checks) {
    Bench checks{charging(), formed()};
    checks.voltage = 3600_mV;
    checks.command(CommandKind::start);
    checks.command(CommandKind::pause);
    EXPECT_EQ(checks.run.state, RunState::paused);
    for (const auto protocol : every_kind) {
        Bench bench = under_way(protocol());
        bench.current.reset();
        bench.command(CommandKind::pause);
        EXPECT_EQ(bench.run.state, RunState::paused);
        EXPECT_TRUE(is_open(bench.run.demand));
    }
}

TEST(Safety, a_failed_check_always_says_what_to_look_at) {
    const Plan plan = Bench{charging()}.plan;
    for (int code = 1; code <= static_cast<int>(ConnectionFault::other_cell); ++code) {
        const std::string text = describe(Event{.kind = EventKind::connection_failed,
                                                .code = static_cast<std::uint8_t>(code),
                                                .step = 0,
                                                .visit = 0,
                                                .time = {},
                                                .value = 3,
                                                .limit = 2},
                                          plan);
        const bool tells = text.find("look") != std::string::npos || text.find("check") != std::string::npos ||
                           text.find("is it the right cell") != std::string::npos ||
                           text.find("crossed") != std::string::npos;
        EXPECT_TRUE(tells) << text;
    }
}

TEST(Safety, no_current_ever_flows_before_the_first_test_current_is_granted) {
    Bench bench{charging(), formed()};
    bench.voltage = 3600_mV;
    bench.grants = false;
    bench.command(CommandKind::start);
    bench.run_for(1_h);
    EXPECT_EQ(bench.run.net.whole, Charge{});
    EXPECT_TRUE(is_open(bench.run.demand));
}

}  // namespace
}  // namespace slowfilm::engine::test
