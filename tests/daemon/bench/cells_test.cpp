// What people tell the bench of cells and runs, and what it remembers.
#include "daemon/bench/replay.hpp"
#include "daemon/core/text.hpp"
#include "tests/daemon/bench/world.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace slowfilm::bench {
namespace {

using namespace literals;
using testing::HasSubstr;

constexpr uid_t stranger = 54'321;

boost::json::object entry(const char* cell, const char* name, const char* value, bool fresh = false) {
    return {{"cell", cell}, {"name", name}, {"value", value}, {"new", fresh}};
}

std::string soaked_protocol() {
    std::string text = unattended_protocol();
    return text.insert(text.find("[limits]"), "[start]\nsoaked = \"12 h\"\n");
}

TEST(Cells, a_reading_is_kept_with_time_and_who) {
    World world;
    EXPECT_THAT(world.refusal(Failure::no_input, "enter", entry("C-1", "mass", "68.31 g")), HasSubstr("--new"));
    world.ask("enter", entry("C-1", "mass", "68.31 g", true));
    EXPECT_THAT(world.refusal(Failure::bad_data, "enter", entry("C-1", "mass", "68.31 g", true)),
                HasSubstr("knows a cell 'C-1' already"));
    world.ask("enter", entry("C-1", "mass", "68.29 g"));
    const std::string ledger = world.options().config.ledger;
    world.close();
    const auto reader = ledger::Reader::open(ledger);
    ASSERT_TRUE(reader) << reader.error().message;
    const auto readings = (*reader)->hand_readings("C-1");
    ASSERT_TRUE(readings);
    ASSERT_EQ(readings->size(), 2U);
    EXPECT_EQ(readings->back().text, "68.29 g");
    EXPECT_GT(readings->back().utc, 0);
    EXPECT_THAT(readings->back().who, HasSubstr("uid " + std::to_string(::geteuid())));
}

TEST(Cells, only_operators_tell_the_ledger_anything) {
    World world;
    ASSERT_TRUE(world.start("a1", "C-1"));
    const boost::json::object note{{"run", 1}, {"text", "swollen"}};
    for (const auto& [method, params] : std::vector<std::pair<std::string, boost::json::object>>{
             {"enter", entry("C-1", "mass", "68.31 g")},
             {"note", note},
             {"release", {{"cell", "C-1"}, {"reason", "looked at"}}},
             {"move", {{"run", 1}, {"channel", "a2"}}},
             {"start_tray", {}}}) {
        EXPECT_THAT(world.refusal(Failure::not_allowed, method, params, stranger), HasSubstr("operate list")) << method;
    }
}

TEST(Cells, a_cell_that_was_only_entered_begins_as_the_protocol_claims) {
    World world;
    world.ask("enter", entry("C-1", "lot", "2026-47", true));
    ASSERT_TRUE(world.start("a1", "C-1", unattended_protocol()));
    world.until_state("a1", "done");
    world.ask("remove", {{"channel", "a1"}});
    const auto reader = ledger::Reader::open(world.options().config.ledger);
    ASSERT_TRUE(reader);
    const auto cell = (*reader)->cell("C-1");
    ASSERT_TRUE(cell && *cell);
    EXPECT_TRUE((*cell)->history.known);
    EXPECT_EQ((*cell)->history.furthest, CellState::formed);
    EXPECT_EQ((*reader)->hand_readings("C-1")->front().text, "2026-47") << "a run does not forget what was entered";
}

TEST(Cells, a_cell_that_must_soak_starts_only_when_it_has) {
    World world;
    const auto refused = [&] {
        const auto started = world.start("a1", "C-1", soaked_protocol());
        EXPECT_FALSE(started);
        return started ? "" : started.error().message;
    };
    EXPECT_THAT(refused(), HasSubstr("slowfilm enter 'C-1' filled"));
    const std::int64_t now = machine_utc();
    const std::int64_t hour = 3'600'000'000;
    world.ask("enter", entry("C-1", "filled", print_utc(now - hour).c_str(), true));
    EXPECT_THAT(refused(), HasSubstr("and the protocol wants 12 h"));
    world.ask("enter", entry("C-1", "filled", print_utc(now - 13 * hour).c_str()));
    EXPECT_TRUE(world.start("a1", "C-1", soaked_protocol()));
}

TEST(Cells, a_note_stands_in_the_runs_record) {
    World world;
    ASSERT_TRUE(world.start("a1", "C-1"));
    world.ask("note", {{"run", 1}, {"text", "swollen at the seam"}});
    EXPECT_THAT(world.refusal(Failure::no_input, "note", {{"run", 2}, {"text", "x"}}), HasSubstr("run 2"));
    EXPECT_THAT(world.refusal(Failure::bad_data, "note", {{"run", 1}, {"text", " "}}), HasSubstr("a note needs"));
    EXPECT_THAT(world.refusal(Failure::bad_data, "note", {{"run", 1}, {"text", "a\nb"}}), HasSubstr("one line"));
    world.refusal(Failure::usage, "note", {{"run", 0}, {"text", "x"}});
    world.refusal(Failure::usage, "note", {{"run", "1"}, {"text", "x"}});
    const auto reader = ledger::Reader::open(world.options().config.ledger);
    ASSERT_TRUE(reader);
    const auto run = (*reader)->run(1);
    ASSERT_TRUE(run);
    EXPECT_EQ(run->actions.back().verb, "note");
    EXPECT_EQ(run->actions.back().detail, "swollen at the seam");
}

TEST(Cells, a_quarantine_is_lifted_by_a_person_with_a_reason_and_nothing_starts) {
    World world;
    EXPECT_THAT(world.refusal(Failure::no_input, "release", {{"cell", "C-1"}, {"reason", "x"}}), HasSubstr("C-1"));
    // Over-voltage: the fixture reads 0.6 V too much, and the protocol's limit is the cell's.
    world.close();
    world.change_simulation = [](sim::SimulatedChannelOptions& options) { options.stage.voltage_offset = 0.6; };
    world.open();
    std::string text = unattended_protocol();
    text.insert(text.find("[limits]"), "[start]\nvoltage = { min = \"2 V\", max = \"4.24 V\" }\n");
    ASSERT_TRUE(world.start("a1", "C-1", text));
    world.until([&] { return world.state("a1") == "tripped" || world.state("a1") == "done"; });
    ASSERT_EQ(world.state("a1"), "tripped");
    EXPECT_THAT(world.refusal(Failure::bad_data, "release", {{"cell", "C-1"}, {"reason", "x"}}),
                HasSubstr("still; take it out and remove"));
    world.until([&] { return world.request("remove", {{"channel", "a1"}}).has_value(); });
    EXPECT_FALSE(world.start("a2", "C-1", unattended_protocol()));
    EXPECT_THAT(world.refusal(Failure::bad_data, "release", {{"cell", "C-1"}, {"reason", ""}}), HasSubstr("reason"));
    const boost::json::object released =
        world.ask("release", {{"cell", "C-1"}, {"reason", "the meter was off, cell looked at"}});
    EXPECT_THAT(std::string(released.at("quarantine").as_string()), HasSubstr("over_voltage"));
    EXPECT_EQ(world.state("a1"), "empty");
    EXPECT_THAT(world.refusal(Failure::bad_data, "release", {{"cell", "C-1"}, {"reason", "x"}}),
                HasSubstr("not quarantined"));
    world.close();
    world.open();
    const auto reader = ledger::Reader::open(world.options().config.ledger);
    ASSERT_TRUE(reader);
    EXPECT_FALSE((*reader)->cell("C-1")->value().history.quarantined);
    const auto lifted = (*reader)->lifted("C-1");
    ASSERT_TRUE(lifted);
    ASSERT_EQ(lifted->size(), 1U);
    EXPECT_EQ(lifted->front().reason, "the meter was off, cell looked at");
}

}  // namespace
}  // namespace slowfilm::bench
