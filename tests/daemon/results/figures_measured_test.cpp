#include "daemon/results/figures_measured.hpp"

#include "daemon/core/unit.hpp"
#include "runs.hpp"

#include <cmath>

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace slowfilm::results {
namespace {

using namespace literals;
using ::testing::HasSubstr;
using testing::RunBuilder;

Figure figure_of(const ledger::RunData& run, std::string_view name, const Selector& selector = {}) {
    const Beginning beginning;
    const std::vector<Cycle> cycles = cycles_of(run, beginning);
    return compute(*find_figure(name), {.run = run, .cycles = cycles, .beginning = beginning}, selector);
}

RunBuilder pulse(std::optional<double> ohm, std::string why = "") {
    RunBuilder builder;
    builder.visit("charge", 2.0, 0).visit("rest", 0, 0).visit("pulse", 0, 0.002);
    builder.data().visits.back().resistance = ohm;
    builder.data().visits.back().no_resistance = std::move(why);
    return builder;
}

// IEC 61960-3, DC internal resistance by two levels: 3.700 V at 0.5 A and 3.620 V at 2.5 A give 0.0400 ohm.
TEST(DcResistance, is_that_of_the_two_level_method) {
    const auto resistance = resistance_of(3700_mV, Current{-500'000'000}, 3620_mV, Current{-2'500'000'000});
    ASSERT_TRUE(resistance);
    const Figure figure =
        figure_of(pulse(unit_of(Dimension::resistance).of(resistance->count)).take(), "dc_resistance");
    ASSERT_TRUE(figure.value) << figure.reason;
    EXPECT_DOUBLE_EQ(*figure.value, 0.0400);
    EXPECT_EQ(figure.unit, "ohm");
    EXPECT_EQ(value_text(figure), "0.040000 ohm");
}

TEST(DcResistance, a_pulse_that_has_none_says_why) {
    EXPECT_THAT(figure_of(pulse(std::nullopt, "window reached").take(), "dc_resistance").reason,
                HasSubstr("its bound"));
    EXPECT_THAT(figure_of(pulse(std::nullopt, "level time").take(), "dc_resistance").reason, HasSubstr("0.1 s"));
    EXPECT_THAT(figure_of(pulse(std::nullopt, "no reading").take(), "dc_resistance").reason,
                HasSubstr("no good reading"));
    EXPECT_THAT(figure_of(pulse(std::nullopt, "no change").take(), "dc_resistance").reason, HasSubstr("same current"));
    EXPECT_THAT(figure_of(pulse(std::nullopt, "not through").take(), "dc_resistance").reason,
                HasSubstr("all its levels"));
    EXPECT_EQ(figure_of(RunBuilder{}.visit("charge", 1, 0).take(), "dc_resistance").reason, "no pulse was run");
}

TEST(DcResistance, is_of_the_step_the_cycle_and_the_pass_that_are_asked_for) {
    RunBuilder builder;
    for (int i = 1; i <= 3; ++i) {
        builder.visit("pulse", 0, 0.002).visit("discharge", 0, 1.0, true);
        ledger::VisitRecord& visit = *(builder.data().visits.end() - 2);
        visit.name = "pulse";
        visit.path = "3.1";
        visit.pass = std::to_string(i);
        visit.resistance = 0.01 * i;
    }
    const ledger::RunData run = builder.take();
    EXPECT_DOUBLE_EQ(*figure_of(run, "dc_resistance").value, 0.03) << "the last one";
    EXPECT_DOUBLE_EQ(*figure_of(run, "dc_resistance", {.step = "pulse", .cycle = 2}).value, 0.02);
    EXPECT_DOUBLE_EQ(*figure_of(run, "dc_resistance", {.step = "3.1", .pass = 1}).value, 0.01);
    EXPECT_THAT(figure_of(run, "dc_resistance", {.step = "pulse", .pass = 4}).reason, HasSubstr("pass 4"));
    EXPECT_THAT(figure_of(run, "dc_resistance", {.step = "out"}).reason, HasSubstr("not visited as a pulse"));
}

// A rest of 14 days: 4.1000 V after one day, 4.0986 V after eight; 60 readings each, 0.1 mV of scatter.
RunBuilder ageing() {
    RunBuilder builder;
    builder.visit("charge", 4.0, 0).visit("rest", 0, 0);
    ledger::RunData& run = builder.data();
    run.header.traits.off_state = OffState::relay_open;
    const std::int64_t day = 86'400'000'000;
    for (const auto& [days, mean] : {std::pair{1, 4.1000}, std::pair{8, 4.0986}}) {
        ledger::MarkRecord mark;
        mark.run = 3;
        mark.visit = 1;
        mark.path = "2";
        mark.at = Duration{days * day};
        mark.time = Time{3'600'000'000 + days * day};
        mark.mean = mean;
        mark.deviation = 0.0001;
        mark.temperature = 25.0;
        mark.readings = 60;
        run.marks.push_back(mark);
    }
    return builder;
}

// By hand: 1.4 mV in 7 d are 0.2 mV/d, 0.0083333 mV/h. The means scatter by 0.1 mV / sqrt(60) each, their difference by
// sqrt(2) of that, 18.26 uV; 1.96 of it over 168 h are 0.000213 mV/h.
TEST(KValue, is_the_fall_between_two_means_with_its_interval) {
    const Figure figure = figure_of(ageing().take(), "k_value");
    ASSERT_TRUE(figure.value) << figure.reason;
    EXPECT_EQ(figure.unit, "mV/h");
    EXPECT_NEAR(*figure.value, 0.2 / 24.0, 1e-6);
    ASSERT_TRUE(figure.uncertainty);
    EXPECT_NEAR(*figure.uncertainty, 0.000213, 1e-6);
    EXPECT_THAT(figure.uncertainty_means, HasSubstr("95 %"));
    EXPECT_THAT(figure.uncertainty_means, HasSubstr("normal"));
    const Selector chosen{.step = "2", .from = 24_h, .to = 192_h};
    EXPECT_EQ(figure_of(ageing().take(), "k_value", chosen).value, figure.value);
}

TEST(KValue, is_not_defined_where_it_would_say_too_little) {
    struct Case {
        std::function<void(ledger::RunData&)> change;
        const char* says;
    };
    for (const Case& one : std::vector<Case>{
             {[](ledger::RunData& run) { run.marks[0].readings = 29; }, "29 readings"},
             {[](ledger::RunData& run) { run.marks[1].temperature = 26.01; }, "1.01 K"},
             {[](ledger::RunData& run) { run.marks[1].temperature.reset(); }, "temperature at"},
             {[](ledger::RunData& run) { run.header.traits.off_state = OffState::high_impedance; }, "isolates"},
             {[](ledger::RunData& run) { run.header.traits.off_state = OffState::sinks; }, "isolates"},
             {[](ledger::RunData& run) {
                  run.moves.resize(1);
                  run.moves[0].traits.off_state = OffState::sinks;
              },
              "isolates"},
             {[](ledger::RunData& run) { run.marks.pop_back(); }, "no two means"},
             {[](ledger::RunData& run) { run.marks.clear(); }, "keep.at"}}) {
        RunBuilder builder = ageing();
        one.change(builder.data());
        const Figure figure = figure_of(builder.take(), "k_value");
        EXPECT_FALSE(figure.value) << one.says;
        EXPECT_FALSE(figure.uncertainty);
        EXPECT_THAT(figure.reason, HasSubstr(one.says));
    }
    EXPECT_THAT(figure_of(ageing().take(), "k_value", {.step = "2", .from = 24_h, .to = 48_h}).reason,
                HasSubstr("at the times that are asked for"));
    RunBuilder contactor = ageing();
    contactor.data().header.traits.off_state = OffState::sinks;
    contactor.data().header.traits.has_contactor = true;
    EXPECT_TRUE(figure_of(contactor.take(), "k_value").value) << "a contactor isolates whatever off is";
}

TEST(KValue, takes_the_runs_own_means_where_no_step_has_any) {
    RunBuilder builder = ageing();
    for (ledger::MarkRecord& mark : builder.data().marks) {
        mark.of_run = true;
    }
    const ledger::RunData run = builder.take();
    EXPECT_TRUE(figure_of(run, "k_value").value);
    EXPECT_FALSE(figure_of(run, "k_value", {.step = "2"}).value);
}

TEST(Accept, a_rule_on_resistance_and_on_self_discharge_is_judged) {
    RunBuilder builder{"pristine", "dc_resistance = { max = \"45 mohm\" }"};
    builder.visit("charge", 2.0, 0).visit("rest", 0, 0).visit("pulse", 0, 0.002);
    builder.data().visits.back().resistance = 0.046;
    const Summary summary = summarise(builder.take());
    EXPECT_EQ(summary.verdict.grade, "reject");
    ASSERT_FALSE(summary.verdict.reasons.empty());
    EXPECT_THAT(summary.verdict.reasons.front(), HasSubstr("0.046000 ohm"));
}

}  // namespace
}  // namespace slowfilm::results
