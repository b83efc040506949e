// What a rehearsal on the electrochemical cell tells besides its record.
#include "daemon/protocol/parse.hpp"
#include "daemon/results/summary.hpp"
#include "sim/rehearsal/rehearsal.hpp"
#include "sim/sets/particle_sets.hpp"
#include "tests/sim/rehearsal_protocols.hpp"

#include <fstream>
#include <iterator>
#include <sstream>
#include <string>

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace slowfilm::sim {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;
using ::testing::StartsWith;

RehearsalOutcome rehearsed(const std::string& name, const RehearsalOptions& options = {}) {
    for (const auto& file : testing::shipped_protocols()) {
        if (file.filename().string() == name) {
            const std::string text = testing::text_of(file);
            const protocol::Parsed parsed = protocol::parse_protocol(name, text);
            return rehearse(*parsed.protocol, text, options).value();
        }
    }
    ADD_FAILURE() << "no protocol " << name;
    return {};
}

TEST(RehearsalOfTheElectrochemicalCell, tells_film_margin_and_what_to_expect) {
    const ModelReport model = rehearsed("staged-nmc-pouch.toml").model;
    EXPECT_THAT(model.name, StartsWith("NMC/graphite pouch, 5 Ah"));
    ASSERT_TRUE(model.electrochemistry.has_value());
    EXPECT_GT(model.film_charge_ah, 0.5);
    EXPECT_NEAR(model.electrochemistry->film_thickness_nm, 26.5, 2.0);
    EXPECT_GT(model.electrochemistry->lowest_graphite, 0.05);
    EXPECT_EQ(model.electrochemistry->plated_ah, 0.0);
    EXPECT_NEAR(model.electrochemistry->first_cycle_efficiency.value(), 0.8825, 0.001);
}

TEST(RehearsalOfTheElectrochemicalCell, says_of_its_own_set_by_how_much_it_is_known_to_be_off) {
    EXPECT_THAT(rehearsed("staged-nmc-pouch.toml").model.electrochemistry->compared, HasSubstr("0.854 +/- 0.009"));
    EXPECT_THAT(rehearsed("siox-three-cycles.toml").model.electrochemistry->compared, HasSubstr("0.75 to 0.85"));
    EXPECT_THAT(rehearsed("lfp-plateau.toml").model.electrochemistry->compared, HasSubstr("C/5"));
    RehearsalOptions options;
    options.set = particle_set("NMC/graphite").value();
    options.set->compared.clear();
    EXPECT_EQ(rehearsed("staged-nmc-pouch.toml", options).model.electrochemistry->compared, "");
}

TEST(RehearsalOfTheElectrochemicalCell, takes_the_set_of_the_chemistry_and_another_one_on_request) {
    EXPECT_THAT(rehearsed("lfp-plateau.toml").model.name, StartsWith("LFP/graphite"));
    EXPECT_THAT(rehearsed("siox-three-cycles.toml").model.name, StartsWith("NMC/graphite-SiOx"));
    RehearsalOptions options;
    options.set = particle_set("NMC/graphite-SiOx").value();
    EXPECT_THAT(rehearsed("staged-nmc-pouch.toml", options).model.name, StartsWith("NMC/graphite-SiOx"));
    options.cell = nmc_graphite();
    const ModelReport circuit = rehearsed("staged-nmc-pouch.toml", options).model;
    EXPECT_THAT(circuit.name, HasSubstr("circuit"));
    EXPECT_FALSE(circuit.electrochemistry.has_value());
}

TEST(RehearsalOfTheElectrochemicalCell, says_that_a_set_was_made_to_another_capacity) {
    EXPECT_THAT(rehearsed("baseline-three-cycles.toml").model.name, HasSubstr("made to 2.4 Ah"));
}

TEST(RehearsalOfTheElectrochemicalCell, says_that_the_cell_is_of_another_chemistry_than_the_protocol) {
    RehearsalOptions options;
    options.set = particle_set("LFP/graphite").value();
    EXPECT_THAT(rehearsed("staged-nmc-pouch.toml", options).model.name, HasSubstr("not the protocol's NMC/graphite"));
    options.set = particle_set("NMC/graphite").value();
    EXPECT_THAT(rehearsed("staged-nmc-pouch.toml", options).model.name, Not(HasSubstr("not the protocol's")));
}

TEST(RehearsalOfTheElectrochemicalCell, with_a_double_layer_ends_every_shipped_protocol_as_without) {
    for (const auto& file : testing::shipped_protocols()) {
        const std::string text = testing::text_of(file);
        const protocol::Parsed parsed = protocol::parse_protocol("p.toml", text);
        for (const double farads_of_5_ah : {0.1, 2.0}) {
            RehearsalOptions options;
            const protocol::Chemistry chemistry = parsed.protocol->cell.chemistry;
            options.set = particle_set(std::string{protocol::word(chemistry)}).value();
            options.set->double_layer = farads_of_5_ah * options.set->capacity / 5.0;
            const auto outcome = rehearse(*parsed.protocol, text, options);
            ASSERT_TRUE(outcome.has_value()) << outcome.error().message;
            EXPECT_EQ(outcome->run.status.state, RunState::done) << file << ", " << farads_of_5_ah << " F";
        }
    }
}

TEST(RehearsalOfTheElectrochemicalCell, says_why_the_checks_refused_to_begin) {
    RehearsalOptions options;
    options.set = particle_set("NMC/graphite").value();
    options.set->reversed = true;
    const std::string text = results::to_text(results::summarise(rehearsed("staged-nmc-pouch.toml", options).run));
    EXPECT_THAT(text, StartsWith("waiting: "));
    EXPECT_THAT(text, HasSubstr("\n  connection check: the cell reads -"));
    EXPECT_THAT(text, HasSubstr("it looks reversed"));
    EXPECT_THAT(results::to_text(results::summarise(rehearsed("staged-nmc-pouch.toml").run)),
                Not(HasSubstr("connection check:")));
}

TEST(RehearsalOfTheElectrochemicalCell, is_the_one_of_the_readme) {
    std::ifstream file(SLOWFILM_SOURCE_DIR "/README.md");
    const std::string readme{std::istreambuf_iterator<char>{file}, {}};
    std::istringstream told(results::to_text(results::summarise(rehearsed("staged-nmc-pouch.toml").run)));
    int found = 0;
    for (std::string line; std::getline(told, line);) {
        if (line.starts_with("      1     ") || line.starts_with("      2     ") ||
            line.find("first_cycle_efficiency is ") != std::string::npos) {
            EXPECT_THAT(readme, HasSubstr("\n    " + line + "\n"));
            ++found;
        }
    }
    EXPECT_EQ(found, 3);
}

TEST(RehearsalOfTheElectrochemicalCell, refuses_a_set_that_cannot_be) {
    RehearsalOptions options;
    options.set = particle_set("NMC/graphite").value();
    options.set->positive.radius = -1.0;
    for (const auto& file : testing::shipped_protocols()) {
        const std::string text = testing::text_of(file);
        const protocol::Parsed parsed = protocol::parse_protocol("p.toml", text);
        const auto outcome = rehearse(*parsed.protocol, text, options);
        ASSERT_FALSE(outcome.has_value());
        EXPECT_THAT(outcome.error().message, HasSubstr("positive.radius"));
    }
}

}  // namespace
}  // namespace slowfilm::sim
