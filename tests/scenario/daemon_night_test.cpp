// A whole night on the shipped bench of four, with the shipped protocol and the one cell that has a fault.
#include "tests/scenario/daemon_world.hpp"

#include <algorithm>

#include <gmock/gmock.h>

namespace slowfilm::scenario {
namespace {

using testing::HasSubstr;

constexpr std::string_view demo_socket = "control/demo-bench.socket";

class Night : public testing::Test {
  protected:
    Night() {
        folder.write("demo-bench.toml", read_whole(SLOWFILM_SOURCE_DIR "/config/demo-bench.toml"));
        daemon.start();
    }
    [[nodiscard]] Ran ask(std::vector<std::string> words) const { return daemon.ask(std::move(words), demo_socket); }
    [[nodiscard]] std::vector<std::string> channels() const {
        std::vector<std::string> names;
        const boost::json::object status = strict(ask({"status", "--format", "json"}));
        for (const boost::json::value& channel : status.at("channels").as_array()) {
            names.emplace_back(channel.at("channel").as_string());
        }
        return names;
    }

    CommandFolder folder;
    DaemonProcess daemon{folder, "20000", "demo-bench.toml"};
};

TEST_F(Night, three_cells_are_done_and_one_trips_and_each_record_replays) {
    const std::vector<std::string> names = channels();
    ASSERT_EQ(names.size(), 4U);
    const std::string protocol = command::shipped("fast-by-stages.toml");
    for (const std::string& name : names) {
        const Ran started = ask({"start", "--channel", name, "--cell", "K-" + name, "--protocol", protocol});
        ASSERT_EQ(started.code, 0) << started.err;
    }
    std::vector<std::string> tripped;
    for (const std::string& name : names) {
        daemon.await(
            name,
            [](const boost::json::object& channel) {
                return channel.at("state") == "done" || channel.at("state") == "tripped";
            },
            demo_socket);
        const boost::json::object channel = daemon.channel(name, demo_socket);
        if (channel.at("state") == "tripped") {
            tripped.push_back(name);
            EXPECT_FALSE(channel.at("trip").at("text").as_string().empty());
            EXPECT_EQ(channel.at("trip").at("class"), "cell");
        }
    }
    ASSERT_EQ(tripped.size(), 1U);

    const std::string& bad = tripped.front();
    EXPECT_EQ(ask({"resume", bad}).code, 65) << "nothing resumes by itself or by wish after a trip";
    const Ran acknowledged = ask({"acknowledge", "--reason", "shorted inside", bad});
    EXPECT_EQ(acknowledged.code, 0) << acknowledged.err;
    EXPECT_EQ(daemon.channel(bad, demo_socket).at("state"), "tripped") << "a cell trip is for good";
    EXPECT_EQ(ask({"remove", bad}).code, 0);
    const Ran again = ask({"start", "--channel", bad, "--cell", "K-" + bad, "--protocol", protocol});
    EXPECT_EQ(again.code, 65);
    EXPECT_THAT(again.err, HasSubstr("quarantined"));

    for (int run = 1; run <= 4; ++run) {
        const std::string number = std::to_string(run);
        const boost::json::object summary = strict(ask({"summary", number, "--format", "json"}));
        const bool is_bad = summary.at("channel").as_string() == bad;
        EXPECT_EQ(summary.at("state"), is_bad ? "tripped" : "done");
        const Ran replayed = ask({"replay", number});
        EXPECT_EQ(replayed.code, 0) << replayed.out << replayed.err;
    }
    EXPECT_EQ(daemon.end(SIGTERM), 0);
    const Ran verified = command::slowfilm({"verify", folder / "demo-bench.ledger"});
    EXPECT_EQ(verified.code, 0) << verified.out << verified.err;
}

TEST_F(Night, of_two_starts_at_once_one_is_refused_as_busy) {
    const std::string protocol = command::shipped("fast-by-stages.toml");
    const std::string name = channels().front();
    const std::string line = "SLOWFILM_SOCKET=" + folder / demo_socket +
                             " " SLOWFILM_BINARY_DIR "/bin/slowfilm start --channel " + name + " --protocol " +
                             protocol + " --cell ";
    const std::string both = "{ " + line + "one; echo $? >" + folder / "one" + "; } & { " + line + "two; echo $? >" +
                             folder / "two" + "; } & wait";
    ASSERT_EQ(std::system((both + " 2>/dev/null >/dev/null").c_str()), 0);
    std::vector<std::string> codes{read_whole(folder / "one"), read_whole(folder / "two")};
    std::sort(codes.begin(), codes.end());
    EXPECT_EQ(codes, (std::vector<std::string>{"0\n", "75\n"}));
    EXPECT_EQ(strict(ask({"runs", "--format", "json"})).at("runs").as_array().size(), 1U);
}

}  // namespace
}  // namespace slowfilm::scenario
