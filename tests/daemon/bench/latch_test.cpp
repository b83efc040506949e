// The channel's own latch: what trips the wiring, the instrument or the room stays with the channel.
#include "tests/daemon/bench/world.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace slowfilm::bench {
namespace {

using testing::HasSubstr;

// A channel that refuses every current trips by class channel.
void trip(World& world) {
    world.channels[0]->refuses = true;
    ASSERT_TRUE(world.start("a1", "C-1", unattended_protocol()));
    world.until_state("a1", "tripped");
    world.channels[0]->refuses = false;
    world.until([&] { return world.channel("a1").at("output").as_string() == "open"; });
}

void stop_and_remove(World& world) {
    world.ask("stop", {{"channels", boost::json::array{"a1"}}});
    world.until([&] { return world.request("remove", {{"channel", "a1"}}).has_value(); });
}

TEST(Latch, outlives_the_run_and_the_daemon_until_it_is_acknowledged) {
    World world;
    trip(world);
    stop_and_remove(world);
    EXPECT_FALSE(world.channel("a1").at("latch").is_null());
    for (int daemons = 0; daemons < 2; ++daemons) {
        const auto started = world.start("a1", "C-2", unattended_protocol());
        ASSERT_FALSE(started);
        EXPECT_EQ(started.error().failure, Failure::bad_data);
        EXPECT_THAT(started.error().message, HasSubstr("slowfilm acknowledge 'a1' --reason"));
        EXPECT_TRUE(world.start("a2", "C-" + std::to_string(3 + daemons), unattended_protocol())) << "a2 is free";
        world.until_state("a2", "done");
        world.ask("remove", {{"channel", "a2"}});
        world.close();
        world.open();
    }
    EXPECT_THAT(world.refusal(Failure::bad_data, "acknowledge", {{"channel", "a1"}, {"reason", ""}}),
                HasSubstr("reason"));
    const boost::json::object result = world.ask("acknowledge", {{"channel", "a1"}, {"reason", "plug cleaned"}});
    EXPECT_TRUE(result.at("run").is_null());
    EXPECT_EQ(result.at("state").as_string(), "empty");
    EXPECT_TRUE(world.channel("a1").at("latch").is_null());
    EXPECT_TRUE(world.start("a1", "C-2", unattended_protocol()));
    world.until_state("a1", "done");
    world.close();
    world.open();
    EXPECT_TRUE(world.channel("a1").at("latch").is_null());
}

// ISA-18.2 / IEC 62682: a latching alarm stays when its cause is gone, until it is acknowledged and reset.
TEST(Latch, the_state_of_the_alarm_is_told) {
    World world;
    EXPECT_EQ(world.channel("a1").at("alarm_state").as_string(), "normal");
    trip(world);
    world.until(
        [&] { return world.channel("a1").at("trip").at("alarm_state").as_string() == "latched, unacknowledged"; });
    world.ask("acknowledge", {{"channel", "a1"}, {"reason", "plug cleaned"}});
    EXPECT_EQ(world.channel("a1").at("alarm_state").as_string(), "latched, acknowledged");
    stop_and_remove(world);
    EXPECT_EQ(world.channel("a1").at("alarm_state").as_string(), "normal");
}

TEST(Latch, goes_with_the_acknowledgement_of_the_run_that_tripped) {
    World world;
    trip(world);
    world.ask("acknowledge", {{"channel", "a1"}, {"reason", "plug cleaned"}});
    EXPECT_TRUE(world.channel("a1").at("latch").is_null());
    stop_and_remove(world);
    EXPECT_TRUE(world.start("a1", "C-2", unattended_protocol()));
}

TEST(Latch, an_empty_channel_that_is_not_latched_has_nothing_to_acknowledge) {
    World world;
    EXPECT_THAT(world.refusal(Failure::bad_data, "acknowledge", {{"channel", "a1"}, {"reason", "x"}}),
                HasSubstr("not latched"));
    EXPECT_THAT(world.refusal(Failure::no_input, "acknowledge", {{"channel", "a9"}, {"reason", "x"}}), HasSubstr("a9"));
}

TEST(Latch, heat_or_a_stuck_output_latches_the_neighbours_too_the_empty_ones_with_them) {
    World world(3);
    world.channels[0]->on_demand = [&](const Demand& demand) { world.channels[0]->stuck |= !is_open(demand); };
    ASSERT_TRUE(world.start("a1", "C-1", unattended_protocol()));
    world.until([&] { return world.happened("output_stuck"); });
    for (const char* name : {"a2", "a3"}) {
        EXPECT_THAT(std::string(world.channel(name).at("latch").as_string()), HasSubstr("'a1' of its group"));
        EXPECT_FALSE(world.start(name, "C-2", unattended_protocol()));
    }
    EXPECT_THAT(world.refusal(Failure::bad_data, "acknowledge", {{"channel", "a1"}, {"reason", "looks fine"}}),
                testing::AnyOf(HasSubstr("its cause is still there"), HasSubstr("not seen open")));
}

}  // namespace
}  // namespace slowfilm::bench
