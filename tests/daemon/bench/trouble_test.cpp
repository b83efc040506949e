// A cause that is still there: nothing is acknowledged, resumed or started beside it, and what to open by hand is said
// before all else.
#include "tests/daemon/bench/world.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace slowfilm::bench {
namespace {

using namespace literals;
using testing::HasSubstr;

std::string text(const boost::json::object& object, std::string_view key) {
    return std::string(object.at(key).as_string());
}

// a1's output stays on when it is asked to open; a2 runs beside it, a3 is empty.
struct StuckShelf : World {
    StuckShelf() : World(3) {
        channels[0]->on_demand = [this](const Demand& demand) {
            channels[0]->stuck |= !is_open(demand) && magnitude(std::get<DriveCurrent>(demand).current) > 2000_mA;
        };
        EXPECT_TRUE(start("a2", "C-2"));
        until_state("a2", "asking");
        EXPECT_TRUE(start("a1", "C-1"));  // its charge ends in a question, and goes on
        until_state("a2", "tripped");
    }
    void open_by_hand() {
        channels[0]->stuck = false;
        until([&] { return text(channel("a1"), "output") == "open"; });
    }
    boost::json::object reason_for(const char* name) { return {{"channel", name}, {"reason", "looked at it"}}; }
};

TEST(Trouble, nothing_of_a_group_is_acknowledged_resumed_or_started_while_a_neighbours_output_is_stuck) {
    StuckShelf world;
    for (const char* name : {"a2", "a3"}) {
        EXPECT_THAT(world.refusal(Failure::bad_data, "acknowledge", world.reason_for(name)),
                    HasSubstr("the output of channel 'a1' of its group is not seen open"));
        EXPECT_FALSE(world.channel(name).at("latch").is_null());
    }
    EXPECT_EQ(text(world.channel("a2"), "alarm_state"), "unacknowledged") << "the cause is there";
    EXPECT_FALSE(world.request("resume", {{"channel", "a2"}}));
    EXPECT_FALSE(world.start("a3", "C-3", unattended_protocol()));
    world.open_by_hand();
    for (const char* name : {"a2", "a3"}) {
        world.until([&] { return world.request("acknowledge", world.reason_for(name)).has_value(); });
    }
    EXPECT_TRUE(world.request("resume", {{"channel", "a2"}}));
    EXPECT_TRUE(world.start("a3", "C-3", unattended_protocol()));
}

TEST(Trouble, nothing_of_a_group_is_acknowledged_while_a_neighbours_cell_is_hot) {
    World world;
    ASSERT_TRUE(world.start("a1", "C-1", unattended_protocol()));
    world.until_state("a1", "done");
    ASSERT_TRUE(world.start("a2", "C-2"));
    world.until_state("a2", "asking");
    world.channels[0]->on_sample = [](Sample& sample) { sample.temperature.value = 55_degC; };
    world.until_state("a2", "tripped");
    EXPECT_THAT(world.refusal(Failure::bad_data, "acknowledge", {{"channel", "a2"}, {"reason", "x"}}),
                HasSubstr("the cell on channel 'a1' of its group is hot"));
    world.channels[0]->on_sample = nullptr;
    world.until([&] { return world.request("acknowledge", {{"channel", "a2"}, {"reason", "x"}}).has_value(); });
    world.channels[0]->on_sample = [](Sample& sample) { sample.temperature.value = 55_degC; };
    world.until_state("a2", "tripped");  // heat that comes back opens it again
}

// a1's cell tripped by heat, and is still as hot; a2 was opened with it, a3 is empty.
struct HotShelf : World {
    HotShelf() : World(3) {
        EXPECT_TRUE(start("a2", "C-2"));
        until_state("a2", "asking");
        EXPECT_TRUE(start("a1", "C-1", unattended_protocol()));
        until_state("a1", "forming");
        channels[0]->on_sample = [this](Sample& sample) { sample.temperature.value = reads; };
        until_state("a1", "tripped");
        until_state("a2", "tripped");
        until([&] { return text(channel("a1"), "output") == "open"; });
    }
    Temperature reads = Temperature{332'950};
};

TEST(Trouble, a_hot_cell_is_not_removed_and_its_neighbours_stay_as_they_are_until_it_has_cooled) {
    HotShelf world;
    const std::string said = world.refusal(Failure::try_again, "remove", {{"channel", "a1"}});
    EXPECT_THAT(said, HasSubstr("cell 'C-1' on channel 'a1' is hot (59.8 degC)"));
    EXPECT_THAT(said, HasSubstr("do not touch the cell"));
    EXPECT_EQ(text(world.channel("a1"), "cell"), "C-1");
    for (const char* name : {"a2", "a3"}) {
        EXPECT_THAT(world.refusal(Failure::bad_data, "acknowledge", {{"channel", name}, {"reason", "x"}}),
                    HasSubstr("the cell on channel 'a1' of its group is hot"));
    }
    world.reads = 25_degC;
    world.until([&] { return world.request("remove", {{"channel", "a1"}}).has_value(); });
    for (const char* name : {"a2", "a3"}) {
        EXPECT_TRUE(world.request("acknowledge", {{"channel", name}, {"reason", "cooled"}}));
    }
}

TEST(Trouble, a_cell_that_gets_hot_again_after_it_was_removed_is_told_and_nothing_goes_on_beside_it) {
    HotShelf world;
    world.reads = 25_degC;
    world.until([&] { return world.request("remove", {{"channel", "a1"}}).has_value(); });
    EXPECT_EQ(text(world.channel("a1"), "alarm"), "");
    world.reads = 55_degC;  // below the bench's cap of 60, above what a2's cell may reach
    world.until([&] { return !text(world.channel("a1"), "alarm").empty(); });
    EXPECT_EQ(world.state("a1"), "empty");
    EXPECT_EQ(text(world.channel("a1"), "alarm_state"), "unacknowledged");
    EXPECT_THAT(text(world.channel("a1"), "alarm"), HasSubstr("the thermometer reads 55 degC, above 50 degC"));
    EXPECT_THAT(world.refusal(Failure::bad_data, "acknowledge", {{"channel", "a2"}, {"reason", "x"}}),
                HasSubstr("channel 'a1' of its group is hot (55 degC, though no run is on it)"));
    EXPECT_FALSE(world.start("a3", "C-3", unattended_protocol()));
    world.reads = 25_degC;
    world.until([&] { return world.request("acknowledge", {{"channel", "a2"}, {"reason", "cooled"}}).has_value(); });
    EXPECT_EQ(text(world.channel("a1"), "alarm"), "");
}

TEST(Trouble, heat_beyond_the_benchs_cap_opens_the_group_though_no_run_is_on_the_channel) {
    World world;
    ASSERT_TRUE(world.start("a2", "C-2"));
    world.until_state("a2", "asking");
    world.channels[0]->on_sample = [](Sample& sample) { sample.temperature.value = 95_degC; };  // a broken sensor
    for (int seconds = 0; seconds < 20; ++seconds) {
        const double before = world.channel("a2").at("run_second").to_number<double>();
        world.until([&] { return world.channel("a2").at("run_second").to_number<double>() > before; });
    }
    EXPECT_EQ(world.state("a2"), "asking");
    world.channels[0]->on_sample = [](Sample& sample) { sample.temperature.value = 61_degC; };
    world.until_state("a2", "tripped");
    EXPECT_THAT(text(world.channel("a1"), "latch"), HasSubstr("61 degC"));
    EXPECT_FALSE(world.request("acknowledge", {{"channel", "a1"}, {"reason", "x"}}));
    world.channels[0]->on_sample = nullptr;
    world.until([&] { return world.request("acknowledge", {{"channel", "a1"}, {"reason", "cooled"}}).has_value(); });
}

TEST(Trouble, taking_note_of_a_cell_trip_frees_no_channel_whose_output_is_stuck) {
    StuckShelf world;
    world.channels[0]->on_sample = [](Sample& sample) { sample.temperature.value = 55_degC; };
    world.until([&] {
        const boost::json::object a1 = world.channel("a1");
        return !a1.at("trip").is_null() && text(a1.at("trip").as_object(), "class") == "cell";
    });
    const boost::json::object answer = world.ask("acknowledge", world.reason_for("a1"));
    EXPECT_FALSE(answer.at("latch").is_null());
    EXPECT_THAT(text(answer, "stays_latched"), HasSubstr("not seen open"));
    EXPECT_FALSE(world.channel("a1").at("latch").is_null());
    EXPECT_THAT(text(world.channel("a1"), "needs"), HasSubstr("open this channel by hand now"));
    world.channels[0]->on_sample = nullptr;
    world.open_by_hand();
    world.until([&] { return world.request("acknowledge", world.reason_for("a1")).has_value(); });
    EXPECT_TRUE(world.channel("a1").at("latch").is_null());
}

TEST(Trouble, stopping_first_gets_no_latch_away_while_its_cause_is_there) {
    for (const bool dead : {true, false}) {
        World world(1);
        ASSERT_TRUE(world.start("a1", "C-1"));
        world.until_state("a1", "asking");
        if (dead) {
            world.channels[0]->silent = true;
        } else {
            world.channels[0]->on_sample = [](Sample& sample) { sample.temperature.value = Temperature{258'150}; };
        }
        world.until_state("a1", "tripped");
        const boost::json::object reason{{"channel", "a1"}, {"reason", "x"}};
        EXPECT_FALSE(world.request("acknowledge", reason));
        world.ask("stop", {{"channels", boost::json::array{"a1"}}});
        EXPECT_THAT(world.refusal(Failure::bad_data, "acknowledge", reason), HasSubstr("its cause is still there"));
        if (!dead) {
            world.ask("remove", {{"channel", "a1"}});
            world.until([&] { return text(world.channel("a1"), "output") == "open"; });
            EXPECT_THAT(world.refusal(Failure::bad_data, "acknowledge", reason), HasSubstr("-15 degC"));
        }
        world.channels[0]->silent = false;
        world.channels[0]->on_sample = nullptr;
        world.until([&] { return world.request("acknowledge", reason).has_value(); });
    }
}

TEST(Trouble, status_leads_with_the_channel_to_open_by_hand_until_it_is_open) {
    StuckShelf world;
    const auto told = [&] {
        return std::count_if(world.events.begin(), world.events.end(),
                             [](const auto& one) { return one.at("event").as_string() == "output_stuck"; });
    };
    world.until([&] { return told() >= 3; });
    const boost::json::object a1 = world.channel("a1");
    EXPECT_EQ(text(a1, "output"), "stuck");
    EXPECT_EQ(text(a1, "needs").rfind("open this channel by hand now", 0), 0U) << text(a1, "needs");
    EXPECT_THAT(text(a1, "alarm"), HasSubstr("open this channel by hand now"));
    EXPECT_THAT(text(a1, "alarm"), HasSubstr("counts as none")) << "why it is not seen open";
    world.open_by_hand();
    EXPECT_THAT(text(world.channel("a1"), "needs"), testing::Not(HasSubstr("by hand")));
    EXPECT_THAT(text(world.channel("a1"), "alarm"), testing::Not(HasSubstr("by hand")));
}

TEST(Trouble, bad_readings_that_are_ridden_out_are_shown) {
    World world(1);
    ASSERT_TRUE(world.start("a1", "C-1"));
    world.until_state("a1", "asking");
    const std::int64_t before = world.channel("a1").at("bad_readings").to_number<std::int64_t>();
    int samples = 0;
    world.channels[0]->on_sample = [&](Sample& sample) {
        if (++samples % 20 == 0) {
            sample.temperature.quality = Quality::bad;
        }
    };
    world.until([&] { return samples >= 100; });
    EXPECT_EQ(world.state("a1"), "asking");
    EXPECT_GE(world.channel("a1").at("bad_readings").to_number<std::int64_t>() - before, 5);
}

TEST(Trouble, a_start_that_waits_for_the_disk_begins_nothing_beside_a_cell_that_gets_hot) {
    World world;
    ASSERT_TRUE(world.start("a1", "C-1", unattended_protocol()));
    world.until_state("a1", "done");
    int asked = 0;
    world.channels[0]->on_sample = [&](Sample& sample) {
        sample.temperature.value = 65_degC;  // beyond the bench's own cap: one sample is enough
        ++asked;
    };
    world.channels[0]->keeps_samples = true;
    world.until([&] { return world.channels[0]->owes_sample(); });
    // The cell is put in after the last look at the latch, and before the disk's answer.
    world.channels[1]->on_load = [&] { world.channels[0]->answer_samples(); };
    EXPECT_THAT(
        world.refusal(
            Failure::bad_data, "start",
            {{"channel", "a2"}, {"cell", "C-2"}, {"protocol_file", "short.toml"}, {"protocol_text", short_protocol()}}),
        HasSubstr("latched"));
    EXPECT_GT(asked, 0);
    EXPECT_EQ(world.state("a2"), "stopped");
    for (const Demand& demand : world.channels[1]->demands) {
        EXPECT_TRUE(is_open(demand));
    }
}

}  // namespace
}  // namespace slowfilm::bench
