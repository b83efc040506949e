#include "daemon/core/text.hpp"
#include "sim/cell/particle.hpp"
#include "sim/sets/particle_sets.hpp"

#include <fstream>
#include <iterator>
#include <string>
#include <tuple>
#include <utility>

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace slowfilm::sim {
namespace {

using ::testing::HasSubstr;

std::string pouch_text() {
    for (const ShippedSet& set : shipped_sets()) {
        if (set.name == "nmc-graphite-pouch-5ah") {
            return std::string{set.text};
        }
    }
    return "";
}

// What is said of the pouch's text with `from` replaced by `to`.
std::string said_of(const std::string& from, const std::string& to) {
    std::string text = pouch_text();
    const std::size_t place = text.find(from);
    EXPECT_NE(place, std::string::npos) << from;
    text.replace(place, from.size(), to);
    const ReadSet read = read_particle_set("own.toml", text);
    EXPECT_FALSE(read.parameters.has_value());
    return render(read.diagnostics, text);
}

TEST(ParticleSets, three_are_built_in_and_each_can_be) {
    EXPECT_EQ(shipped_sets().size(), 3U);
    for (const ShippedSet& set : shipped_sets()) {
        const ReadSet read = read_particle_set(std::string{set.name}, set.text);
        EXPECT_TRUE(read.parameters.has_value()) << render(read.diagnostics, set.text);
    }
}

TEST(ParticleSets, say_of_the_first_cycle_what_they_come_to_beside_what_was_measured) {
    // 0.854 +/- 0.009: first cycles of 19 NMC111/graphite pouch cells, public data, doi 10.7302/pa3f-4w30 (2021).
    // 0.75 to 0.85 with SiOx: common practice, from memory.
    for (const auto& [name, measured] : {std::pair{"nmc-graphite-pouch-5ah", "0.854 +/- 0.009 measured on 19"},
                                         {"nmc-graphite-siox-cylindrical-5ah", "0.75 to 0.85 by common practice"}}) {
        const ParticleParameters set = particle_set(name).value();
        const double efficiency = ParticleCell(set, CellState::pristine).first_cycle_efficiency().value();
        EXPECT_THAT(set.compared, HasSubstr(print_fixed(efficiency, 4) + " by this set, " + measured));
    }
    EXPECT_THAT(particle_set("LFP/graphite")->compared, HasSubstr("no first charge of such cells has been compared"));
}

TEST(ParticleSets, come_to_the_efficiencies_of_their_table) {
    std::ifstream file(SLOWFILM_SOURCE_DIR "/sim/cells/sets.md");
    const std::string table{std::istreambuf_iterator<char>{file}, {}};
    for (const ShippedSet& set : shipped_sets()) {
        const ParticleParameters parameters = particle_set(std::string{set.name}).value();
        const double efficiency = ParticleCell(parameters, CellState::pristine).first_cycle_efficiency().value();
        EXPECT_THAT(table, HasSubstr("| " + std::string{set.name} + " | " + print_fixed(efficiency, 4) + " | "));
    }
}

TEST(ParticleSets, of_ones_own_may_leave_out_with_what_they_were_compared) {
    std::string text = pouch_text();
    const std::size_t begin = text.find("compared = ");
    ASSERT_NE(begin, std::string::npos);
    text.erase(begin, text.find("\"\"\"\n", begin) + 4 - begin);
    const ReadSet read = read_particle_set("own.toml", text);
    ASSERT_TRUE(read.parameters.has_value()) << render(read.diagnostics, text);
    EXPECT_EQ(read.parameters->compared, "");
    EXPECT_THAT(said_of("compared = ", "compared = 0.8825\ncompare = "), HasSubstr("'compare'"));
}

TEST(ParticleSets, are_found_by_name_and_by_chemistry) {
    EXPECT_EQ(particle_set("nmc-graphite-pouch-5ah")->chemistry, "NMC/graphite");
    EXPECT_EQ(particle_set("NMC/graphite")->name, "NMC/graphite pouch, 5 Ah");
    EXPECT_EQ(particle_set("NMC/graphite-SiOx")->capacity, 5.0);
    EXPECT_EQ(particle_set("LFP/graphite")->capacity, 2.0);
    EXPECT_EQ(particle_set("other")->chemistry, "NMC/graphite");
    const auto none = particle_set("no such set");
    ASSERT_FALSE(none.has_value());
    EXPECT_EQ(none.error().failure, Failure::no_input);
    EXPECT_THAT(none.error().message, HasSubstr("lfp-graphite-cylindrical-2ah"));
}

TEST(ParticleSets, scale_their_area_to_the_capacity) {
    // 14 pairs of 0.016808 m2 are 5 Ah; 34 pairs are the 12.5 Ah cell of the published parameters, near enough.
    const ParticleParameters set = particle_set("NMC/graphite").value();
    EXPECT_NEAR(set.area, 14 * 0.016808, 1e-12);
    const ParticleParameters large = scaled(set, 5.0 * 34.0 / 14.0);
    EXPECT_NEAR(large.area, 34 * 0.016808, 1e-12);
    EXPECT_NEAR(large.heat_capacity, 1847.0 * 1.28e-4 * 913.0, 0.1);
    EXPECT_TRUE(check(large).has_value());
    ParticleCell one(set, CellState::formed);
    ParticleCell two(large, CellState::formed);
    one.drive(0.0, CurrentDrive{1.0, 4.2, 2.7});
    two.drive(0.0, CurrentDrive{34.0 / 14.0, 4.2, 2.7});
    EXPECT_NEAR(one.at(3000.0).voltage, two.at(3000.0).voltage, 1e-4);
}

TEST(ParticleSets, a_bad_one_is_refused_with_the_place_and_the_reason) {
    for (const auto& [from, to, what] : {
             std::tuple{"radius                 = 4.12e-6     # m [1]\n", "", "radius"},
             {"capacity    = 5.0 ", "capacity    = -5.0 ", "a capacity is above 0, not -5"},
             {"full                   = 0.42424", "full                   = 0.62424", "cannot reach the window"},
             {"voltage_max = 4.2 ", "voltage_max = 4.6 ", "cannot reach the window"},
             {"concentration = 1000 ", "concentration = 0 ", "there is some salt"},
             {"thickness              = 5.62e-5", "thickness              = 0.0",
              "a thickness is 10 nm to 10 mm, not 0"},
             {"exchange   = 10.0", "exchange   = nan", "nan"},
             {"porosity               = 0.253991", "porosity               = \"a quarter\"", "own.toml:"},
             {"[heat]", "[heat]\ncoling = 3.0", "coling"},
             {"diffusivity            = 2.728e-14", "diffusivity            = 2.728e+14", "a diffusivity lies between"},
             {"linear = 3.329", "linear = -3.329", "the conductivity is not within"},
             {"area        = 0.235312", "area        = 2.35312", "is not a cell of 5 Ah"},
             {"tapped_voltage     = 2.0 ", "tapped_voltage     = 9.9 ",
              "a tapped cell stands between 0.239 V, as it was filled, and 2.469 V, where its film would begin to "
              "grow, not "
              "at 9.9 V"},
             {"tapped_voltage     = 2.0 ", "tapped_voltage     = 0.1 ", "a tapped cell stands between 0.239 V"},
             {"double_layer       = 0.0 ", "double_layer       = 51.0 ",
              "0.0001 to 10 F for each Ah, of which 0.2 to 1 are common, not 51"},
             {"formed_thickness    = 27.35e-9", "formed_thickness    = 200e-9", "the film of a formed cell would hold"},
         }) {
        const std::string said = said_of(from, to);
        EXPECT_THAT(said, HasSubstr(what)) << from;
        EXPECT_THAT(said, HasSubstr("own.toml:")) << from;
        EXPECT_THAT(said, HasSubstr("error: ")) << from;
    }
}

TEST(ParticleSets, swapped_electrodes_are_called_swapped) {
    ParticleParameters p = particle_set("NMC/graphite").value();
    std::swap(p.negative, p.positive);
    p.positive.pristine = 0.98;
    const auto bad = find_bad(p);
    ASSERT_TRUE(bad.has_value());
    EXPECT_THAT(bad->what, HasSubstr("the electrodes are swapped"));
}

TEST(ParticleSets, the_place_is_that_of_the_number) {
    std::string text = pouch_text();
    const std::string from = "capacity    = 5.0 ";
    text.replace(text.find(from), from.size(), "capacity    = -5.0 ");
    const ReadSet read = read_particle_set("own.toml", text);
    ASSERT_EQ(read.diagnostics.items.size(), 1U);
    std::uint32_t line = 1;
    for (std::size_t i = 0; i < text.find("capacity    = -5.0"); ++i) {
        line += text[i] == '\n' ? 1 : 0;
    }
    EXPECT_EQ(read.diagnostics.items[0].place, (Place{line, 15}));
}

}  // namespace
}  // namespace slowfilm::sim
