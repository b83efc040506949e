// Which cell lies in a simulated fixture: what the bench file says, what the protocol says, what the past was.
#include "daemon/bench/preparation.hpp"
#include "daemon/protocol/check.hpp"
#include "tests/daemon/bench/world.hpp"

#include <gmock/gmock.h>

namespace slowfilm::bench {
namespace {

using namespace literals;
using ::testing::HasSubstr;

std::string of_chemistry(const std::string& chemistry) {
    std::string text = short_protocol();
    const std::string from = "\"NMC/graphite\"";
    return text.replace(text.find(from), from.size(), "\"" + chemistry + "\"");
}

std::string lfp_protocol() {
    std::string text = of_chemistry("LFP/graphite");
    for (const auto& [from, to] :
         {std::pair<std::string, std::string>{"min = \"2.7 V\", max = \"4.2 V\"", "min = \"2.0 V\", max = \"3.65 V\""},
          {"\"4.25 V\"", "\"3.7 V\""}}) {
        text.replace(text.find(from), from.size(), to);
    }
    return text;
}

TEST(SimulatedCells, are_of_the_chemistry_of_their_protocol) {
    World world;
    ASSERT_TRUE(world.start("a1", "C-1"));
    const Result<boost::json::value> other = world.start("a2", "L-1", lfp_protocol());
    ASSERT_TRUE(other) << other.error().message;
    EXPECT_EQ(world.channels[0]->chemistries, std::vector<std::string>{"NMC/graphite"});
    EXPECT_EQ(world.channels[1]->chemistries, std::vector<std::string>{"LFP/graphite"});
    world.until([&] { return world.state("a1") != "checking"; });
    world.close();
    world.open();
    EXPECT_EQ(world.channels[0]->chemistries, std::vector<std::string>{"NMC/graphite"}) << "as its tape says";
}

TEST(SimulatedCells, of_another_chemistry_than_the_protocol_are_not_started) {
    World world(2, [](BenchOptions& options) { options.config.channels[0].simulated.chemistry = "LFP/graphite"; });
    const Result<boost::json::value> refused = world.start("a1", "C-1");
    ASSERT_FALSE(refused);
    EXPECT_EQ(refused.error().failure, Failure::bad_data);
    EXPECT_THAT(refused.error().message,
                HasSubstr("the protocol is for NMC/graphite, and the cells simulated there are LFP/graphite"));
    EXPECT_TRUE(world.channels[0]->cells.empty());
    ASSERT_TRUE(world.start("a2", "C-1")) << "this one follows the protocol";
    world.until_state("a2", "asking");
    world.ask("pause", {{"channels", boost::json::array{"a2"}}});
    world.until([&] { return world.channel("a2").at("output").as_string() == "open"; });
    EXPECT_THAT(world.refusal(Failure::bad_data, "move", {{"run", 1}, {"channel", "a1"}}),
                HasSubstr("the cells simulated there are LFP/graphite"));
}

TEST(SimulatedCells, do_for_a_protocol_of_another_chemistry_than_the_known_ones) {
    const std::string text = of_chemistry("other");
    const protocol::Checked checked = protocol::check_protocol("other.toml", text);
    ASSERT_TRUE(checked.protocol) << render(checked.diagnostics, text);
    EXPECT_TRUE(check_chemistry(*checked.protocol, "LFP/graphite"));
    EXPECT_TRUE(check_chemistry(*checked.protocol, ""));
}

TEST(SimulatedCells, that_are_rebuilt_have_been_as_warm_as_they_were) {
    World world;
    const auto in_a_chamber = [&](double celsius) {
        world.close();
        world.change_simulation = [celsius](sim::SimulatedChannelOptions& options) {
            options.chamber = std::make_shared<sim::Chamber>(celsius, 1.0 / 60.0, 5.0, 60.0);
        };
        world.open();
    };
    in_a_chamber(40.0);
    ASSERT_TRUE(world.start("a1", "C-1"));
    world.until_state("a1", "asking");
    EXPECT_TRUE(world.channels[0]->past_ambients.empty()) << "a new cell has no past";
    in_a_chamber(25.0);  // a chamber begins there when the daemon starts
    const std::vector<Temperature>& past = world.channels[0]->past_ambients;
    ASSERT_FALSE(past.empty());
    EXPECT_EQ(past.front(), 40_degC);
    EXPECT_EQ(past.back(), 40_degC);
}

}  // namespace
}  // namespace slowfilm::bench
