#include "daemon/results/figures.hpp"

#include "runs.hpp"

#include <set>

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace slowfilm::results {
namespace {

using ::testing::HasSubstr;
using testing::RunBuilder;

constexpr std::int64_t two_hours_us = 7'200'000'000;

Figure figure_of(const ledger::RunData& run, std::string_view name, const Selector& selector = {},
                 const Beginning& beginning = {}) {
    const std::vector<Cycle> cycles = cycles_of(run, beginning);
    const FigureDefinition* definition = find_figure(name);
    EXPECT_NE(definition, nullptr) << name;
    return compute(*definition, {.run = run, .cycles = cycles, .beginning = beginning}, selector);
}

TEST(Figures, each_is_defined_once_with_formula_source_and_limits) {
    std::set<std::string_view> names;
    for (const FigureDefinition& definition : figure_definitions()) {
        EXPECT_TRUE(names.insert(definition.name).second) << definition.name;
        EXPECT_FALSE(definition.formula.empty()) << definition.name;
        EXPECT_FALSE(definition.source.empty()) << definition.name;
        EXPECT_FALSE(definition.undefined_when.empty()) << definition.name;
        EXPECT_EQ(find_figure(definition.name), &definition);
    }
    EXPECT_EQ(find_figure("capacity"), nullptr);
    EXPECT_EQ(find_figure(""), nullptr);
}

// 2.319 Ah out of 2.716 Ah: mean first-cycle efficiency 0.854 of a published set of small pouch cells
// (Joule 5 (2021) 2971, doi 10.1016/j.joule.2021.09.015).
TEST(FirstCycleEfficiency, is_the_first_full_discharge_over_the_net_charge_at_its_start) {
    const Figure figure =
        figure_of(RunBuilder{}.visit("charge", 2.716, 0).visit("rest", 0, 0).visit("discharge", 0, 2.319, true).take(),
                  "first_cycle_efficiency");
    ASSERT_TRUE(figure.value);
    EXPECT_NEAR(*figure.value, 0.854, 0.0005);
    EXPECT_EQ(figure.unit, "1");
    EXPECT_EQ(figure.cycle, 1U);
    EXPECT_FALSE(figure.uncertainty);
    EXPECT_FALSE(figure.uncertainty_reason.empty());
}

// By hand: 1.0 in, 0.2 out, 4.2 in, then 4.25 out of a net 5.0. All charge before the first discharge would give 4.25.
TEST(FirstCycleEfficiency, counts_net_charge_where_shallow_discharges_come_first) {
    const Figure figure = figure_of(RunBuilder{}
                                        .visit("charge", 1.0, 0)
                                        .visit("discharge", 0, 0.2)
                                        .visit("charge", 4.2, 0)
                                        .visit("discharge", 0, 4.25, true)
                                        .take(),
                                    "first_cycle_efficiency");
    ASSERT_TRUE(figure.value);
    EXPECT_DOUBLE_EQ(*figure.value, 4.25 / 5.0);
}

// A discharge in two stages is one discharge: 3.0 + 1.2 of 5.0.
TEST(FirstCycleEfficiency, takes_stages_of_one_discharge_together) {
    const Figure figure = figure_of(RunBuilder{}
                                        .visit("charge", 5.0, 0)
                                        .visit("rest", 0, 0)
                                        .visit("discharge", 0, 3.0)
                                        .visit("rest", 0, 0)
                                        .visit("discharge", 0, 1.2, true)
                                        .take(),
                                    "first_cycle_efficiency");
    ASSERT_TRUE(figure.value);
    EXPECT_DOUBLE_EQ(*figure.value, 4.2 / 5.0);
}

TEST(FirstCycleEfficiency, is_of_the_first_full_discharge_only) {
    const Figure figure = figure_of(RunBuilder{}
                                        .visit("charge", 5.0, 0)
                                        .visit("discharge", 0, 4.0, true)
                                        .visit("charge", 4.0, 0)
                                        .visit("discharge", 0, 3.9, true)
                                        .take(),
                                    "first_cycle_efficiency");
    ASSERT_TRUE(figure.value);
    EXPECT_DOUBLE_EQ(*figure.value, 0.8);
}

TEST(FirstCycleEfficiency, is_not_defined_without_a_full_discharge) {
    const Figure none = figure_of(RunBuilder{}.visit("charge", 5.0, 0).take(), "first_cycle_efficiency");
    EXPECT_FALSE(none.value);
    EXPECT_THAT(none.reason, HasSubstr("no discharge"));
    const Figure shallow =
        figure_of(RunBuilder{}.visit("charge", 5.0, 0).visit("discharge", 0, 1.0).take(), "first_cycle_efficiency");
    EXPECT_FALSE(shallow.value);
    const Figure nothing = figure_of(RunBuilder{}.take(), "first_cycle_efficiency");
    EXPECT_FALSE(nothing.value);
    EXPECT_FALSE(nothing.reason.empty());
}

TEST(FirstCycleEfficiency, is_not_defined_for_a_cell_that_was_formed_before) {
    const ledger::RunData run = RunBuilder{}.visit("charge", 3.0, 0).visit("discharge", 0, 4.0, true).take();
    const Figure figure = figure_of(run, "first_cycle_efficiency", {}, {.state = CellState::formed});
    EXPECT_FALSE(figure.value);
    EXPECT_THAT(figure.reason, HasSubstr("formed before"));
}

// 0.1 Ah of tap charge before the run: 4.2 / (4.9 + 0.1).
TEST(FirstCycleEfficiency, adds_what_went_in_before_the_run_where_that_is_known) {
    const ledger::RunData run = RunBuilder{}.visit("charge", 4.9, 0).visit("discharge", 0, 4.2, true).take();
    const Beginning tapped{.state = CellState::tapped, .net_before = Charge{360'000'000'000'000}, .unknown = ""};
    const Figure known = figure_of(run, "first_cycle_efficiency", {}, tapped);
    ASSERT_TRUE(known.value);
    EXPECT_DOUBLE_EQ(*known.value, 4.2 / 5.0);
    const Beginning unknown{.state = CellState::tapped, .net_before = {}, .unknown = "nobody knows"};
    EXPECT_EQ(figure_of(run, "first_cycle_efficiency", {}, unknown).reason, "nobody knows");
}

TEST(FirstCycleEfficiency, is_not_defined_after_a_gap_under_current) {
    const ledger::RunData charging = RunBuilder{}
                                         .visit("charge", 5.0, 0)
                                         .visit("discharge", 0, 4.0, true)
                                         .event(EventKind::gap, 0, two_hours_us)
                                         .take();
    const Figure figure = figure_of(charging, "first_cycle_efficiency");
    EXPECT_FALSE(figure.value);
    EXPECT_THAT(figure.reason, HasSubstr("nobody watched"));
    EXPECT_THAT(figure.reason, HasSubstr("step 1"));
}

TEST(FirstCycleEfficiency, bears_a_gap_at_open_circuit_and_one_after_it) {
    RunBuilder builder;
    builder.visit("charge", 5.0, 0).visit("rest", 0, 0).visit("discharge", 0, 4.0, true).visit("charge", 4.0, 0);
    builder.event(EventKind::gap, 1, two_hours_us).event(EventKind::gap, 3, two_hours_us);
    const Figure figure = figure_of(builder.take(), "first_cycle_efficiency");
    ASSERT_TRUE(figure.value);
    EXPECT_DOUBLE_EQ(*figure.value, 0.8);
}

TEST(FirstCycleEfficiency, is_not_defined_where_no_net_charge_had_gone_in) {
    const Figure figure = figure_of(RunBuilder{}.visit("discharge", 0, 0.1, true).take(), "first_cycle_efficiency");
    EXPECT_FALSE(figure.value);
    EXPECT_THAT(figure.reason, HasSubstr("no net charge"));
}

// By hand: cycle 1 5.0 in (4.8 + 0.2 in the hold), 4.0 out; cycle 2 4.1 in, 4.059 out.
TEST(Cycles, end_with_a_visit_that_says_so) {
    RunBuilder builder;
    builder.visit("charge", 4.8, 0).visit("hold", 0.2, 0).visit("discharge", 0, 4.0, true);
    builder.visit("rest", 0, 0).visit("charge", 4.1, 0).visit("discharge", 0, 4.059, true).visit("rest", 0, 0);
    const ledger::RunData run = builder.take();
    const std::vector<Cycle> cycles = cycles_of(run, {});
    ASSERT_EQ(cycles.size(), 2U);
    EXPECT_TRUE(cycles[0].complete);
    EXPECT_DOUBLE_EQ(cycles[0].charge_ah, 5.0);
    EXPECT_DOUBLE_EQ(*cycles[0].coulombic_efficiency, 0.8);
    EXPECT_DOUBLE_EQ(*cycles[0].energy_efficiency, 0.8 * 3.6 / 3.8);
    EXPECT_EQ(cycles[1].number, 2U);
    EXPECT_DOUBLE_EQ(*cycles[1].coulombic_efficiency, 0.99);
}

TEST(Cycles, what_follows_the_last_end_is_incomplete_and_has_no_efficiency) {
    RunBuilder builder;
    builder.visit("charge", 5.0, 0).visit("discharge", 0, 4.0, true).visit("charge", 1.5, 0);
    const std::vector<Cycle> cycles = cycles_of(builder.take(), {});
    ASSERT_EQ(cycles.size(), 2U);
    EXPECT_FALSE(cycles[1].complete);
    EXPECT_FALSE(cycles[1].coulombic_efficiency);
    EXPECT_FALSE(cycles[1].reason.empty());
}

TEST(Cycles, the_first_of_a_formed_cell_has_no_efficiency_and_the_second_has) {
    RunBuilder builder;
    builder.visit("charge", 2.0, 0).visit("discharge", 0, 4.0, true);
    builder.visit("charge", 4.0, 0).visit("discharge", 0, 3.96, true);
    const std::vector<Cycle> cycles = cycles_of(builder.take(), {.state = CellState::formed});
    ASSERT_EQ(cycles.size(), 2U);
    EXPECT_FALSE(cycles[0].coulombic_efficiency);
    EXPECT_THAT(cycles[0].reason, HasSubstr("formed cell"));
    ASSERT_TRUE(cycles[1].coulombic_efficiency);
    EXPECT_DOUBLE_EQ(*cycles[1].coulombic_efficiency, 0.99);
}

TEST(Cycles, one_that_took_no_charge_has_no_efficiency) {
    RunBuilder builder;
    builder.visit("charge", 5.0, 0).visit("discharge", 0, 4.0, true).visit("discharge", 0, 0.3, true);
    const std::vector<Cycle> cycles = cycles_of(builder.take(), {});
    ASSERT_EQ(cycles.size(), 2U);
    EXPECT_FALSE(cycles[1].coulombic_efficiency);
    EXPECT_THAT(cycles[1].reason, HasSubstr("no charge went in"));
}

TEST(CoulombicEfficiency, is_of_the_last_complete_cycle_unless_one_is_named) {
    RunBuilder builder;
    builder.visit("charge", 5.0, 0).visit("discharge", 0, 4.0, true);
    builder.visit("charge", 4.0, 0).visit("discharge", 0, 3.96, true).visit("charge", 1.0, 0);
    const ledger::RunData run = builder.take();
    const Figure last = figure_of(run, "coulombic_efficiency");
    ASSERT_TRUE(last.value);
    EXPECT_DOUBLE_EQ(*last.value, 0.99);
    EXPECT_EQ(last.cycle, 2U);
    EXPECT_DOUBLE_EQ(*figure_of(run, "coulombic_efficiency", {.cycle = 1U}).value, 0.8);
    const Figure third = figure_of(run, "coulombic_efficiency", {.cycle = 3U});
    EXPECT_FALSE(third.value);
    EXPECT_THAT(third.reason, HasSubstr("cycle 3"));
    EXPECT_THAT(figure_of(run, "coulombic_efficiency", {.cycle = 9U}).reason, HasSubstr("no cycle 9"));
    EXPECT_THAT(figure_of(run, "coulombic_efficiency", {.step = "film"}).reason, HasSubstr("whole cycle"));
}

TEST(Capacity, is_of_a_cycle_or_of_a_steps_visit) {
    RunBuilder builder;
    builder.visit("charge", 4.8, 0).visit("hold", 0.2, 0).visit("discharge", 0, 4.0, true);
    builder.visit("charge", 4.1, 0).visit("discharge", 0, 3.9, true);
    ledger::RunData run = builder.take();
    EXPECT_DOUBLE_EQ(*figure_of(run, "charge_capacity", {.cycle = 1U}).value, 5.0);
    EXPECT_DOUBLE_EQ(*figure_of(run, "discharge_capacity").value, 3.9);
    EXPECT_DOUBLE_EQ(*figure_of(run, "charge_capacity", {.step = "film", .cycle = 1U}).value, 4.8);
    EXPECT_DOUBLE_EQ(*figure_of(run, "charge_capacity", {.step = "film"}).value, 4.1);
    EXPECT_DOUBLE_EQ(*figure_of(run, "discharge_capacity", {.step = "2", .cycle = 1U}).value, 4.0);
    EXPECT_EQ(figure_of(run, "discharge_capacity").unit, "Ah");
    EXPECT_THAT(figure_of(run, "discharge_capacity", {.step = "soak"}).reason, HasSubstr("\"soak\""));
}

TEST(Capacity, a_pass_is_that_of_the_innermost_repeat) {
    RunBuilder builder;
    builder.visit("charge", 1.1, 0).visit("charge", 1.2, 0).visit("charge", 1.3, 0);
    ledger::RunData run = builder.take();
    run.visits[0].pass = "1.1";
    run.visits[1].pass = "1.2";
    run.visits[2].pass = "2.1";
    EXPECT_DOUBLE_EQ(*figure_of(run, "charge_capacity", {.step = "film", .pass = 2U}).value, 1.2);
    EXPECT_DOUBLE_EQ(*figure_of(run, "charge_capacity", {.step = "film", .pass = 1U}).value, 1.3);
    EXPECT_FALSE(figure_of(run, "charge_capacity", {.step = "film", .pass = 3U}).value);
    EXPECT_THAT(figure_of(run, "charge_capacity", {.pass = 1U}).reason, HasSubstr("no step"));
}

TEST(Capacity, is_not_defined_for_a_visit_with_a_gap_under_current) {
    RunBuilder builder;
    builder.visit("charge", 5.0, 0).visit("discharge", 0, 4.0, true).event(EventKind::gap, 1, two_hours_us);
    const ledger::RunData run = builder.take();
    EXPECT_DOUBLE_EQ(*figure_of(run, "charge_capacity", {.step = "film"}).value, 5.0);
    EXPECT_FALSE(figure_of(run, "discharge_capacity", {.step = "out"}).value);
    EXPECT_FALSE(figure_of(run, "charge_capacity").value) << "the cycle's charge is not known either";
}

}  // namespace
}  // namespace slowfilm::results
