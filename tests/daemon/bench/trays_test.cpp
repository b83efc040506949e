// Cells that start together: all or some, a chamber around them, and steps that they begin as one.
#include "daemon/bench/replay.hpp"
#include "tests/daemon/bench/world.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace slowfilm::bench {
namespace {

using namespace literals;
using testing::HasSubstr;
using Cells = std::vector<std::pair<std::string, std::string>>;  // channel, cell

boost::json::object tray(const Cells& cells, bool all_or_none, const std::string& protocol = unattended_protocol()) {
    boost::json::array list;
    for (const auto& [channel, cell] : cells) {
        list.push_back(boost::json::object{{"channel", channel}, {"cell", cell}});
    }
    return {{"name", "Monday"},
            {"protocol_file", "short.toml"},
            {"protocol_text", protocol},
            {"all_or_none", all_or_none},
            {"cells", std::move(list)}};
}

std::string why(const boost::json::object& answer, std::size_t cell) {
    const boost::json::value& line = answer.at("cells").at(cell);
    return line.as_object().contains("why") ? std::string(line.at("why").as_string()) : "";
}

TEST(Trays, all_of_a_good_tray_start_and_their_record_says_that_they_belong_together) {
    World world(3);
    const boost::json::object answer =
        world.ask("start_tray", tray({{"a1", "C-1"}, {"a2", "C-2"}, {"a3", "C-3"}}, true));
    EXPECT_EQ(answer.at("kind").as_string(), "tray");
    EXPECT_EQ(answer.at("started").to_number<int>(), 3);
    EXPECT_EQ(answer.at("refused").to_number<int>(), 0);
    for (const char* channel : {"a1", "a2", "a3"}) {
        world.until_state(channel, "done");
        EXPECT_EQ(world.channel(channel).at("tray").to_number<int>(), 1);
    }
    world.close();
    const auto reader = ledger::Reader::open(world.options().config.ledger);
    ASSERT_TRUE(reader);
    for (const ledger::RunNumber number : {1U, 2U, 3U}) {
        const auto run = (*reader)->run(number);
        ASSERT_TRUE(run);
        EXPECT_EQ(run->header.tray, 1U);
        EXPECT_EQ(run->header.tray_name, "Monday");
        EXPECT_TRUE(replay(**reader, number)->same);
    }
}

TEST(Trays, good_starts_those_that_can_and_says_of_each_other_why_not) {
    World world(3);
    ASSERT_TRUE(world.start("a2", "C-9"));
    const boost::json::object answer = world.ask(
        "start_tray", tray({{"a1", "C-1"}, {"a2", "C-2"}, {"a3", "C-9"}, {"a4", "C-4"}, {"a3", " x"}}, false));
    EXPECT_EQ(answer.at("started").to_number<int>(), 1);
    EXPECT_EQ(answer.at("refused").to_number<int>(), 4);
    EXPECT_EQ(why(answer, 0), "");
    EXPECT_THAT(why(answer, 1), HasSubstr("busy"));
    EXPECT_THAT(why(answer, 2), HasSubstr("in channel 'a2' already"));
    EXPECT_THAT(why(answer, 3), HasSubstr("no channel 'a4'"));
    EXPECT_THAT(why(answer, 4), HasSubstr("begins or ends with a space"));
    EXPECT_EQ(world.state("a3"), "empty");
    EXPECT_TRUE(world.start("a3", "C-3", unattended_protocol())) << "what was refused is free again";
}

TEST(Trays, all_or_none_starts_nothing_where_one_cannot) {
    World world(2);
    const boost::json::object answer = world.ask("start_tray", tray({{"a1", "C-1"}, {"a9", "C-2"}}, true));
    EXPECT_EQ(answer.at("started").to_number<int>(), 0);
    EXPECT_THAT(why(answer, 0), HasSubstr("others of its tray"));
    EXPECT_TRUE(answer.at("tray").is_null());
    EXPECT_EQ(world.state("a1"), "empty");
    EXPECT_TRUE(world.start("a1", "C-1", unattended_protocol()));
    // A reason that only the ledger knows: the cell is formed, the protocol for pristine ones.
    world.until_state("a1", "done");
    world.ask("remove", {{"channel", "a1"}});
    std::string pristine = unattended_protocol();
    pristine.replace(pristine.find("\"formed\""), 8, "\"pristine\"");
    pristine.erase(pristine.rfind("[[step]]"));
    const boost::json::object later = world.ask("start_tray", tray({{"a1", "C-1"}, {"a2", "C-2"}}, true, pristine));
    EXPECT_EQ(later.at("started").to_number<int>(), 0);
    EXPECT_THAT(why(later, 0), HasSubstr("knows 'C-1' as formed"));
    EXPECT_EQ(world.state("a2"), "empty");
}

TEST(Trays, the_same_channel_or_cell_twice_starts_once) {
    World world(2);
    const boost::json::object answer =
        world.ask("start_tray", tray({{"a1", "C-1"}, {"a1", "C-2"}, {"a2", "C-1"}}, false));
    EXPECT_EQ(answer.at("started").to_number<int>(), 1);
    EXPECT_THAT(why(answer, 1), HasSubstr("another start is under way"));
    EXPECT_THAT(why(answer, 2), HasSubstr("'a1' already"));
}

TEST(Trays, the_room_is_that_of_all_of_them) {
    std::uint64_t one = 0;
    World world(2, [&](BenchOptions& options) {
        options.free_bytes = [&one](const std::string&) -> Result<std::uint64_t> { return one; };
    });
    one = 1U << 30U;
    ASSERT_TRUE(world.start("a1", "C-1", unattended_protocol()));
    world.until_state("a1", "done");
    world.ask("remove", {{"channel", "a1"}});
    // Room for one of them and a half.
    std::uint64_t low = 0;
    std::uint64_t high = 1U << 30U;
    while (high - low > 1) {
        one = (low + high) / 2;
        const boost::json::object answer = world.ask("start_tray", tray({{"a1", "C-" + std::to_string(one)}}, true));
        const bool started = answer.at("started").to_number<int>() == 1;
        (started ? high : low) = one;
        if (started) {
            world.ask("stop", {{"channels", boost::json::array{"a1"}}});
            world.until([&] { return world.request("remove", {{"channel", "a1"}}).has_value(); });
        }
        if (high - low < (1U << 16U)) {
            break;
        }
    }
    one = high + high / 2;
    const boost::json::object answer = world.ask("start_tray", tray({{"a1", "D-1"}, {"a2", "D-2"}}, false));
    EXPECT_EQ(answer.at("started").to_number<int>(), 1);
    EXPECT_THAT(why(answer, 1), HasSubstr("those that start with it"));
}

TEST(Trays, a_request_that_is_none_is_refused) {
    World world;
    for (const auto& change : std::vector<std::function<void(boost::json::object&)>>{
             [](boost::json::object& o) { o.erase("cells"); }, [](boost::json::object& o) { o["cells"] = 3; },
             [](boost::json::object& o) { o["cells"] = boost::json::array{}; },
             [](boost::json::object& o) { o["cells"] = boost::json::array{1}; },
             [](boost::json::object& o) { o.erase("all_or_none"); }, [](boost::json::object& o) { o.erase("name"); },
             [](boost::json::object& o) { o["cells"] = boost::json::array(1025); }}) {
        boost::json::object params = tray({{"a1", "C-1"}}, true);
        change(params);
        world.refusal(Failure::usage, "start_tray", params);
    }
    boost::json::object params = tray({{"a1", "C-1"}}, true);
    params["name"] = "a\nb";
    EXPECT_THAT(world.refusal(Failure::bad_data, "start_tray", params), HasSubstr("control characters"));
}

// Steps of this language begin together: a wait of a length of its own stands before it.
std::string together() {
    std::string text = unattended_protocol();
    const std::size_t fill = text.find("name    = \"fill\"");
    return text.insert(fill, "together = true\n");
}

TEST(Trays, cells_of_a_tray_begin_a_step_together_when_the_last_has_come) {
    World world(3);
    const boost::json::object answer =
        world.ask("start_tray", tray({{"a1", "C-1"}, {"a2", "C-2"}, {"a3", "C-3"}}, true, together()));
    ASSERT_EQ(answer.at("started").to_number<int>(), 3) << to_json_text(answer);
    world.ask("pause", {{"channels", boost::json::array{"a3"}}});
    world.until([&] { return world.happened("gathering"); });
    for (int i = 0; i < 50; ++i) {
        EXPECT_NE(world.state("a1"), "forming") << "the third has not come";
    }
    world.ask("resume", {{"channel", "a3"}, {"cell", "C-3"}});
    for (const char* channel : {"a1", "a2", "a3"}) {
        world.until_state(channel, "done");
    }
    const std::string path = world.options().config.ledger;
    world.close();
    const auto reader = ledger::Reader::open(path);
    ASSERT_TRUE(reader);
    for (const ledger::RunNumber run : {1U, 2U, 3U}) {
        const auto replayed = replay(**reader, run);
        ASSERT_TRUE(replayed);
        EXPECT_TRUE(replayed->same) << replayed->difference;
    }
}

TEST(Trays, one_that_is_stopped_is_not_waited_for_and_one_alone_waits_for_nobody) {
    World world(3);
    ASSERT_TRUE(world.start("a3", "C-9", together()));
    world.ask("start_tray", tray({{"a1", "C-1"}, {"a2", "C-2"}}, true, together()));
    world.ask("pause", {{"channels", boost::json::array{"a2"}}});
    world.until_state("a3", "done");
    world.until([&] { return world.happened("gathering"); });
    world.ask("stop", {{"channels", boost::json::array{"a2"}}});
    world.until_state("a1", "done");
}

TEST(Trays, after_a_restart_they_gather_again) {
    World world(2);
    world.ask("start_tray", tray({{"a1", "C-1"}, {"a2", "C-2"}}, true, together()));
    world.ask("pause", {{"channels", boost::json::array{"a2"}}});
    world.until([&] { return world.happened("gathering"); });
    world.close();
    world.open();
    world.ask("resume", {{"channel", "a1"}, {"cell", "C-1"}});
    world.until_state("a1", "resting");
    for (int i = 0; i < 50; ++i) {
        EXPECT_NE(world.state("a1"), "forming") << "the other has not come";
    }
    world.ask("resume", {{"channel", "a2"}, {"cell", "C-2"}});
    world.until_state("a1", "done");
    world.until_state("a2", "done");
}

// --- chambers

void in_an_oven(BenchOptions& options) {
    options.config.chambers.push_back({"oven", {}, TemperatureSlope{120'000}, 20_degC, 60_degC});  // 2 K/min
    for (ChannelConfig& channel : options.config.channels) {
        channel.chamber = "oven";
        channel.traits.has_chamber = channel.traits.has_ambient = true;
    }
}

std::string warm(const char* ambient = "45 degC") {
    std::string text = unattended_protocol();
    text.replace(text.find("max = \"45 degC\""), 15, "max = \"49 degC\"");
    const std::size_t fill = text.find("name = \"settle\"");
    text.insert(fill, "ambient = \"" + std::string(ambient) + "\"\n");
    return text.replace(text.find("\"2 min\""), 7, "\"2 h\"");
}

double ambient_of(World& world, const char* channel) {
    const boost::json::value value = world.channel(channel).at("ambient_temperature_celsius");
    return value.is_null() ? 0.0 : value.to_number<double>();
}

TEST(Chamber, goes_to_what_a_step_asks_for_at_its_own_pace_and_the_cell_with_it) {
    World world(2, in_an_oven);
    ASSERT_TRUE(world.start("a1", "C-1", warm()));
    world.until([&] { return ambient_of(world, "a1") > 44.9; });
    world.until_state("a1", "forming");
    EXPECT_NEAR(world.channel("a1").at("temperature_celsius").to_number<double>(), 45.0, 1.5);
    ASSERT_FALSE(world.channels[0]->ambients.empty());
    EXPECT_EQ(world.channels[0]->ambients.front(), 45_degC);
}

TEST(Chamber, is_set_by_one_run_or_by_one_tray) {
    World world(3, in_an_oven);
    ASSERT_TRUE(world.start("a1", "C-1"));  // sets nothing, and lies there
    const auto started = world.start("a2", "C-2", warm());
    ASSERT_FALSE(started);
    EXPECT_EQ(started.error().failure, Failure::try_again);
    EXPECT_THAT(started.error().message, HasSubstr("in which cell 'C-1' lies"));
    world.ask("stop", {{"channels", boost::json::array{"a1"}}});
    const boost::json::object answer = world.ask("start_tray", tray({{"a2", "C-2"}, {"a3", "C-3"}}, true, warm()));
    EXPECT_EQ(answer.at("started").to_number<int>(), 2) << to_json_text(answer);
}

TEST(Chamber, what_it_cannot_reach_is_refused_before_anything_starts) {
    World world(1, in_an_oven);
    const auto started = world.start("a1", "C-1", warm("15 degC"));
    ASSERT_FALSE(started);
    EXPECT_THAT(started.error().message, HasSubstr("chamber 'oven' goes from 20 degC to 60 degC"));
}

TEST(Chamber, goes_to_a_safe_ambient_when_something_in_it_gets_hot) {
    World world(2, in_an_oven);
    world.close();
    world.change_simulation = [](sim::SimulatedChannelOptions& options) {
        sim::StageFault hot;
        hot.kind = sim::StageFaultKind::thermometer;
        hot.from = 1_h;
        hot.value = 55.0;
        options.stage.faults.push_back(hot);
    };
    world.open();
    ASSERT_TRUE(world.start("a1", "C-1", warm()));
    world.until_state("a1", "tripped");
    EXPECT_EQ(world.channels[0]->ambients.back(), 25_degC);
    world.until([&] { return ambient_of(world, "a1") < 25.1; });
}

}  // namespace
}  // namespace slowfilm::bench
