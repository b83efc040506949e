// What a record says in words and numbers, of runs brought into a state by hand.
#include "daemon/protocol/parse.hpp"
#include "daemon/record/record.hpp"
#include "rehearsal_protocols.hpp"

#include <algorithm>
#include <array>

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace slowfilm::record {
namespace {

using ::testing::HasSubstr;

engine::Plan plan_of_two_cycles() {
    const protocol::Parsed parsed = protocol::parse_protocol("test.toml", sim::testing::two_cycles);
    EXPECT_TRUE(parsed.protocol) << render(parsed.diagnostics, sim::testing::two_cycles);
    Result<engine::Plan> plan =
        engine::make_plan(*parsed.protocol, parsed.protocol->cell.capacity, engine::bench_of_no_name(*parsed.protocol),
                          engine::caps_of_no_name());
    EXPECT_TRUE(plan) << plan.error().message;
    return std::move(*plan);
}

TEST(PassText, counts_repeats_from_the_outermost) {
    EXPECT_EQ(pass_text(std::array<std::uint32_t, 3>{0, 0, 0}), "");
    EXPECT_EQ(pass_text(std::array<std::uint32_t, 3>{3, 0, 0}), "3");
    EXPECT_EQ(pass_text(std::array<std::uint32_t, 3>{1, 12, 0}), "1.12");
    EXPECT_EQ(pass_text({}), "");
}

TEST(Needs, tells_a_person_what_to_do_in_each_state_that_waits) {
    const engine::Plan plan = plan_of_two_cycles();
    engine::Run run = engine::new_run(plan, {});
    for (const RunState state : {RunState::planned, RunState::checking, RunState::forming, RunState::resting,
                                 RunState::paused, RunState::stopped, RunState::done}) {
        run.state = state;
        EXPECT_EQ(needs(plan, run), "") << static_cast<int>(state);
    }
    run.state = RunState::asking;
    run.step = 1;
    EXPECT_THAT(needs(plan, run), HasSubstr("reseal the gas pouch"));
    run.state = RunState::tripped;
    run.trip_class = TripClass::cell;
    EXPECT_THAT(needs(plan, run), HasSubstr("remove"));
    run.trip_class = TripClass::channel;
    EXPECT_THAT(needs(plan, run), HasSubstr("acknowledge"));
    run.state = RunState::waiting;
    for (const WaitReason reason :
         {WaitReason::none, WaitReason::overrun, WaitReason::gap, WaitReason::record_lost, WaitReason::acknowledged,
          WaitReason::connection, WaitReason::restart, WaitReason::already_so_twice}) {
        run.wait = reason;
        EXPECT_THAT(needs(plan, run), HasSubstr("stop")) << static_cast<int>(reason);
    }
}

TEST(Margins, name_every_guard_that_is_on_with_its_unit) {
    engine::Plan plan = plan_of_two_cycles();
    engine::Run run = engine::new_run(plan, {});
    const auto at = [](GuardId id) { return static_cast<std::size_t>(id); };
    plan.guards[at(GuardId::current_error)].origin = engine::Origin::off;
    engine::GuardFill& warm = run.guards.fill[at(GuardId::charge_temperature)];
    warm.closest = 283'650;  // 10.5 degC: half a kelvin above the lower end of 10..45 degC
    warm.margin = 500;
    warm.closest_at = Time{7'000'000};
    run.started = Time{2'000'000};
    const ledger::GuardMargins found = margins(4, plan, run);
    EXPECT_EQ(found.run, 4U);
    bool seen = false;
    for (const ledger::GuardMargins::Row& row : found.rows) {
        EXPECT_NE(row.name, "current_error");
        EXPECT_FALSE(row.unit.empty());
        if (row.name == "charge_temperature") {
            seen = true;
            EXPECT_EQ(row.unit, "degC");
            EXPECT_DOUBLE_EQ(*row.trip, 10.0);
            EXPECT_NEAR(*row.closest, 10.5, 1e-9);
            EXPECT_DOUBLE_EQ(*row.closest_second, 5.0);
            EXPECT_TRUE(row.written);
        }
    }
    EXPECT_TRUE(seen);
    const auto off = std::count_if(plan.guards.begin(), plan.guards.end(),
                                   [](const engine::GuardSetting& s) { return s.origin == engine::Origin::off; });
    EXPECT_EQ(found.rows.size() + static_cast<std::size_t>(off), guard_count);
}

TEST(Recorder, goes_on_with_the_sums_of_the_visits_before_a_restart) {
    const engine::Plan plan = plan_of_two_cycles();
    engine::Run run = engine::new_run(plan, {});
    run.state = RunState::forming;
    run.totals.charge_in.whole = Charge{3'600'000'000'000'000};  // 1 Ah in the visit under way
    ledger::VisitRecord before;
    before.charge_in_ah = 0.5;
    before.charge_out_ah = 0.25;
    ledger::RunStatus status;
    status.state = RunState::forming;
    status.started_utc = 17;
    Recorder recorder{plan, 1, "P-07"};
    recorder.resume_from(std::array{before}, status);
    EXPECT_EQ(recorder.status(run).started_utc, 17);
    engine::Decision decision{};
    decision.keep = true;
    Sample sample;
    sample.voltage = {Time{1}, Voltage{3'700'000'000}, Quality::good};
    const Input input{.sequence = 9, .time = Time{1}, .body = sample};
    std::vector<ledger::SampleRecord> kept;
    recorder.took(run, input, decision, 99, [&](ledger::Record record) {
        if (const auto* one = std::get_if<ledger::SampleRecord>(&record)) {
            kept.push_back(*one);
        }
    });
    ASSERT_EQ(kept.size(), 1U);
    EXPECT_DOUBLE_EQ(kept[0].charge_in_ah, 1.5);
    EXPECT_DOUBLE_EQ(kept[0].charge_out_ah, 0.25);
    EXPECT_EQ(kept[0].utc, 99);
    EXPECT_EQ(kept[0].sequence, 9U);
}

}  // namespace
}  // namespace slowfilm::record
