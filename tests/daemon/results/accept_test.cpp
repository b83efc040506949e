#include "daemon/results/accept.hpp"

#include "daemon/results/summary.hpp"
#include "runs.hpp"
#include "tests/property.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <rapidcheck.h>

namespace slowfilm::results {
namespace {

using ::testing::HasSubstr;
using testing::RunBuilder;

// 4.2 of 5.0: a first-cycle efficiency of 0.84 exactly, and 4.2 Ah out.
RunBuilder good_cell(const std::string& accept) {
    RunBuilder builder{"pristine", accept};
    builder.visit("charge", 5.0, 0).visit("discharge", 0, 4.2, true);
    return builder;
}

TEST(Accept, a_figure_on_its_limit_is_accepted) {
    const Summary summary = summarise(good_cell("first_cycle_efficiency = { min = \"84 %\" }").take());
    EXPECT_EQ(summary.verdict.grade, "accept");
    ASSERT_EQ(summary.verdict.reasons.size(), 1U);
    EXPECT_EQ(summary.verdict.reasons[0], "first_cycle_efficiency is 0.8400, at least 0.8400");
}

TEST(Accept, a_figure_below_its_limit_is_rejected_with_the_reason_first) {
    const Summary summary = summarise(good_cell("first_cycle_efficiency = { min = \"80 %\" }\n"
                                                "discharge_capacity = { min = \"4.8 Ah\", cycle = 1 }")
                                          .take());
    EXPECT_EQ(summary.verdict.grade, "reject");
    ASSERT_EQ(summary.verdict.reasons.size(), 2U);
    EXPECT_EQ(summary.verdict.reasons[0],
              "discharge_capacity of cycle 1 is 4.2000 Ah, below the least accepted 4.8000 Ah");
}

TEST(Accept, a_figure_above_its_limit_is_rejected) {
    const Summary summary = summarise(good_cell("charge_capacity = { max = \"4.9 Ah\" }").take());
    EXPECT_EQ(summary.verdict.grade, "reject");
    EXPECT_THAT(summary.verdict.reasons[0], HasSubstr("above the most accepted 4.9000 Ah"));
}

TEST(Accept, a_figure_that_is_not_defined_decides_nothing_and_says_why) {
    const Summary summary = summarise(good_cell("first_cycle_efficiency = { min = \"80 %\" }\n"
                                                "discharge_capacity = { min = \"4 Ah\", cycle = 2 }")
                                          .take());
    EXPECT_EQ(summary.verdict.grade, "undecided");
    EXPECT_EQ(summary.verdict.reasons[0], "discharge_capacity of cycle 2 is not defined: the run had no cycle 2");
}

TEST(Accept, a_missed_rule_rejects_whatever_else_is_not_defined) {
    const Summary summary = summarise(good_cell("first_cycle_efficiency = { min = \"90 %\" }\n"
                                                "discharge_capacity = { min = \"4 Ah\", cycle = 2 }")
                                          .take());
    EXPECT_EQ(summary.verdict.grade, "reject");
}

TEST(Accept, no_rules_give_no_verdict) {
    const Summary summary = summarise(good_cell("").take());
    EXPECT_EQ(summary.verdict.grade, "none");
    EXPECT_THAT(summary.verdict.reasons[0], HasSubstr("no [accept] rules"));
}

TEST(Accept, a_run_that_did_not_end_as_written_has_no_verdict) {
    for (const RunState state :
         {RunState::planned, RunState::checking, RunState::forming, RunState::resting, RunState::asking,
          RunState::paused, RunState::waiting, RunState::tripped, RunState::stopped}) {
        RunBuilder builder = good_cell("first_cycle_efficiency = { min = \"10 %\" }");
        builder.data().status.state = state;
        const Summary summary = summarise(builder.take());
        EXPECT_EQ(summary.verdict.grade, "none") << static_cast<int>(state);
        ASSERT_EQ(summary.verdict.reasons.size(), 1U);
        EXPECT_THAT(summary.verdict.reasons[0], HasSubstr("not ended as written"));
    }
}

TEST(Accept, a_recorded_protocol_that_cannot_be_read_gives_no_verdict) {
    RunBuilder builder = good_cell("");
    builder.data().header.protocol_text = "format = 99\n[[[";
    const Summary summary = summarise(builder.take());
    EXPECT_EQ(summary.verdict.grade, "none");
    EXPECT_THAT(summary.verdict.reasons[0], HasSubstr("cannot be read"));
}

TEST(Accept, what_the_ledger_remembers_of_the_cell_overrides_the_claim) {
    RunBuilder builder = good_cell("first_cycle_efficiency = { min = \"10 %\" }");
    builder.data().header.history.known = true;
    builder.data().header.history.furthest = CellState::formed;
    EXPECT_EQ(summarise(builder.take()).verdict.grade, "undecided");
}

// Whatever the charges and limits are: accepted only where the figure is defined and within both of them.
// --- grades

const std::string two_grades =
    "discharge_capacity = { min = \"3.5 Ah\", cycle = 1 }\n"
    "grades = [ { name = \"A\", discharge_capacity = { min = \"4.1 Ah\", cycle = 1 } },\n"
    "           { name = \"B\", discharge_capacity = { min = \"3.8 Ah\", cycle = 1 } } ]";

Verdict graded(double out) {
    RunBuilder builder{"pristine", two_grades};
    builder.visit("charge", 5.0, 0).visit("discharge", 0, out, true);
    return summarise(builder.take()).verdict;
}

TEST(Grades, an_accepted_cell_has_the_first_grade_that_fits) {
    EXPECT_EQ(graded(4.2).grade, "A");
    EXPECT_EQ(graded(4.1).grade, "A");
    const Verdict second = graded(4.0);
    EXPECT_EQ(second.grade, "B");
    EXPECT_THAT(second.reasons,
                ::testing::Contains("not \"A\": discharge_capacity of cycle 1 is 4.0000 Ah, below the least accepted "
                                    "4.1000 Ah"));
}

TEST(Grades, a_cell_that_fits_none_is_only_accepted_and_a_rejected_one_has_none) {
    EXPECT_EQ(graded(3.6).grade, "accept");
    EXPECT_EQ(graded(3.4).grade, "reject");
}

// --- within_mad

// Finished runs of one protocol, each with this charge out of 5 Ah in.
std::vector<Judged> batch_with(const std::vector<double>& out) {
    std::vector<Judged> batch;
    for (const double charge : out) {
        RunBuilder builder;
        builder.visit("charge", 5.0, 0).visit("discharge", 0, charge, true);
        Judged run{builder.take(), {}, {}};
        run.cycles = cycles_of(run.run, run.beginning);
        batch.push_back(std::move(run));
    }
    return batch;
}

protocol::Acceptance within(double mads) {
    protocol::AcceptRule rule;
    rule.figure = "discharge_capacity";
    rule.dimension = Dimension::charge;
    rule.within_mad = mads;
    return {.rules = {rule}, .grades = {}};
}

// By hand: the median of 4.1 4.2 4.2 4.3 4.4 4.7 is 4.25; the deviations 0.15 0.05 0.05 0.05 0.15 0.45 have the
// median 0.10.
TEST(WithinMad, a_cell_far_from_its_siblings_is_rejected_and_the_sentence_says_how_far) {
    const std::vector<Judged> batch = batch_with({4.1, 4.2, 4.2, 4.3, 4.4, 4.7});
    EXPECT_EQ(judge(within(4.4), batch[5].input(), batch).grade, "reject");
    EXPECT_EQ(judge(within(4.6), batch[5].input(), batch).grade, "accept");
    EXPECT_EQ(judge(within(1.6), batch[0].input(), batch).grade, "accept");
    EXPECT_EQ(judge(within(4.4), batch[5].input(), batch).reasons[0],
              "discharge_capacity of cycle 1 is 4.7000 Ah, more than 4.4 median absolute deviations (0.1000 Ah each) "
              "from the median 4.2500 Ah");
}

TEST(WithinMad, fewer_than_five_siblings_decide_nothing) {
    const std::vector<Judged> batch = batch_with({4.1, 4.2, 4.2, 4.3});
    const Verdict verdict = judge(within(5), batch[0].input(), batch);
    EXPECT_EQ(verdict.grade, "undecided");
    EXPECT_THAT(verdict.reasons[0], HasSubstr("within_mad needs 5 finished runs of this protocol"));
}

TEST(WithinMad, siblings_without_the_figure_do_not_count) {
    std::vector<Judged> batch = batch_with({4.1, 4.2, 4.2, 4.3});
    RunBuilder only_charged;
    only_charged.visit("charge", 5.0, 0);
    batch.push_back({only_charged.take(), {}, {}});
    EXPECT_EQ(judge(within(5), batch[0].input(), batch).grade, "undecided");
}

TEST(Accept, nothing_is_accepted_outside_its_limits) {
    test::holds([] {
        const auto in = *rc::gen::inRange<int>(0, 6000);
        const auto out = *rc::gen::inRange<int>(0, 6000);
        const auto min = *rc::gen::inRange<std::int64_t>(0, 1'200'000);
        const auto max = *rc::gen::inRange<std::int64_t>(min, 1'300'000);
        RunBuilder builder;
        builder.visit("charge", in / 1000.0, 0).visit("discharge", 0, out / 1000.0, true);
        const ledger::RunData run = builder.take();
        const std::vector<Cycle> cycles = cycles_of(run, {});
        protocol::AcceptRule rule;
        rule.figure = "coulombic_efficiency";
        rule.min = min;
        rule.max = max;
        const Beginning beginning;
        const Verdict verdict =
            judge({.rules = {rule}, .grades = {}}, {.run = run, .cycles = cycles, .beginning = beginning});
        if (in == 0) {
            RC_ASSERT(verdict.grade == "undecided");
            return;
        }
        // The same comparison in whole numbers: out / in >= min ppm.
        const bool within = std::int64_t{1'000'000} * out >= min * in && std::int64_t{1'000'000} * out <= max * in;
        const bool on_edge = std::int64_t{1'000'000} * out == min * in || std::int64_t{1'000'000} * out == max * in;
        RC_ASSERT(on_edge || (verdict.grade == "accept") == within);
    });
}

}  // namespace
}  // namespace slowfilm::results
