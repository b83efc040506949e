// Whose cell is it by now? What a person must say before a run goes on, and what a name must look like.
#include "tests/daemon/bench/world.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace slowfilm::bench {
namespace {

using namespace literals;
using testing::HasSubstr;

const boost::json::object a1{{"channel", "a1"}};
const boost::json::object named{{"channel", "a1"}, {"cell", "C-1"}};

void start_charging(World& world) {
    ASSERT_TRUE(world.start("a1", "C-1"));
    world.until_state("a1", "forming");
}

std::string last_failure(const World& world) {
    std::string text;
    for (const auto& event : world.events) {
        if (event.at("event").as_string() == "connection_failed") {
            text = std::string(event.at("text").as_string());
        }
    }
    return text;
}

TEST(Doubt, a_resume_after_a_restart_needs_the_id_and_the_error_says_what_to_write) {
    World world;
    start_charging(world);
    world.close();
    world.open();
    ASSERT_EQ(world.state("a1"), "waiting");
    EXPECT_THAT(std::string(world.channel("a1").at("needs").as_string()), HasSubstr("resume --cell ID"));
    EXPECT_THAT(world.refusal(Failure::bad_data, "resume", a1), HasSubstr("slowfilm resume --cell ID 'a1'"));
    EXPECT_THAT(world.refusal(Failure::bad_data, "resume", {{"channel", "a1"}, {"cell", "C-2"}}),
                HasSubstr("holds cell 'C-1', not 'C-2'"));
    EXPECT_THAT(world.refusal(Failure::bad_data, "resume", {{"channel", "a1"}, {"cell", ""}}), HasSubstr("empty"));
    EXPECT_EQ(world.state("a1"), "waiting");
    world.ask("resume", named);
    world.until_state("a1", "asking");
}

TEST(Doubt, a_cell_changed_while_the_daemon_was_away_gets_no_current) {
    World world;
    start_charging(world);
    world.close();
    world.on_make = [](WilfulChannel& channel) {
        channel.on_sample = [](Sample& sample) { sample.voltage.value.count -= 500'000'000; };
    };
    world.open();
    world.channels[0]->demands.clear();
    world.ask("resume", named);
    world.until([&] { return !last_failure(world).empty(); });
    EXPECT_EQ(world.state("a1"), "waiting");
    EXPECT_THAT(last_failure(world), HasSubstr("whether it is the same cell"));
    for (const Demand& demand : world.channels[0]->demands) {
        EXPECT_TRUE(is_open(demand)) << "not even a test current";
    }
}

TEST(Doubt, a_moved_run_needs_the_id_of_the_cell_that_was_carried_there) {
    World world;
    start_charging(world);
    world.ask("pause", {{"channels", boost::json::array{"a1"}}});
    world.until([&] { return world.request("move", {{"run", 1}, {"channel", "a2"}}).has_value(); });
    EXPECT_THAT(world.refusal(Failure::bad_data, "resume", {{"channel", "a2"}}), HasSubstr("--cell ID 'a2'"));
    world.ask("resume", {{"channel", "a2"}, {"cell", "C-1"}});
    world.until_state("a2", "asking");
}

TEST(Doubt, an_acknowledged_trip_needs_the_id) {
    World world;
    world.channels[0]->refuses = true;
    ASSERT_TRUE(world.start("a1", "C-1"));
    world.until_state("a1", "tripped");
    world.channels[0]->refuses = false;
    world.until([&] { return world.channel("a1").at("output") == "open"; });
    world.ask("acknowledge", {{"channel", "a1"}, {"reason", "cable was loose"}});
    EXPECT_THAT(world.refusal(Failure::bad_data, "resume", a1), HasSubstr("--cell ID"));
    world.ask("resume", named);
    world.until_state("a1", "asking");
}

TEST(Doubt, a_claim_that_never_had_current_is_no_history) {
    // Pristine is claimed of a cell that is formed, the checks say so, and the right protocol is taken.
    World world;
    std::string pristine = short_protocol();
    pristine.replace(pristine.find("\"formed\""), 8, "\"pristine\"");
    ASSERT_TRUE(world.start("a1", "C-1", pristine));
    world.channels[0]->on_sample = [](Sample& sample) { sample.voltage.value = 3600_mV; };
    world.until_state("a1", "waiting");
    world.ask("stop", {{"channels", boost::json::array{"a1"}}});
    world.until([&] { return world.request("remove", a1).has_value(); });
    world.channels[0]->on_sample = nullptr;
    const Result<boost::json::value> started = world.start("a1", "C-1");
    ASSERT_TRUE(started) << started.error().message;
}

TEST(Doubt, charge_that_flowed_unseen_is_in_the_ledger_for_the_next_run) {
    World world;
    const std::string path = world.options().config.ledger;
    world.close();
    {
        ledger::WriterOptions options;
        options.path = path;
        const auto writer = ledger::Writer::open(options);
        ASSERT_TRUE(writer) << writer.error().message;
        ledger::CellRecord cell;
        cell.id = "C-1";
        cell.history = {.furthest = CellState::formed, .known = true, .leg_unseen = 3_mAh, .net_unseen = 4_mAh};
        ASSERT_TRUE((*writer)->put(cell));
        ASSERT_TRUE((*writer)->flush());
    }
    world.open();
    start_charging(world);
    world.ask("commit");
    const auto reader = ledger::Reader::open(path);
    ASSERT_TRUE(reader);
    const auto run = (*reader)->run(1);
    ASSERT_TRUE(run);
    EXPECT_EQ(run->header.history.leg_unseen, 3_mAh);
    const auto cell = (*reader)->cell("C-1");
    ASSERT_TRUE(cell && *cell);
    EXPECT_EQ((*cell)->history.leg_unseen, 3_mAh) << "and the run does not forget it";
    EXPECT_EQ((*cell)->history.net_unseen, 4_mAh);
}

TEST(Doubt, an_id_that_looks_like_another_is_no_id) {
    World world;
    for (const char* id : {"K-04\u00A0", "K-04\u2003", "K\u202F04", "K-04\u3000", "K-04\u2800", "K-04\u3164",
                           "K-04\uFE0F", "K-0\u00AD4", "K-04\u200B", "K  04", "K-04\U000E0020"}) {
        const Result<boost::json::value> started = world.start("a1", id);
        ASSERT_FALSE(started) << id;
        EXPECT_EQ(started.error().failure, Failure::bad_data);
        EXPECT_FALSE(world.request("enter", {{"cell", id}, {"name", "mass"}, {"value", "1 g"}, {"new", true}})) << id;
    }
    EXPECT_TRUE(world.start("a1", "Zelle für 04 電池")) << "what can be seen is welcome";
}

TEST(Doubt, the_hours_below_one_volt_are_those_of_now) {
    World world;
    std::string pristine = short_protocol();
    pristine.replace(pristine.find("\"formed\""), 8, "\"pristine\"");
    ASSERT_TRUE(world.start("a1", "C-1", pristine));
    world.ask("pause", {{"channels", boost::json::array{"a1"}}});
    const auto alarm = [&] { return std::string(world.channel("a1").at("alarm").as_string()); };
    world.until([&] { return alarm().find(" left to charge it") != std::string::npos; });
    const std::string first = alarm();
    world.until([&] { return alarm() != first; });
    const auto told = std::count_if(world.events.begin(), world.events.end(),
                                    [](const auto& event) { return event.at("event").as_string() == "copper"; });
    world.until([&] { return alarm().find(": 0 s left") != std::string::npos; });
    EXPECT_GE(told, 1);
    world.ask("stop", {{"channels", boost::json::array{"a1"}}});
    world.until([&] { return world.request("remove", a1).has_value(); });
    ASSERT_TRUE(world.start("a1", "C-1", pristine));
    world.ask("pause", {{"channels", boost::json::array{"a1"}}});
    world.until([&] { return !alarm().empty(); });
    EXPECT_THAT(alarm(), HasSubstr(": 0 s left")) << "a new run gives the cell no new day";
}

}  // namespace
}  // namespace slowfilm::bench
