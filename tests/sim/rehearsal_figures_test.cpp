// The engine knows its figures while the run goes on (only_if, a repeat's end); results/figures.cpp computes them from
// the record afterwards. Two statements of one definition: they must not drift apart.
#include "daemon/core/unit.hpp"
#include "daemon/engine/engine.hpp"
#include "daemon/protocol/parse.hpp"
#include "daemon/results/figures.hpp"
#include "daemon/results/summary.hpp"
#include "rehearsal_protocols.hpp"
#include "sim/rehearsal/rehearsal.hpp"

#include <algorithm>
#include <cmath>

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace slowfilm::sim {
namespace {

using testing::shipped_protocols;
using testing::text_of;

struct Both {
    RehearsalOutcome outcome;
    engine::Run run;  // as the fold left it
};

Both rehearsed(const std::string& name, const std::string& text) {
    const protocol::Parsed parsed = protocol::parse_protocol(name, text);
    EXPECT_TRUE(parsed.protocol) << render(parsed.diagnostics, text);
    std::vector<Input> inputs;
    RehearsalOptions options;
    options.on_input = [&](const Input& input, const engine::Decision&) { inputs.push_back(input); };
    Result<RehearsalOutcome> outcome = rehearse(*parsed.protocol, text, options);
    if (!outcome) {
        ADD_FAILURE() << outcome.error().message;
        return {};
    }
    Both both{std::move(*outcome), {}};
    const ledger::RunHeader& header = both.outcome.run.header;
    const engine::Plan plan = engine::make_plan(*parsed.protocol, header.capacity, header.traits, header.caps).value();
    both.run = engine::new_run(plan, header.history);
    for (const Input& input : inputs) {
        static_cast<void>(engine::advance(plan, both.run, input));
    }
    return both;
}

// What the fold knows at the end of a run and what the record tells of it are the same figure.
void expect_same(const Both& both) {
    const results::Summary summary = results::summarise(both.outcome.run);
    ASSERT_EQ(summary.figures.size(), figure_count);
    for (std::size_t i = 0; i < figure_count; ++i) {
        const results::FigureDefinition& definition = results::figure_definitions()[i];
        const engine::FigureValue& folded = both.run.figures[i];
        const results::Figure& recorded = summary.figures[i];
        ASSERT_EQ(recorded.name, definition.name);
        ASSERT_EQ(folded.defined, recorded.value.has_value()) << recorded.name << ": " << recorded.reason;
        if (folded.defined) {
            const double value = unit_of(definition.dimension).of(folded.value);
            const double in_ratio =
                definition.dimension == Dimension::ratio ? static_cast<double>(folded.value) / 1e6 : value;
            // A ratio is kept in whole ppm.
            EXPECT_NEAR(in_ratio, *recorded.value, std::max(1.1e-6, std::fabs(*recorded.value) * 1e-6))
                << recorded.name;
        }
    }
}

class RehearsalOf : public ::testing::TestWithParam<std::filesystem::path> {};

TEST_P(RehearsalOf, a_shipped_protocol_is_done_and_its_cell_is_good) {
    const Both both = rehearsed(GetParam().filename().string(), text_of(GetParam()));
    EXPECT_EQ(both.outcome.run.status.state, RunState::done);
    EXPECT_EQ(results::summarise(both.outcome.run).verdict.grade, "accept");
}

TEST_P(RehearsalOf, a_shipped_protocol_has_the_same_figures_in_the_fold_and_in_the_record) {
    expect_same(rehearsed(GetParam().filename().string(), text_of(GetParam())));
}

INSTANTIATE_TEST_SUITE_P(Files, RehearsalOf, ::testing::ValuesIn(shipped_protocols()), [](const auto& info) {
    std::string name = info.param.stem().string();
    std::ranges::replace(name, '-', '_');
    return name;
});

std::string with_steps(const std::string& state, const std::string& steps) {
    return "format = 1\n[cell]\nchemistry = \"NMC/graphite\"\ncapacity = \"5 Ah\"\n"
           "window = { min = \"2.7 V\", max = \"4.2 V\" }\nstate = \"" +
           state +
           "\"\n[limits]\nvoltage_max = \"4.25 V\"\ncurrent_max = \"6 A\"\ntemperature_max = \"50 degC\"\n"
           "charge_temperature = { min = \"10 degC\", max = \"45 degC\" }\n" +
           steps;
}

const std::string two_cycles_with_a_pulse = R"(
[[step]]
do = "repeat"
times = 2
  [[step.step]]
  do = "charge"
  rate = "C/5"
  ends = { voltage = "4.1 V" }
  at_most = "8 h"
  [[step.step]]
  do = "rest"
  ends = { time = "2 h" }
  keep = { at = ["30 min", "2 h"], mean_of = "60 s" }
  [[step.step]]
  do = "pulse"
  levels = [{ discharge = "0.2C", for = "10 s" }, { discharge = "1C", for = "1 s" }]
  at_most = "1 min"
  [[step.step]]
  do = "discharge"
  rate = "C/5"
  ends = { voltage = "2.8 V" }
  at_most = "8 h"
)";

// A cell that relaxes after the pulse rises though discharge goes on, at less current: no lead has lifted.
TEST(RehearsalFigures, of_pulses_and_marks_are_the_same_in_the_fold_and_in_the_record) {
    for (const char* state : {"pristine", "tapped", "formed"}) {
        SCOPED_TRACE(state);
        const Both both = rehearsed("figures.toml", with_steps(state, two_cycles_with_a_pulse));
        EXPECT_EQ(both.outcome.run.status.state, RunState::done);
        EXPECT_TRUE(both.run.figures[static_cast<std::size_t>(FigureId::dc_resistance)].defined);
        EXPECT_TRUE(both.run.figures[static_cast<std::size_t>(FigureId::k_value)].defined);
        expect_same(both);
    }
}

}  // namespace
}  // namespace slowfilm::sim
