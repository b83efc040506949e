// The verbs that ask the daemon, against the real one in scaled time.
#include "tests/scenario/command_daemon.hpp"

#include <boost/json/array.hpp>
#include <thread>

#include <gmock/gmock.h>

namespace slowfilm::command {
namespace {

namespace json = boost::json;
using testing::HasSubstr;
using testing::StartsWith;

TEST(CommandOperate, a_run_goes_from_start_to_summary) {
    Daemon daemon;
    const Ran empty = daemon.ask({"status"});
    EXPECT_EQ(empty.code, 0) << empty.err;
    EXPECT_THAT(empty.out, StartsWith("bench two channels, its time goes 2000 times as fast\n"));

    const Ran started = daemon.start("a1", "B7-0042");
    EXPECT_EQ(started.code, 0) << started.err;
    EXPECT_EQ(started.out, "run 1 has started: cell 'B7-0042' on channel 'a1'\n");

    daemon.await("a1", "asking");
    const json::object status = strict(daemon.ask({"status", "a1", "--format", "json"}));
    EXPECT_EQ(status.at("slowfilm"), SLOWFILM_VERSION);
    EXPECT_EQ(status.at("kind"), "status");
    ASSERT_EQ(status.at("channels").as_array().size(), 1U);
    const json::object& channel = status.at("channels").at(0).as_object();
    EXPECT_EQ(channel.at("cell"), "B7-0042");
    EXPECT_EQ(channel.at("run"), 1);
    EXPECT_EQ(channel.at("step").at("do"), "ask");
    EXPECT_EQ(channel.at("needs"), "Look at the cell, then confirm.");
    // 0.5 A for 10 min are 0.0833 Ah.
    EXPECT_NEAR(channel.at("charge_in_ah").to_number<double>(), 0.5 / 6.0, 0.002);
    EXPECT_THAT(daemon.ask({"status"}).out, HasSubstr("a1 needs a person: Look at the cell, then confirm."));

    EXPECT_EQ(daemon.ask({"confirm", "--cell", "B7-0043", "a1"}).code, 65);
    const Ran confirmed = daemon.ask({"confirm", "--cell", "B7-0042", "a1"});
    EXPECT_EQ(confirmed.code, 0) << confirmed.err;
    EXPECT_THAT(confirmed.out, StartsWith("channel 'a1': run 1 is "));

    const Ran followed = daemon.ask({"follow", "--since", "0", "--until-done", "--format", "json"});
    EXPECT_EQ(followed.code, 0) << followed.err;
    std::istringstream lines{followed.out};
    std::int64_t sequence = 0;
    json::object last;
    for (std::string line; std::getline(lines, line);) {
        auto event = parse_json(line);
        ASSERT_TRUE(event && event->is_object()) << line;
        last = event->get_object();
        EXPECT_EQ(last.at("slowfilm"), SLOWFILM_VERSION);
        EXPECT_EQ(last.at("kind"), "event");
        EXPECT_EQ(last.at("sequence"), ++sequence);
    }
    EXPECT_EQ(last.at("state"), "done") << followed.out;
    EXPECT_THAT(followed.out, HasSubstr("done: ended as written")) << "not cut at the end of the last step";
    EXPECT_EQ(last.at("event"), "opened") << "an output seen open is the last that happens";

    EXPECT_EQ(strict(daemon.ask({"summary", "1", "--format", "json"})).at("state"), "done");
    EXPECT_EQ(daemon.ask({"replay", "1"}).code, 0);
    EXPECT_EQ(strict(daemon.ask({"cells", "--format", "json"})).at("cells").at(0).at("furthest"), "formed");
    const Ran removed = daemon.ask({"remove", "a1"});
    EXPECT_EQ(removed.out, "channel 'a1' is empty; cell 'B7-0042' of run 1 may be taken out\n") << removed.err;
    EXPECT_EQ(daemon.end(), 0);
}

TEST(CommandOperate, each_refusal_has_its_code_and_its_sentence) {
    Daemon daemon;
    ASSERT_EQ(daemon.start("a1", "one").code, 0);
    struct Case {
        std::vector<std::string> words;
        int code;
    };
    const std::string protocol = daemon.folder / "short.toml";
    // command.md's table of codes: busy 75, unknown 66, an ID or a state that forbids it 65.
    for (const Case& one : {
             Case{{"start", "--channel", "a1", "--cell", "two", "--protocol", protocol}, 75},
             Case{{"start", "--channel", "a9", "--cell", "two", "--protocol", protocol}, 66},
             Case{{"start", "--channel", "a2", "--cell", "one", "--protocol", protocol}, 65},
             Case{{"start", "--channel", "a2", "--cell", "a\nb", "--protocol", protocol}, 65},
             Case{{"start", "--channel", "a2", "--cell", "p", "--protocol", shipped("fast-by-stages.toml"),
                   "--capacity", "900 Ah"},
                  65},
             Case{{"confirm", "--cell", "one", "a2"}, 65},
             Case{{"confirm", "--cell", "", "a1"}, 65},
             Case{{"acknowledge", "--reason", "none", "a1"}, 65},
             Case{{"acknowledge", "--reason", "", "a1"}, 65},
             Case{{"acknowledge", "--reason", "two\nlines", "a1"}, 65},
             Case{{"acknowledge", "--reason", "a\x1b[2Jb", "a1"}, 65},
             Case{{"start", "--channel", "a2", "--cell", "", "--protocol", protocol}, 65},
             Case{{"remove", "a1"}, 65},
             Case{{"remove", "a2"}, 65},
             Case{{"resume", "a2"}, 65},
             Case{{"stop", "a2"}, 65},
             Case{{"pause", "a9"}, 66},
             Case{{"stop", "a1", "a9"}, 66},
             Case{{"status", "a9"}, 66},
             Case{{"follow", "--since", "1000000"}, 65},
             Case{{"summary", "9"}, 66},
         }) {
        const Ran ran = daemon.ask(one.words);
        EXPECT_EQ(ran.code, one.code) << testing::PrintToString(one.words) << ran.err;
        EXPECT_EQ(ran.out, "") << testing::PrintToString(one.words);
        EXPECT_TRUE(is_one_sentence(ran.err)) << ran.err;
    }
    // Nothing of it was half done.
    EXPECT_EQ(strict(daemon.ask({"runs", "--format", "json"})).at("runs").as_array().size(), 1U);
}

TEST(CommandOperate, pause_resume_and_stop_say_what_every_channel_is_now) {
    Daemon daemon;
    ASSERT_EQ(daemon.start("a1", "one").code, 0);
    ASSERT_EQ(daemon.start("a2", "two").code, 0);
    EXPECT_EQ(daemon.ask({"pause", "--all"}).out, "channel 'a1': run 1 is paused\nchannel 'a2': run 2 is paused\n");
    EXPECT_EQ(daemon.ask({"resume", "a1"}).code, 0);
    daemon.await("a1", "asking");
    const json::object stopped = strict(daemon.ask({"stop", "a1", "a2", "--format", "json"}));
    EXPECT_EQ(stopped.at("kind"), "stopped");
    for (const json::value& channel : stopped.at("channels").as_array()) {
        EXPECT_EQ(channel.at("state"), "stopped");
    }
    // Neither is called done, in any output.
    EXPECT_THAT(daemon.ask({"runs"}).out, Not(HasSubstr("done")));
    EXPECT_EQ(strict(daemon.ask({"summary", "2", "--format", "json"})).at("state"), "stopped");
    EXPECT_THAT(daemon.ask({"summary", "2"}).out, StartsWith("stopped"));
    EXPECT_EQ(daemon.ask({"follow", "--until-done"}).code, 0);
}

TEST(CommandOperate, a_follower_of_what_is_over_already_reads_up_to_the_last_event_and_ends) {
    Daemon daemon;
    EXPECT_EQ(daemon.ask({"follow", "--since", "0", "--until-done"}).code, 0) << "nothing has happened yet";
    ASSERT_EQ(daemon.start("a1", "one").code, 0);
    daemon.await("a1", "asking");
    ASSERT_EQ(daemon.ask({"stop", "a1"}).code, 0);
    const Ran followed = daemon.ask({"follow", "--since", "0", "--until-done"});
    EXPECT_EQ(followed.code, 0) << followed.err;
    EXPECT_THAT(followed.out, HasSubstr("stopped"));
}

TEST(CommandOperate, pause_gets_through_though_idle_clients_fill_every_place) {
    Daemon daemon;
    ASSERT_EQ(daemon.start("a1", "one").code, 0);
    sockaddr_un address{};
    address.sun_family = AF_UNIX;
    const std::string path = daemon.folder / "control/socket";
    std::memcpy(address.sun_path, path.data(), path.size());
    std::vector<int> idle;
    for (int i = 0; i < 80; ++i) {
        idle.push_back(::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0));
        ASSERT_EQ(::connect(idle.back(), reinterpret_cast<const sockaddr*>(&address), sizeof address), 0);
    }
    const Ran paused = daemon.ask({"pause", "--all"});
    EXPECT_EQ(paused.code, 0) << paused.err;
    EXPECT_THAT(paused.out, HasSubstr("run 1 is paused"));
    for (const int socket : idle) {
        ::close(socket);
    }
}

TEST(CommandOperate, a_follower_whose_daemon_ends_is_told_so) {
    Daemon daemon;
    ASSERT_EQ(daemon.start("a1", "one").code, 0);
    daemon.await("a1", "asking");
    std::thread ender{[&] { EXPECT_EQ(daemon.end(), 0); }};
    const Ran followed = daemon.ask({"follow", "--since", "0"});
    ender.join();
    EXPECT_EQ(followed.code, 69);
    EXPECT_TRUE(is_one_sentence(followed.err)) << followed.err;
}

TEST(CommandOperate, hostile_ids_stay_on_one_line_and_in_valid_json) {
    Daemon daemon;
    const std::string cell = "{} {0:x} %s %n</script>";
    ASSERT_EQ(daemon.start("a1", cell).code, 0);
    daemon.await("a1", "asking");
    EXPECT_THAT(daemon.ask({"status"}).out, HasSubstr(cell));
    EXPECT_EQ(strict(daemon.ask({"status", "--format", "json"})).at("channels").at(0).at("cell"), json::value(cell));
    for (const std::string& bad : {std::string{"\xff\xfe"}, std::string{"a\x1b[2Jb"}, std::string(1U << 16U, 'x')}) {
        const Ran ran = daemon.start("a2", bad);
        EXPECT_EQ(ran.code, 65) << ran.err;
        EXPECT_TRUE(is_one_sentence(ran.err)) << ran.err;
        EXPECT_LT(ran.err.size(), 2000U);
    }
    EXPECT_EQ(daemon.ask({"stop", "--all"}).code, 0);
}

TEST(CommandOperate, a_broken_stdout_is_74_for_status_and_follow_too) {
    Daemon daemon;
    ASSERT_EQ(daemon.start("a1", "one").code, 0);
    for (const std::vector<std::string>& words :
         {std::vector<std::string>{"status"}, {"follow", "--since", "0"}, {"runs"}, {"pause", "a1"}}) {
        EXPECT_EQ(daemon.ask(words, {.stdout_is = Stdout::full}).code, 74) << words.front();
        EXPECT_EQ(daemon.ask(words, {.stdout_is = Stdout::no_reader}).code, 74) << words.front();
    }
    // The daemon is unmoved by clients that leave.
    EXPECT_EQ(daemon.ask({"status"}).code, 0);
}

}  // namespace
}  // namespace slowfilm::command
