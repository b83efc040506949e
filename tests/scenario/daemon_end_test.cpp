// How the daemon ends, by request or not, and what the next one finds.
#include "tests/scenario/daemon_world.hpp"

#include <gmock/gmock.h>

namespace slowfilm::scenario {
namespace {

using testing::HasSubstr;

class Ended : public testing::Test {
  protected:
    Ended() {
        folder.write("bench.toml", bench_text());
        folder.write("long.toml", long_protocol());
    }
    // A run under current on a1.
    void run() {
        daemon.start();
        const Ran started =
            daemon.ask({"start", "--channel", "a1", "--cell", "B7-0042", "--protocol", folder / "long.toml"});
        ASSERT_EQ(started.code, 0) << started.err;
        daemon.await_current("a1");
    }
    // The next daemon finds the run, waiting, and no current flows.
    void expect_waiting() {
        daemon.start();
        const boost::json::object found = daemon.channel("a1");
        ASSERT_FALSE(found.empty());
        EXPECT_EQ(found.at("state"), "waiting");
        EXPECT_EQ(found.at("cell"), "B7-0042");
        EXPECT_EQ(found.at("run"), 1);
        EXPECT_THAT(std::string(found.at("needs").as_string()), HasSubstr("restarted"));
        daemon.await("a1", [](const boost::json::object& channel) { return channel.at("current_ampere").is_number(); });
        EXPECT_NEAR(daemon.channel("a1").at("current_ampere").to_number<double>(), 0.0, 0.004);
        EXPECT_EQ(daemon.ask({"start", "--channel", "a1", "--cell", "X", "--protocol", folder / "long.toml"}).code, 75);
        EXPECT_EQ(daemon.channel("a2").at("state"), "empty");
    }
    [[nodiscard]] Ran read(std::vector<std::string> words) const {
        words.insert(words.end(), {"--ledger", folder / "bench.ledger"});
        return command::slowfilm(std::move(words));
    }

    CommandFolder folder;
    DaemonProcess daemon{folder};
};

TEST_F(Ended, each_ending_signal_opens_commits_and_exits_0) {
    for (const int signal : {SIGTERM, SIGINT, SIGQUIT}) {
        SCOPED_TRACE(signal);
        CommandFolder own;
        own.write("bench.toml", bench_text());
        own.write("long.toml", long_protocol());
        DaemonProcess process(own);
        process.start();
        ASSERT_EQ(process.ask({"start", "--channel", "a1", "--cell", "C", "--protocol", own / "long.toml"}).code, 0);
        process.await_current("a1");
        EXPECT_EQ(process.end(signal), 0);
        EXPECT_THAT(process.last_words(), HasSubstr("STOPPING=1"));
        EXPECT_FALSE(std::filesystem::exists(own / "control/socket"));
        const Ran verified = command::slowfilm({"verify", own / "bench.ledger"});
        EXPECT_EQ(verified.code, 0) << verified.out << verified.err;
    }
}

TEST_F(Ended, a_run_waits_after_the_daemon_was_stopped_and_started_again) {
    run();
    ASSERT_EQ(daemon.end(SIGTERM), 0);
    const boost::json::object left = strict(read({"runs", "--format", "json"}));
    EXPECT_EQ(left.at("runs").at(0).at("state"), "waiting") << "it is not forming, nobody drives it";
    expect_waiting();
    const Ran resumed = daemon.ask({"resume", "--cell", "B7-0042", "a1"});
    EXPECT_EQ(resumed.code, 0) << resumed.err;
    daemon.await_state("a1", "done");
    // 5 % of 5 Ah, wherever the interruption fell.
    EXPECT_NEAR(daemon.channel("a1").at("charge_in_ah").to_number<double>(), 0.25, 0.001);
    EXPECT_EQ(daemon.ask({"remove", "a1"}).code, 0);
    EXPECT_EQ(daemon.end(SIGTERM), 0);
    const Ran replayed = read({"replay", "1"});
    EXPECT_EQ(replayed.code, 0) << replayed.out << replayed.err;
}

TEST_F(Ended, a_run_waits_after_the_daemon_was_killed_and_started_again) {
    run();
    for (int killed = 0; killed < 3; ++killed) {
        SCOPED_TRACE(killed);
        ASSERT_EQ(daemon.end(SIGKILL), 128 + SIGKILL);
        expect_waiting();
        const Ran resumed = daemon.ask({"resume", "--cell", "B7-0042", "a1"});
        ASSERT_EQ(resumed.code, 0) << resumed.err;
        daemon.await("a1", [](const boost::json::object& channel) { return channel.at("state") != "checking"; });
    }
    daemon.await_state("a1", "done");
    EXPECT_NEAR(daemon.channel("a1").at("charge_in_ah").to_number<double>(), 0.25, 0.001);
    EXPECT_EQ(daemon.end(SIGTERM), 0);
    const Ran replayed = read({"replay", "1"});
    EXPECT_EQ(replayed.code, 0) << replayed.out << replayed.err;
    const Ran verified = command::slowfilm({"verify", folder / "bench.ledger"});
    EXPECT_EQ(verified.code, 0) << verified.out << verified.err;
}

TEST_F(Ended, a_waiting_run_can_be_stopped_and_removed_after_a_restart) {
    run();
    ASSERT_EQ(daemon.end(SIGKILL), 128 + SIGKILL);
    expect_waiting();
    EXPECT_EQ(daemon.ask({"remove", "a1"}).code, 65);
    EXPECT_EQ(daemon.ask({"stop", "a1"}).code, 0);
    daemon.await_state("a1", "stopped");
    EXPECT_EQ(daemon.ask({"remove", "a1"}).code, 0);
    EXPECT_EQ(daemon.channel("a1").at("state"), "empty");
    const Ran summary = daemon.ask({"summary", "1", "--format", "json"});
    EXPECT_EQ(strict(summary).at("state"), "stopped");
}

TEST_F(Ended, a_hang_up_changes_nothing) {
    run();
    daemon.signal(SIGHUP);
    daemon.signal(SIGPIPE);
    EXPECT_EQ(daemon.channel("a1").at("state"), "forming");
    EXPECT_EQ(daemon.end(SIGTERM), 0);
    EXPECT_THAT(daemon.log(), HasSubstr("hang-up"));
}

TEST_F(Ended, being_told_twice_is_no_worse_than_once) {
    run();
    daemon.signal(SIGTERM);
    daemon.signal(SIGINT);
    EXPECT_EQ(daemon.end(SIGTERM), 0);
}

}  // namespace
}  // namespace slowfilm::scenario
