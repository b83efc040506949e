// The command's words: what it takes, what it refuses, and in which sentence. No daemon runs here.
#include "tests/scenario/command_run.hpp"

#include <gmock/gmock.h>

namespace slowfilm::command {
namespace {

using testing::HasSubstr;

const std::vector<std::string> verbs{"check",   "rehearse",    "start",   "pause",       "resume", "stop",
                                     "confirm", "acknowledge", "remove",  "status",      "follow", "runs",
                                     "cells",   "summary",     "export",  "verify",      "replay", "enter",
                                     "note",    "move",        "release", "instruments", "probe"};

TEST(Command, every_verb_has_help_with_an_example) {
    for (const std::string& verb : verbs) {
        const Ran ran = slowfilm({verb, "--help"});
        EXPECT_EQ(ran.code, 0) << verb;
        EXPECT_EQ(ran.err, "") << verb;
        EXPECT_THAT(ran.out, HasSubstr("Example:\n  slowfilm " + verb + " "));
        EXPECT_THAT(ran.out, HasSubstr("--format text|json")) << verb;
    }
}

TEST(Command, help_names_every_verb_and_every_exit_code) {
    const Ran ran = slowfilm({"--help"});
    EXPECT_EQ(ran.code, 0);
    for (const std::string& verb : verbs) {
        EXPECT_THAT(ran.out, HasSubstr("\n  " + verb + " "));
    }
    for (const char* code : {"0 done", "64", "65", "66", "69", "70", "73", "74", "75", "77", "78"}) {
        EXPECT_THAT(ran.out, HasSubstr(code));
    }
}

TEST(Command, tells_its_version) {
    const Ran ran = slowfilm({"--version"});
    EXPECT_EQ(ran.code, 0);
    EXPECT_EQ(ran.out, "slowfilm " SLOWFILM_VERSION "\n");
}

// sysexits.h: EX_USAGE 64
TEST(Command, wrong_words_are_64_and_one_sentence_with_nothing_on_stdout) {
    const std::string protocol = shipped("fast-by-stages.toml");
    for (const std::vector<std::string>& words : std::vector<std::vector<std::string>>{
             {},
             {"frobnicate"},
             {""},
             {"--frobnicate"},
             {"check"},
             {"check", protocol, "more"},
             {"check", protocol, "--format", "yaml"},
             {"check", protocol, "--format"},
             {"check", protocol, "--ledger", "x"},
             {"rehearse", protocol, "--seed", "-1"},
             {"rehearse", protocol, "--seed", "1.5"},
             {"rehearse", protocol, "--seed", "99999999999999999999"},
             {"rehearse", protocol, "--capacity", "5"},
             {"rehearse", protocol, "--capacity", "5,0 Ah"},
             {"rehearse", protocol, "--capacity", "0 Ah"},
             {"rehearse", protocol, "--capacity", "1 uAh"},
             {"rehearse", protocol, "--capacity", "501 Ah"},
             {"rehearse", protocol, "--capacity", "nan Ah"},
             {"rehearse", protocol, "--cell", "no such chemistry"},
             {"start", "--channel", "a1"},
             {"start", "--channel", "a1", "--cell", "x"},
             {"start", "--channel", "a1", "--cell", "x", "--protocol", protocol, "--capacity", "5 V"},
             {"pause"},
             {"pause", "--all", "a1"},
             {"stop"},
             {"resume"},
             {"resume", "a1", "a2"},
             {"confirm", "a1"},
             {"confirm", "--cell", "x"},
             {"acknowledge", "a1"},
             {"remove"},
             {"follow", "--since", "yesterday"},
             {"follow", "--since", "-1"},
             {"summary"},
             {"summary", "one"},
             {"summary", "0"},
             {"summary", "1e3"},
             {"summary", "0x1"},
             {"summary", " 1"},
             {"export", "1", "--format", "json"},
             {"verify"},
             {"replay"},
             {"check", "runs", "cells"},
         }) {
        const Ran ran = slowfilm(words);
        const std::string said = testing::PrintToString(words) + ": " + ran.err;
        EXPECT_EQ(ran.code, 64) << said;
        EXPECT_EQ(ran.out, "") << said;
        EXPECT_TRUE(is_one_sentence(ran.err)) << said;
    }
}

TEST(Command, a_mistyped_verb_is_told_the_nearest) {
    EXPECT_EQ(slowfilm({"sumary", "1"}).err, "slowfilm: there is no verb \"sumary\"; did you mean \"summary\"?\n");
}

TEST(Command, hostile_words_stay_on_one_line) {
    for (const std::string& word : {std::string{"a\nb"}, std::string{"{} {0:x} %s %n"}, std::string{"\x1b[2J"},
                                    std::string{"\xff\xfe"}, std::string(100'000, 'x')}) {
        for (const std::vector<std::string>& words :
             {std::vector<std::string>{word}, {"check", word}, {"summary", word}, {"check", "--format", word, "x"}}) {
            const Ran ran = slowfilm(words);
            EXPECT_TRUE(ran.code == 64 || ran.code == 66) << ran.code;
            EXPECT_TRUE(is_one_sentence(ran.err)) << ran.err.substr(0, 500);
            EXPECT_EQ(ran.err.find('\x1b'), std::string::npos);
            EXPECT_LT(ran.err.size(), 2000U);
        }
    }
}

// sysexits.h: EX_UNAVAILABLE 69
TEST(Command, without_a_daemon_everything_that_needs_one_is_69) {
    const CommandFolder folder;
    const std::string socket = folder / "control.sock";
    for (std::vector<std::string> words : std::vector<std::vector<std::string>>{
             {"status"},
             {"status", "a1"},
             {"follow"},
             {"pause", "--all"},
             {"pause", "a1", "a2"},
             {"stop", "a1"},
             {"resume", "a1"},
             {"confirm", "--cell", "x", "a1"},
             {"acknowledge", "--reason", "looked", "a1"},
             {"remove", "a1"},
             {"start", "--channel", "a1", "--cell", "x", "--protocol", shipped("fast-by-stages.toml")},
             {"runs"},
             {"cells"},
             {"summary", "1"},
             {"export", "1"},
             {"replay", "1"},
         }) {
        words.insert(words.end(), {"--socket", socket});
        const Ran ran = slowfilm(words);
        EXPECT_EQ(ran.code, 69) << ran.err;
        EXPECT_EQ(ran.out, "");
        EXPECT_TRUE(is_one_sentence(ran.err)) << ran.err;
        EXPECT_THAT(ran.err, HasSubstr(socket));
    }
}

TEST(Command, looks_for_the_daemon_where_the_environment_says) {
    EXPECT_THAT(slowfilm({"status"}, {.environment = {{"SLOWFILM_SOCKET", "/nonexistent/one"}}}).err,
                HasSubstr("/nonexistent/one"));
    EXPECT_THAT(
        slowfilm({"status"}, {.environment = {{"SLOWFILM_SOCKET", ""}, {"XDG_RUNTIME_DIR", "/nonexistent/two"}}}).err,
        HasSubstr("/nonexistent/two/slowfilm/control.sock"));
    EXPECT_THAT(slowfilm({"status", "--socket", "/nonexistent/three"}).err, HasSubstr("/nonexistent/three"));
}

// unix(7): a socket's path has at most 107 bytes; sysexits.h: EX_CONFIG 78
TEST(Command, a_socket_path_too_long_is_78_and_names_the_limit) {
    const Ran ran = slowfilm({"status", "--socket", "/tmp/" + std::string(103, 'x')});
    EXPECT_EQ(ran.code, 78);
    EXPECT_THAT(ran.err, HasSubstr("107"));
    EXPECT_TRUE(is_one_sentence(ran.err));
}

TEST(Command, start_refuses_a_bad_protocol_before_it_asks_anyone) {
    const CommandFolder folder;
    const std::string file = folder.write("bad.toml", "format = 1\ntitle = \"no cell\"\n");
    const Ran ran = slowfilm({"start", "--channel", "a1", "--cell", "x", "--protocol", file});
    EXPECT_EQ(ran.code, 65);
    EXPECT_THAT(ran.err, HasSubstr(file + ":"));
    EXPECT_EQ(slowfilm({"start", "--channel", "a1", "--cell", "x", "--protocol", folder / "none.toml"}).code, 66);
}

}  // namespace
}  // namespace slowfilm::command
