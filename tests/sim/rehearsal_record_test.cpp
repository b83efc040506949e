// What a record says in words and numbers, of runs brought into a state by hand.
#include "daemon/protocol/parse.hpp"
#include "daemon/record/record.hpp"
#include "rehearsal_protocols.hpp"

#include <algorithm>
#include <array>
#include <optional>
#include <vector>

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

TEST(Needs, an_overrun_says_what_resume_will_do_and_why_a_run_was_stopped) {
    const engine::Plan plan = plan_of_two_cycles();
    engine::Run run = engine::new_run(plan, {});
    run.state = RunState::waiting;
    run.wait = WaitReason::overrun;
    EXPECT_THAT(needs(plan, run), HasSubstr("resume to begin the next step (an ask asks again)"));
    run.state = RunState::stopped;
    EXPECT_THAT(needs(plan, run), HasSubstr("at_most and the run was stopped"));
    run.wait = WaitReason::already_so_twice;
    EXPECT_THAT(needs(plan, run), HasSubstr("already true twice running"));
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

Input sample_input(std::uint64_t sequence, std::int64_t nanovolts) {
    Sample sample;
    sample.voltage = {Time{static_cast<std::int64_t>(sequence)}, Voltage{nanovolts}, Quality::good};
    return {.sequence = sequence, .time = Time{static_cast<std::int64_t>(sequence)}, .body = sample};
}

// What a decision to keep leaves at this input.
std::vector<ledger::SampleRecord> kept_at(Recorder& recorder, const engine::Run& run, const Input& input) {
    engine::Decision decision{};
    decision.keep = true;
    std::vector<ledger::SampleRecord> kept;
    recorder.took(run, input, decision, 99, [&](ledger::Record record) {
        if (const auto* one = std::get_if<ledger::SampleRecord>(&record)) {
            kept.push_back(*one);
        }
    });
    return kept;
}

TEST(Recorder, a_sample_kept_for_a_stop_has_the_number_it_has_on_the_tape) {
    const engine::Plan plan = plan_of_two_cycles();
    engine::Run run = engine::new_run(plan, {});
    Recorder recorder{plan, 1, "P-07"};
    const Input stop{.sequence = 9, .time = Time{9}, .body = Command{CommandKind::stop}};
    EXPECT_TRUE(kept_at(recorder, run, stop).empty()) << "nothing was read since this recorder began";
    recorder.saw(sample_input(10, 3'700'000'000));
    recorder.saw(sample_input(11, 3'700'100'000));
    recorder.saw({.sequence = 12, .time = Time{12}, .body = Tick{}});
    const auto kept = kept_at(recorder, run, {.sequence = 13, .time = Time{13}, .body = stop.body});
    ASSERT_EQ(kept.size(), 1U);
    EXPECT_EQ(kept[0].sequence, 11U);
    EXPECT_EQ(kept[0].time, Time{11});
    EXPECT_EQ(kept[0].utc, 97);
    EXPECT_EQ(kept[0].sample.voltage.value, Voltage{3'700'100'000});
    EXPECT_TRUE(kept_at(recorder, run, {.sequence = 14, .time = Time{14}, .body = stop.body}).empty()) << "once";
}

TEST(Recorder, a_sample_before_the_first_step_has_no_step_time) {
    const engine::Plan plan = plan_of_two_cycles();
    engine::Run run = engine::new_run(plan, {});
    run.state = RunState::checking;
    Recorder recorder{plan, 1, "P-07"};
    Input late = sample_input(5, 3'700'000'000);
    late.time = Time{9'000'000'000};  // the bench has been up for 9000 s
    EXPECT_EQ(kept_at(recorder, run, late).at(0).step_time, Duration{});
    run.begun = true;
    run.totals.started = Time{8'999'000'000};
    late.sequence = 6;
    EXPECT_EQ(kept_at(recorder, run, late).at(0).step_time, Duration{1'000'000});
}

TEST(Recorder, after_an_acknowledged_cell_trip_the_needs_say_so_and_a_restart_remembers) {
    const engine::Plan plan = plan_of_two_cycles();
    engine::Run run = engine::new_run(plan, {});
    run.state = RunState::tripped;
    run.trip_class = TripClass::cell;
    Recorder recorder{plan, 1, "P-07"};
    EXPECT_FALSE(recorder.acknowledged(run));
    engine::Decision decision{};
    decision.event_count = 1;
    decision.events[0] = Event{.kind = EventKind::acknowledged};
    std::optional<ledger::RunStatus> status;
    recorder.took(run, sample_input(3, 3'700'000'000), decision, 99, [&](ledger::Record record) {
        if (const auto* one = std::get_if<ledger::RunStatus>(&record)) {
            status = *one;
        }
    });
    ASSERT_TRUE(status);
    EXPECT_THAT(status->needs, HasSubstr("acknowledged"));
    EXPECT_TRUE(recorder.acknowledged(run));
    Recorder next{plan, 1, "P-07"};
    next.resume_from({}, *status);
    EXPECT_TRUE(next.acknowledged(run));
    EXPECT_THAT(next.needs(run), HasSubstr("acknowledged"));
}

}  // namespace
}  // namespace slowfilm::record
