// A run that is put on another channel: it waits there for a person, goes on with what it had, and its record replays.
#include "daemon/bench/moving.hpp"
#include "daemon/bench/replay.hpp"
#include "tests/daemon/bench/world.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace slowfilm::bench {
namespace {

using namespace literals;
using testing::HasSubstr;

boost::json::object to(const char* channel, int run = 1) {
    return {{"run", run}, {"channel", channel}};
}

// The second channel is another instrument: slower, coarser, and with more noise of its own.
void other_instrument(BenchOptions& options) {
    ChannelTraits& traits = options.config.channels[1].traits;
    traits.period = 2_s;
    traits.voltage_accuracy = 2_mV;
    traits.current_accuracy = 5_mA;
}

void pause_in_charge(World& world) {
    ASSERT_TRUE(world.start("a1", "C-1"));
    world.until_state("a1", "forming");
    world.ask("pause", {{"channels", boost::json::array{"a1"}}});
}

void expect_whole(World& world) {
    const std::string ledger = world.options().config.ledger;
    world.close();
    const auto reader = ledger::Reader::open(ledger);
    ASSERT_TRUE(reader) << reader.error().message;
    const auto verified = (*reader)->verify();
    ASSERT_TRUE(verified);
    EXPECT_TRUE(verified->good) << (verified->good ? "" : verified->findings.front());
    const auto replayed = replay(**reader, 1);
    ASSERT_TRUE(replayed) << replayed.error().message;
    EXPECT_TRUE(replayed->same) << replayed->difference;
    EXPECT_TRUE(replayed->checkpoint_compared);
}

// The move is taken once the output of the old channel is seen open.
boost::json::object moved(World& world, const char* channel) {
    std::optional<boost::json::object> result;
    world.until([&] {
        const auto answer = world.request("move", to(channel));
        if (answer) {
            result = answer->as_object();
        } else {
            EXPECT_EQ(answer.error().failure, Failure::try_again) << answer.error().message;
        }
        return result.has_value() || answer.error().failure != Failure::try_again;
    });
    return result.value_or(boost::json::object{});
}

TEST(Move, a_run_goes_on_on_another_channel_with_what_it_had_and_its_record_replays) {
    World world(2, other_instrument);
    pause_in_charge(world);
    const double before = world.channel("a1").at("charge_in_ah").to_number<double>();
    const boost::json::object result = moved(world, "a2");
    EXPECT_EQ(result.at("from").as_string(), "a1");
    EXPECT_EQ(result.at("channel").as_string(), "a2");
    EXPECT_EQ(world.state("a1"), "empty");
    EXPECT_EQ(world.state("a2"), "waiting") << "nothing goes on by itself";
    EXPECT_THAT(std::string(world.channel("a2").at("needs").as_string()), HasSubstr("put on this channel"));
    EXPECT_EQ(world.channel("a2").at("charge_in_ah").to_number<double>(), before);
    world.until([&] { return world.channel("a2").at("output").as_string() == "open"; });
    world.ask("resume", {{"channel", "a2"}, {"cell", "C-1"}});
    world.until_state("a2", "asking");
    world.ask("confirm", {{"channel", "a2"}, {"cell", "C-1"}});
    world.until_state("a2", "done");
    // 10 % and 5 % of 5 Ah, whichever channel gave them.
    EXPECT_NEAR(world.channel("a2").at("charge_in_ah").to_number<double>(), 0.5, 0.004);
    EXPECT_NEAR(world.channel("a2").at("charge_out_ah").to_number<double>(), 0.25, 0.004);
    const auto reader = ledger::Reader::open(world.options().config.ledger);
    ASSERT_TRUE(reader);
    const auto run = (*reader)->run(1);
    ASSERT_TRUE(run);
    EXPECT_EQ(run->header.channel, "a2");
    ASSERT_EQ(run->moves.size(), 1U);
    EXPECT_EQ(run->moves[0].from, "a1");
    EXPECT_EQ(run->moves[0].traits.period, 2_s);
    EXPECT_EQ(run->header.traits.period, 1_s) << "where it began";
    expect_whole(world);
}

TEST(Move, there_and_back_again_and_through_restarts_the_record_still_replays) {
    World world(2, other_instrument);
    pause_in_charge(world);
    moved(world, "a2");
    world.close();  // the daemon dies with the run just moved
    world.open();
    EXPECT_EQ(world.state("a1"), "empty");
    EXPECT_EQ(world.state("a2"), "waiting");
    world.until([&] { return world.channel("a2").at("output").as_string() == "open"; });
    moved(world, "a1");
    world.until([&] { return world.channel("a1").at("output").as_string() == "open"; });
    world.ask("resume", {{"channel", "a1"}, {"cell", "C-1"}});
    world.until_state("a1", "forming");
    world.close();
    world.open();
    EXPECT_EQ(world.state("a1"), "waiting");
    world.ask("resume", {{"channel", "a1"}, {"cell", "C-1"}});
    world.until_state("a1", "asking");
    expect_whole(world);
}

TEST(Move, each_refusal_says_why_and_leaves_the_run_where_it_is) {
    World world(3, [](BenchOptions& options) {
        options.config.channels[2].traits.sink_max = {};  // a supply: it cannot discharge
    });
    EXPECT_THAT(world.refusal(Failure::no_input, "move", to("a2")), HasSubstr("no run 1"));
    ASSERT_TRUE(world.start("a1", "C-1"));
    world.until_state("a1", "forming");
    EXPECT_THAT(world.refusal(Failure::bad_data, "move", to("a2")), HasSubstr("is forming"));
    EXPECT_THAT(world.refusal(Failure::no_input, "move", to("a9")), HasSubstr("a9"));
    EXPECT_THAT(world.refusal(Failure::bad_data, "move", to("a1")), HasSubstr("already"));
    world.until_state("a1", "asking");
    world.ask("pause", {{"channels", boost::json::array{"a1"}}});
    EXPECT_THAT(world.refusal(Failure::bad_data, "move", to("a3")), HasSubstr("cannot go on on channel 'a3'"));
    ASSERT_TRUE(world.start("a2", "C-2"));
    EXPECT_THAT(world.refusal(Failure::try_again, "move", to("a2")), HasSubstr("not empty"));
    EXPECT_EQ(world.state("a1"), "paused");
    EXPECT_EQ(world.state("a3"), "empty");
    EXPECT_TRUE(world.start("a3", "C-3",
                            [] {
                                std::string text = unattended_protocol();
                                return text.erase(text.rfind("[[step]]"));  // without its discharge
                            }()))
        << "a refused move leaves the channel free";
}

TEST(Move, a_trip_that_was_acknowledged_may_go_elsewhere) {
    World world;
    world.channels[0]->refuses = true;
    ASSERT_TRUE(world.start("a1", "C-1"));
    world.until_state("a1", "tripped");
    EXPECT_THAT(world.refusal(Failure::bad_data, "move", to("a2")), HasSubstr("is tripped"));
    world.until([&] { return world.channel("a1").at("output").as_string() == "open"; });
    world.ask("acknowledge", {{"channel", "a1"}, {"reason", "the relay is gone; another channel"}});
    moved(world, "a2");
    world.until([&] { return world.channel("a2").at("output").as_string() == "open"; });
    world.ask("resume", {{"channel", "a2"}, {"cell", "C-1"}});
    world.until_state("a2", "asking");
    expect_whole(world);
}

TEST(Move, twice_is_the_same_as_once) {
    engine::Run run;
    run.begun = true;
    run.last.voltage = {Time{5}, 0_mV, Quality::good};  // the leads are off already
    run.same_cell = {.voltage = 3700_mV, .known = true};
    put_elsewhere(run);
    const std::string once = engine::serialise(run);
    put_elsewhere(run);
    EXPECT_EQ(engine::serialise(run), once);
    EXPECT_EQ(run.same_cell.voltage, 3700_mV);
    EXPECT_EQ(run.window, engine::StartWindow::same_cell);
}

}  // namespace
}  // namespace slowfilm::bench
