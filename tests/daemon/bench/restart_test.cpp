// What the next daemon makes of what the last one left.
#include "daemon/bench/replay.hpp"
#include "tests/daemon/bench/world.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace slowfilm::bench {
namespace {

using namespace literals;
using testing::HasSubstr;

TEST(Restart, a_run_under_way_waits_for_a_person_and_no_current_flows) {
    World world;
    ASSERT_TRUE(world.start("a1", "C-1"));
    world.until_state("a1", "forming");
    const double before = world.channel("a1").at("charge_in_ah").to_number<double>();
    world.close();
    world.open();
    const boost::json::object status = world.channel("a1");
    EXPECT_EQ(status.at("state").as_string(), "waiting");
    EXPECT_EQ(status.at("cell").as_string(), "C-1");
    EXPECT_THAT(std::string(status.at("needs").as_string()), HasSubstr("restarted"));
    EXPECT_LE(status.at("charge_in_ah").to_number<double>(), 0.5);
    EXPECT_GE(status.at("charge_in_ah").to_number<double>(), before - 0.01);
    for (const Demand& demand : world.channels[0]->demands) {
        EXPECT_TRUE(is_open(demand) || &demand != &world.channels[0]->demands.back());
    }
    EXPECT_TRUE(is_open(world.channels[0]->demands.back()));
    EXPECT_FALSE(world.bench->findings().empty());
}

TEST(Restart, a_simulated_cell_comes_back_where_its_tape_left_it_and_the_run_can_go_on) {
    World world;
    ASSERT_TRUE(world.start("a1", "C-1"));
    world.until_state("a1", "asking");
    const double voltage = world.channel("a1").at("voltage_volt").to_number<double>();
    world.close();
    world.open();
    EXPECT_EQ(world.state("a1"), "asking") << "a question stays a question";
    world.until([&] { return world.channel("a1").at("voltage_volt").is_double(); });
    EXPECT_NEAR(world.channel("a1").at("voltage_volt").to_number<double>(), voltage, 0.02);
    world.ask("confirm", {{"channel", "a1"}, {"cell", "C-1"}});
    world.until_state("a1", "done");
    const std::string ledger = world.options().config.ledger;
    world.close();
    const auto reader = ledger::Reader::open(ledger);
    ASSERT_TRUE(reader) << reader.error().message;
    const Result<ReplayReport> report = replay(**reader, 1);
    ASSERT_TRUE(report) << report.error().message;
    EXPECT_TRUE(report->same) << report->difference;
}

TEST(Restart, resume_after_a_restart_takes_up_the_amount) {
    World world;
    ASSERT_TRUE(world.start("a1", "C-1"));
    world.until_state("a1", "forming");
    world.close();
    world.open();
    ASSERT_EQ(world.state("a1"), "waiting");
    world.ask("resume", {{"channel", "a1"}, {"cell", "C-1"}});
    world.until_state("a1", "asking");
    EXPECT_NEAR(world.channel("a1").at("charge_in_ah").to_number<double>(), 0.5, 0.002);
}

TEST(Restart, checks_that_were_cut_short_wait_for_a_person) {
    World world;
    const Result<boost::json::value> started = world.start("a1", "C-1");
    ASSERT_TRUE(started);
    ASSERT_EQ(started->at("state").as_string(), "checking");
    world.close();
    world.open();
    EXPECT_EQ(world.state("a1"), "waiting");
    EXPECT_FALSE(world.happened("step_began"));
    world.ask("resume", {{"channel", "a1"}, {"cell", "C-1"}});
    world.until_state("a1", "asking");
}

TEST(Restart, a_cell_whose_run_is_unfinished_on_a_channel_that_is_gone_gets_no_current_elsewhere) {
    World world;
    ASSERT_TRUE(world.start("a2", "C-2"));
    world.until_state("a2", "forming");
    world.close();
    const ChannelConfig gone = world.options().config.channels.back();
    world.options().config.channels.pop_back();
    world.open();
    const Result<boost::json::value> refused = world.start("a1", "C-2");
    ASSERT_FALSE(refused);
    EXPECT_EQ(refused.error().failure, Failure::bad_data);
    EXPECT_THAT(refused.error().message, HasSubstr("slowfilm stop 'a2'"));
    const Result<boost::json::value> stopped = world.request("stop", {{"channels", boost::json::array{"a2"}}});
    ASSERT_TRUE(stopped) << stopped.error().message;
    const std::string ledger = world.options().config.ledger;
    world.close();
    const auto reader = ledger::Reader::open(ledger);
    ASSERT_TRUE(reader) << reader.error().message;
    const Result<ReplayReport> report = replay(**reader, 1);
    ASSERT_TRUE(report) << report.error().message;
    EXPECT_TRUE(report->same) << report->difference;
    const auto verification = (*reader)->verify();
    ASSERT_TRUE(verification) << verification.error().message;
    EXPECT_TRUE(verification->good) << verification->findings.front();
    world.options().config.channels.push_back(gone);
    world.open();
    EXPECT_EQ(world.state("a2"), "stopped");
}

TEST(Restart, the_clock_goes_on_where_the_longest_tape_ended) {
    World world;
    ASSERT_TRUE(world.start("a1", "C-1"));
    world.until_state("a1", "forming");
    ASSERT_TRUE(world.start("a2", "C-2"));
    world.until_state("a2", "forming");
    world.close();
    world.open();
    world.until([&] { return world.channel("a1").at("voltage_volt").is_double(); });
    for (const boost::json::object& event : world.events) {
        EXPECT_NE(event.at("event").as_string(), "gap") << event.at("text");
    }
}

TEST(Restart, a_simulated_cell_taken_out_and_put_in_elsewhere_is_as_it_was_left) {
    std::string much = unattended_protocol();
    much.replace(much.find("10 %"), 4, "40 %");
    World world;
    ASSERT_TRUE(world.start("a1", "C-1", much));
    world.until_state("a1", "done");
    world.until([&] { return world.channel("a1").at("output").as_string() == "open"; });
    world.ask("remove", {{"channel", "a1"}});
    world.close();
    world.open();
    ASSERT_TRUE(world.start("a2", "C-1", unattended_protocol()));
    world.until_state("a2", "done");
    const std::string ledger = world.options().config.ledger;
    world.close();
    const auto reader = ledger::Reader::open(ledger);
    ASSERT_TRUE(reader) << reader.error().message;
    const Result<ledger::RunData> first = (*reader)->run(1);
    const Result<ledger::RunData> second = (*reader)->run(2);
    ASSERT_TRUE(first && second);
    // Its voltage recovers from the discharge, by tens of millivolts; a cell new to the bench would be far below it.
    const double left = first->visits.back().voltage_end.value_or(0.0);
    const double found = second->visits.front().voltage_start.value_or(0.0);
    EXPECT_GT(found, left);
    EXPECT_LT(found, left + 0.08);
    EXPECT_GT(found, first->visits.front().voltage_start.value_or(9.0) + 0.08);
}

TEST(Restart, a_rule_to_resume_by_itself_waits_for_a_person_too) {
    std::string text = short_protocol();
    text.insert(text.find("[[step]]"), "[interruption]\nthen = \"resume\"\nlongest = \"10 min\"\n");
    World world;
    const Result<boost::json::value> started = world.start("a1", "C-1", text);
    ASSERT_TRUE(started) << started.error().message;
    world.until_state("a1", "forming");
    world.close();
    world.open();
    EXPECT_EQ(world.state("a1"), "waiting");
    EXPECT_TRUE(is_open(world.channels[0]->demands.back()));
}

TEST(Restart, a_paused_run_stays_paused_through_several_restarts) {
    World world;
    ASSERT_TRUE(world.start("a1", "C-1"));
    world.until_state("a1", "forming");
    world.ask("pause", {{"all", true}});
    for (int i = 0; i < 3; ++i) {
        world.close();
        world.open();
        EXPECT_EQ(world.state("a1"), "paused");
    }
}

TEST(Restart, a_trip_survives_and_a_removed_run_does_not_come_back) {
    World world;
    world.channels[0]->refuses = true;
    ASSERT_TRUE(world.start("a1", "C-1"));
    ASSERT_TRUE(world.start("a2", "C-2", unattended_protocol()));
    world.until_state("a1", "tripped");
    world.until_state("a2", "done");
    world.close();
    world.open();
    EXPECT_EQ(world.state("a1"), "tripped");
    EXPECT_EQ(world.state("a2"), "done") << "until a person removes it";
    world.until([&] { return world.request("remove", {{"channel", "a2"}}).has_value(); });
    world.close();
    world.open();
    EXPECT_EQ(world.state("a1"), "tripped");
    EXPECT_EQ(world.state("a2"), "empty");
}

TEST(Restart, a_run_whose_channel_is_gone_is_waiting_in_the_ledger) {
    World world;
    ASSERT_TRUE(world.start("a2", "C-2"));
    world.until_state("a2", "forming");
    world.close();
    world.options().config.channels.pop_back();
    world.open();
    EXPECT_THAT(world.bench->findings().at(0), HasSubstr("not in this bench"));
    const std::string ledger = world.options().config.ledger;
    world.close();
    const auto reader = ledger::Reader::open(ledger);
    ASSERT_TRUE(reader) << reader.error().message;
    const Result<ledger::RunData> run = (*reader)->run(1);
    ASSERT_TRUE(run) << run.error().message;
    EXPECT_EQ(run->status.state, RunState::waiting);
    EXPECT_EQ(run->status.wait, WaitReason::restart);
}

// The last checkpoint is of a version that this program does not know.
void spoil_state(const std::string& path) {
    ledger::WriterOptions options;
    options.path = path;
    const auto writer = ledger::Writer::open(options);
    ASSERT_TRUE(writer) << writer.error().message;
    const auto reader = ledger::Reader::open(path);
    ASSERT_TRUE(reader);
    const auto checkpoint = (*reader)->last_checkpoint(1);
    ASSERT_TRUE(checkpoint && *checkpoint);
    ASSERT_TRUE((*writer)->put(ledger::Checkpoint{1, (*checkpoint)->sequence + 1, "from tomorrow"}));
    ASSERT_TRUE((*writer)->flush());
}

TEST(Restart, a_state_that_cannot_be_read_waits_and_can_only_be_ended) {
    World world;
    ASSERT_TRUE(world.start("a1", "C-1"));
    world.until_state("a1", "forming");
    const std::string path = world.options().config.ledger;
    world.close();
    spoil_state(path);
    world.open();
    const boost::json::object status = world.channel("a1");
    EXPECT_EQ(status.at("state").as_string(), "waiting");
    EXPECT_THAT(std::string(status.at("needs").as_string()), HasSubstr("could not be restored"));
    EXPECT_THAT(world.refusal(Failure::bad_data, "resume", {{"channel", "a1"}}), HasSubstr("could not be restored"));
    EXPECT_EQ(world.ask("pause", {{"all", true}}).at("kind").as_string(), "paused");
    world.ask("stop", {{"channels", {"a1"}}});
    EXPECT_EQ(world.state("a1"), "stopped");
    world.ask("remove", {{"channel", "a1"}});
    EXPECT_EQ(world.state("a1"), "empty");
}

TEST(Restart, a_cell_whose_run_cannot_be_restored_is_watched_for_heat_before_and_after_it_is_ended) {
    for (const bool ended : {false, true}) {
        World world;
        ASSERT_TRUE(world.start("a1", "C-1"));
        world.until_state("a1", "forming");
        const std::string path = world.options().config.ledger;
        world.close();
        spoil_state(path);
        world.open();
        if (ended) {
            world.ask("stop", {{"channels", {"a1"}}});
            world.close();
            world.open();
            ASSERT_EQ(world.state("a1"), "stopped");
        }
        ASSERT_TRUE(world.start("a2", "C-2"));
        world.channels[0]->on_sample = [](Sample& sample) { sample.temperature.value = 65_degC; };
        world.until_state("a2", "tripped");
        EXPECT_THAT(std::string(world.channel("a1").at("alarm").as_string()), HasSubstr("above the bench's 60 degC"));
        EXPECT_THAT(std::string(world.channel("a1").at("latch").as_string()), HasSubstr("out of a limit"));
    }
}

TEST(Restart, an_output_that_comes_on_beneath_a_run_that_cannot_be_restored_is_opened_and_latched) {
    World world;
    ASSERT_TRUE(world.start("a1", "C-1"));
    world.until_state("a1", "forming");
    const std::string path = world.options().config.ledger;
    world.close();
    spoil_state(path);
    world.open();
    world.channels[0]->demands.clear();
    world.channels[0]->on_sample = [](Sample& sample) { sample.current.value = 500_mA; };
    world.until([&] { return !world.channel("a1").at("latch").is_null(); });
    ASSERT_FALSE(world.channels[0]->demands.empty());
    EXPECT_TRUE(is_open(world.channels[0]->demands.back()));
    EXPECT_THAT(std::string(world.channel("a1").at("latch").as_string()), HasSubstr("at open circuit"));
}

TEST(Replay, a_tape_that_was_altered_is_found_out) {
    World world;
    ASSERT_TRUE(world.start("a1", "C-1", unattended_protocol()));
    world.until_state("a1", "done");
    world.ask("remove", {{"channel", "a1"}});
    const std::string path = world.options().config.ledger;
    world.close();
    const auto reader = ledger::Reader::open(path);
    ASSERT_TRUE(reader) << reader.error().message;
    ASSERT_TRUE(replay(**reader, 1)->same);
    {
        ledger::WriterOptions options;
        options.path = path;
        const auto writer = ledger::Writer::open(options);
        ASSERT_TRUE(writer) << writer.error().message;
        const Result<ledger::RunData> run = (*reader)->run(1);
        ledger::EventRecord extra = run->events.back();
        ++extra.sequence;
        extra.event.kind = EventKind::warned;
        extra.text = "never happened";
        ASSERT_TRUE((*writer)->put(extra));
        ASSERT_TRUE((*writer)->flush());
    }
    const Result<ReplayReport> report = replay(**reader, 1);
    ASSERT_TRUE(report) << report.error().message;
    EXPECT_FALSE(report->same);
    EXPECT_THAT(report->difference, HasSubstr("never happened"));
}

TEST(Replay, a_run_that_is_not_there_is_named) {
    World world;
    const auto reader = ledger::Reader::open(world.options().config.ledger);
    ASSERT_TRUE(reader) << reader.error().message;
    const Result<ReplayReport> report = replay(**reader, 7);
    ASSERT_FALSE(report);
    EXPECT_EQ(report.error().failure, Failure::no_input);
}

}  // namespace
}  // namespace slowfilm::bench
