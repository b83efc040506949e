// What is watched besides a run's own steps: the cell that lies there when its run is over, and the neighbours of one
// that is tested.
#include "daemon/bench/replay.hpp"
#include "tests/daemon/bench/world.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace slowfilm::bench {
namespace {

using namespace literals;
using testing::HasSubstr;

void read_hot(WilfulChannel& channel) {
    channel.on_sample = [](Sample& sample) { sample.temperature.value = 55_degC; };
}

TEST(IdleWatch, a_cell_that_gets_hot_after_its_run_opens_its_group) {
    World world;
    ASSERT_TRUE(world.start("a1", "C-1", unattended_protocol()));
    world.until_state("a1", "done");
    ASSERT_TRUE(world.start("a2", "C-2"));
    world.until_state("a2", "asking");
    read_hot(*world.channels[0]);
    world.until([&] { return world.happened("idle_alarm"); });
    EXPECT_EQ(world.state("a1"), "done") << "what it was, it was";
    EXPECT_THAT(std::string(world.channel("a1").at("alarm").as_string()), HasSubstr("out of a limit: "));
    world.until_state("a2", "tripped");
    EXPECT_THAT(std::string(world.channel("a2").at("latch").as_string()), HasSubstr("group"));
    const std::string ledger = world.options().config.ledger;
    world.close();
    const auto reader = ledger::Reader::open(ledger);
    ASSERT_TRUE(reader);
    for (const ledger::RunNumber run : {1U, 2U}) {
        const auto replayed = replay(**reader, run);
        ASSERT_TRUE(replayed);
        EXPECT_TRUE(replayed->same) << replayed->difference;
    }
}

TEST(IdleWatch, an_output_that_comes_on_after_the_run_latches_the_channel) {
    World world;
    ASSERT_TRUE(world.start("a1", "C-1", unattended_protocol()));
    world.until_state("a1", "done");
    world.channels[0]->on_sample = [](Sample& sample) { sample.current.value = Current{1'000'000'000}; };
    world.until([&] { return !world.channel("a1").at("latch").is_null(); });
    EXPECT_THAT(world.refusal(Failure::bad_data, "acknowledge", {{"channel", "a1"}, {"reason", "x"}}),
                HasSubstr("not seen open"));
    world.channels[0]->on_sample = nullptr;
    world.until([&] { return world.request("acknowledge", {{"channel", "a1"}, {"reason", "x"}}).has_value(); });
    EXPECT_EQ(world.ask("remove", {{"channel", "a1"}}).at("state").as_string(), "empty");
    EXPECT_TRUE(world.start("a1", "C-2", unattended_protocol()));
}

TEST(IdleWatch, ends_with_remove_and_the_tape_grows_by_little) {
    World world(1);
    ASSERT_TRUE(world.start("a1", "C-1", unattended_protocol()));
    world.until_state("a1", "done");
    int samples = 0;
    world.channels[0]->on_sample = [&](Sample&) { ++samples; };
    world.until([&] { return samples >= 20; });
    world.ask("remove", {{"channel", "a1"}});
    const std::string ledger = world.options().config.ledger;
    world.close();
    const auto reader = ledger::Reader::open(ledger);
    ASSERT_TRUE(reader);
    std::vector<Time> watched;
    std::optional<Time> done;
    const auto run = (*reader)->run(1);
    for (const ledger::EventRecord& event : run->events) {
        done = event.event.kind == EventKind::opened ? std::optional(event.event.time) : done;
    }
    ASSERT_TRUE(done);
    ASSERT_TRUE((*reader)->tape(1, 0, [&](const Input& input) {
        if (input.time > *done) {
            watched.push_back(input.time);
        }
        return true;
    }));
    ASSERT_GE(watched.size(), 20U);
    for (std::size_t i = 2; i < watched.size(); ++i) {
        EXPECT_EQ(watched[i] - watched[i - 1], 5_s) << i;
    }
}

// The voltage of the second channel follows the test current of the first: their force leads are crossed.
TEST(Groups, a_voltage_that_moves_with_anothers_test_stops_that_one) {
    World world;
    ASSERT_TRUE(world.start("a2", "C-2"));
    world.until_state("a2", "asking");
    const auto flows = std::make_shared<bool>(false);
    world.channels[0]->on_demand = [flows](const Demand& demand) { *flows = !is_open(demand); };
    world.channels[1]->on_sample = [flows](Sample& sample) { sample.voltage.value.count += *flows ? 20'000'000 : 0; };
    ASSERT_TRUE(world.start("a1", "C-1"));
    world.until([&] { return world.state("a1") == "waiting" || world.state("a1") == "asking"; });
    EXPECT_EQ(world.state("a1"), "waiting");
    EXPECT_TRUE(world.happened("connection_failed"));
    const auto crossed = std::find_if(world.events.begin(), world.events.end(), [](const auto& event) {
        return event.at("event").as_string() == "connection_failed";
    });
    ASSERT_NE(crossed, world.events.end());
    EXPECT_THAT(std::string(crossed->at("text").as_string()), HasSubstr("crossed"));
}

// What a1's test current does to the other channel's voltage, once it is there.
std::string told_of_crossing(World& world, const std::function<void(Sample&, bool flows)>& other) {
    const auto flows = std::make_shared<bool>(false);
    world.channels[0]->on_demand = [flows](const Demand& demand) { *flows = !is_open(demand); };
    world.channels[1]->on_sample = [flows, other](Sample& sample) { other(sample, *flows); };
    EXPECT_TRUE(world.start("a1", "C-1"));
    world.until([&] { return world.state("a1") == "waiting" || world.state("a1") == "resting"; });
    std::string text;
    for (const auto& event : world.events) {
        const bool failed = event.at("event").as_string() == "connection_failed";
        text = failed ? std::string(event.at("text").as_string()) : text;
    }
    return text;
}

void raise_by_20_mv(Sample& sample, bool flows) {
    sample.voltage.value.count += flows ? 20'000'000 : 0;
}

void slowly(BenchOptions& options) {
    options.time_scale = 2000;
}

std::string long_charge() {
    std::string text = unattended_protocol();
    const std::size_t rate = text.find("\"C/2\"");
    text.replace(rate, 5, "\"C/40\"");
    const std::size_t cap = text.find("\"1 h\"", rate);
    return text.replace(cap, 5, "\"9 h\"");
}

TEST(Groups, a_neighbour_that_is_being_charged_tells_of_crossed_leads_too) {
    World world(2, slowly);
    ASSERT_TRUE(world.start("a2", "C-2", long_charge()));
    world.until([&] { return world.channel("a2").at("charge_in_ah").to_number<double>() > 0.005; });
    EXPECT_THAT(told_of_crossing(world, raise_by_20_mv), HasSubstr("crossed"));
    EXPECT_EQ(world.state("a2"), "forming") << "it was still being charged";
}

TEST(Groups, a_neighbour_that_is_being_charged_and_has_leads_of_its_own_accuses_nobody) {
    World world(2, slowly);
    ASSERT_TRUE(world.start("a2", "C-2", long_charge()));
    world.until([&] { return world.channel("a2").at("charge_in_ah").to_number<double>() > 0.005; });
    EXPECT_EQ(told_of_crossing(world, [](Sample&, bool) {}), "");
    EXPECT_EQ(world.state("a2"), "forming") << "it was still being charged";
}

TEST(Groups, an_empty_fixture_whose_voltage_moves_with_the_test_current_stops_the_run) {
    World world(2, slowly);
    EXPECT_THAT(told_of_crossing(world,
                                 [](Sample& sample, bool flows) {
                                     sample.voltage = {sample.current.time, flows ? 3620_mV : 3600_mV, Quality::good};
                                 }),
                HasSubstr("crossed"));
}

TEST(Groups, an_empty_fixture_whose_open_leads_wander_stops_nobody) {
    World world(2, slowly);
    int turn = 0;
    EXPECT_EQ(told_of_crossing(world,
                               [&turn](Sample& sample, bool) {
                                   sample.voltage = {sample.current.time, 100_mV * (++turn % 3), Quality::good};
                               }),
              "");
}

TEST(Groups, one_test_current_flows_at_a_time) {
    World world(4);
    int flowing = 0;
    int most = 0;
    std::vector<bool> on(4, false);
    for (std::size_t i = 0; i < 4; ++i) {
        world.channels[i]->on_demand = [&, i](const Demand& demand) {
            const auto* drive = std::get_if<DriveCurrent>(&demand);
            const bool test = drive != nullptr && magnitude(drive->current) < Current{2'000'000'000};
            flowing += static_cast<int>(test) - static_cast<int>(on[i]);
            on[i] = test;
            most = std::max(most, flowing);
        };
    }
    for (const char* channel : {"a1", "a2", "a3", "a4"}) {
        ASSERT_TRUE(world.start(channel, "C-" + std::string(channel)));
    }
    for (const char* channel : {"a1", "a2", "a3", "a4"}) {
        world.until_state(channel, "asking");
    }
    EXPECT_EQ(most, 1);
}

}  // namespace
}  // namespace slowfilm::bench
