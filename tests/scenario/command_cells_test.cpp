// The verbs by which people tell the ledger what they know, and trays, against the real daemon in scaled time.
#include "tests/scenario/command_daemon.hpp"

#include <boost/json/array.hpp>

#include <gmock/gmock.h>

namespace slowfilm::command {
namespace {

namespace json = boost::json;
using testing::HasSubstr;
using testing::StartsWith;

std::string tray_of(const Daemon& daemon, const std::string& name, const std::string& cells,
                    const std::string& protocol = "short.toml") {
    return daemon.folder.write(name, "protocol = \"" + protocol + "\"\n" + cells);
}

std::string cell(const std::string& channel, const std::string& id) {
    return "[[cell]]\nchannel = \"" + channel + "\"\nid = \"" + id + "\"\n";
}

// A step that asks for two values; the language that reads it is the protocol's.
std::string asking_protocol(const Daemon& daemon) {
    std::string text = read_whole(daemon.folder / "short.toml");
    const std::string prompt = "prompt = \"Look at the cell, then confirm.\"\n";
    const std::size_t after = text.find(prompt) + prompt.size();
    text.insert(
        after,
        "enter = [ { name = \"mass\", unit = \"g\", min = 60, max = 80 }, { name = \"thickness\", unit = \"mm\" } ]\n");
    return daemon.folder.write("asking.toml", text);
}

TEST(CommandCells, what_is_known_of_a_cell_is_entered_and_stands_in_its_summary) {
    Daemon daemon;
    EXPECT_EQ(daemon.ask({"enter", "B7-0042", "mass", "68.31 g"}).code, 66);
    const Ran entered = daemon.ask({"enter", "--new", "B7-0042", "mass", "68.31 g"});
    EXPECT_EQ(entered.code, 0) << entered.err;
    EXPECT_EQ(entered.out, "cell 'B7-0042': mass is 68.31 g\n");
    EXPECT_EQ(daemon.ask({"enter", "--new", "B7-0042", "mass", "68.31 g"}).code, 65);
    EXPECT_EQ(daemon.ask({"enter", "B7-0042", "lot", "2026-47"}).code, 0);
    EXPECT_EQ(daemon.ask({"enter", "B7-0042", "filled", "2026-01-24T18:00:00+01:00"}).code, 0);
    for (const std::vector<std::string>& words :
         std::vector<std::vector<std::string>>{{"enter", "B7-0042", "mass", "68.31"},
                                               {"enter", "B7-0042", "mass", "68,31 g"},
                                               {"enter", "B7-0042", "mass", ""},
                                               {"enter", "B7-0042", "Mass", "1 g"},
                                               {"enter", "B7-0042", "filled", "yesterday"},
                                               {"enter", "B7-0042", "filled", "2999-01-01T00:00:00Z"},
                                               {"enter", "", "mass", "1 g"},
                                               {"enter", "a\nb", "mass", "1 g"},
                                               {"enter", "B7-0042", "mass", "\xff g"}}) {
        const Ran ran = daemon.ask(words);
        EXPECT_EQ(ran.code, 65) << testing::PrintToString(words) << ran.err;
        EXPECT_TRUE(is_one_sentence(ran.err)) << ran.err;
    }
    const json::object cells = strict(daemon.ask({"cells", "--format", "json"}));
    ASSERT_EQ(cells.at("cells").as_array().size(), 1U);
    EXPECT_EQ(cells.at("cells").at(0).at("lot"), "2026-47");
    EXPECT_EQ(cells.at("cells").at(0).at("filled"), "2026-01-24T17:00:00.000Z");
    ASSERT_EQ(daemon.start("a1", "B7-0042").code, 0);
    daemon.await("a1", "asking");
    EXPECT_EQ(daemon.ask({"note", "1", "pouch looks swollen"}).code, 0);
    const json::object summary = strict(daemon.ask({"summary", "--cell", "B7-0042", "--format", "json"}));
    EXPECT_EQ(summary.at("kind"), "cell");
    EXPECT_EQ(summary.at("entered").as_array().size(), 3U);
    EXPECT_EQ(summary.at("runs").at(0).at("state"), "asking");
    EXPECT_EQ(summary.at("notes").at(0).at("text"), "pouch looks swollen");
    EXPECT_THAT(daemon.ask({"summary", "--cell", "B7-0042"}).out, HasSubstr("mass 68.31 g"));
    EXPECT_THAT(daemon.ask({"summary", "1"}).out, HasSubstr("pouch looks swollen"));
    EXPECT_EQ(daemon.ask({"summary", "--cell", "B7-0043"}).code, 66);
    EXPECT_EQ(daemon.ask({"summary"}).code, 64);
    EXPECT_EQ(daemon.ask({"summary", "1", "--cell", "B7-0042"}).code, 64);
}

TEST(CommandCells, what_a_step_asks_for_is_shown_demanded_and_kept) {
    Daemon daemon;
    const std::string protocol = asking_protocol(daemon);
    const Ran started = daemon.ask({"start", "--channel", "a1", "--cell", "one", "--protocol", protocol});
    ASSERT_EQ(started.code, 0) << started.err;
    daemon.await("a1", "asking");
    EXPECT_THAT(daemon.ask({"status"}).out, HasSubstr("; enter mass (g, 60 to 80), thickness (mm)"));
    const json::object status = strict(daemon.ask({"status", "a1", "--format", "json"}));
    EXPECT_EQ(status.at("channels").at(0).at("asked").at(0).at("name"), "mass");
    const auto confirm = [&](std::vector<std::string> more) {
        std::vector<std::string> words{"confirm", "--cell", "one"};
        words.insert(words.end(), more.begin(), more.end());
        words.emplace_back("a1");
        return daemon.ask(words);
    };
    EXPECT_THAT(confirm({}).err, HasSubstr("asks for mass (g, 60 to 80)"));
    EXPECT_THAT(confirm({"--enter", "mass=68.31"}).err, HasSubstr("asks for thickness (mm)"));
    EXPECT_EQ(confirm({"--enter", "mass=59", "--enter", "thickness=7.1"}).code, 65);
    EXPECT_EQ(confirm({"--enter", "mass=68.31", "--enter", "thickness=7.1 cm"}).code, 65);
    EXPECT_EQ(confirm({"--enter", "mass=68.31", "--enter", "thickness=7.1", "--enter", "gap=1"}).code, 65);
    EXPECT_EQ(confirm({"--enter", "mass"}).code, 64);
    EXPECT_EQ(confirm({"--enter", "mass=1", "--enter", "mass=2"}).code, 64);
    daemon.await("a1", "asking");
    const Ran good = confirm({"--enter", "mass=68.31", "--enter", "thickness=7.1 mm"});
    EXPECT_EQ(good.code, 0) << good.err;
    const json::object summary = strict(daemon.ask({"summary", "1", "--format", "json"}));
    ASSERT_EQ(summary.at("entered").as_array().size(), 2U);
    EXPECT_EQ(summary.at("entered").at(0).at("value").to_number<double>(), 68.31);
    EXPECT_EQ(summary.at("entered").at(0).at("path"), "2");
    EXPECT_EQ(daemon.ask({"replay", "1"}).code, 0);
}

TEST(CommandCells, a_run_is_moved_and_goes_on_elsewhere) {
    Daemon daemon;
    ASSERT_EQ(daemon.start("a1", "one").code, 0);
    daemon.await("a1", "asking");
    EXPECT_EQ(daemon.ask({"move", "1", "--to", "a2"}).code, 65) << "it asks; nobody has paused it";
    EXPECT_EQ(daemon.ask({"move", "9", "--to", "a2"}).code, 66);
    EXPECT_EQ(daemon.ask({"move", "1", "--to", "a9"}).code, 66);
    EXPECT_EQ(daemon.ask({"move", "x", "--to", "a2"}).code, 64);
    EXPECT_EQ(daemon.ask({"move", "1"}).code, 64);
    EXPECT_EQ(daemon.ask({"pause", "a1"}).code, 0);
    const Ran moved = daemon.ask({"move", "1", "--to", "a2"});
    EXPECT_EQ(moved.code, 0) << moved.err;
    EXPECT_THAT(moved.out, HasSubstr("take cell 'one' there from channel 'a1', then resume --cell ID"));
    EXPECT_THAT(daemon.ask({"runs"}).out, HasSubstr("a2"));
    EXPECT_EQ(daemon.ask({"resume", "--cell", "one", "a2"}).code, 0);
    daemon.await("a2", "asking");
    EXPECT_EQ(daemon.ask({"confirm", "--cell", "one", "a2"}).code, 0);
    daemon.await("a2", "done");
    const json::object summary = strict(daemon.ask({"summary", "1", "--format", "json"}));
    EXPECT_EQ(summary.at("moves").at(0).at("from"), "a1");
    EXPECT_EQ(summary.at("channel"), "a2");
    EXPECT_EQ(daemon.ask({"replay", "1"}).code, 0);
    EXPECT_EQ(daemon.end(), 0);
    EXPECT_EQ(slowfilm({"verify", daemon.folder / "bench.ledger"}).code, 0);
    EXPECT_EQ(slowfilm({"replay", "1", "--ledger", daemon.folder / "bench.ledger"}).code, 0);
}

TEST(CommandCells, notes_and_releases_that_cannot_be_have_their_codes) {
    Daemon daemon;
    ASSERT_EQ(daemon.start("a1", "one").code, 0);
    struct Case {
        std::vector<std::string> words;
        int code;
    };
    for (const Case& one : std::vector<Case>{{{"note", "2", "x"}, 66},
                                             {{"note", "1", ""}, 65},
                                             {{"note", "1", "a\nb"}, 65},
                                             {{"note", "0", "x"}, 64},
                                             {{"note", "1"}, 64},
                                             {{"release", "two", "--reason", "x"}, 66},
                                             {{"release", "one", "--reason", "x"}, 65},
                                             {{"release", "one", "--reason", ""}, 65},
                                             {{"release", "one"}, 64},
                                             {{"acknowledge", "a2", "--reason", "x"}, 65}}) {
        const Ran ran = daemon.ask(one.words);
        EXPECT_EQ(ran.code, one.code) << testing::PrintToString(one.words) << ran.err;
        EXPECT_TRUE(is_one_sentence(ran.err)) << ran.err;
        EXPECT_EQ(ran.out, "");
    }
    EXPECT_EQ(slowfilm({"note", "1", "x"}).code, 69);
    EXPECT_EQ(slowfilm({"enter", "one", "mass", "1 g"}).code, 69);
}

TEST(CommandTray, starts_all_of_a_tray_or_those_that_can) {
    Daemon daemon;
    const std::string both =
        tray_of(daemon, "both.toml", "name = \"Monday\"\n" + cell("a1", "one") + cell("a2", "two"));
    const Ran started = daemon.ask({"start", "--tray", both, "--all-or-none"});
    EXPECT_EQ(started.code, 0) << started.err;
    EXPECT_EQ(started.out,
              "tray 'Monday': 2 started, 0 not\n  channel 'a1', cell 'one': run 1\n  channel 'a2', cell "
              "'two': run 2\n");
    EXPECT_EQ(strict(daemon.ask({"status", "a2", "--format", "json"})).at("channels").at(0).at("tray"), 1);
    EXPECT_THAT(daemon.ask({"summary", "2"}).out, HasSubstr("tray Monday"));
    daemon.await("a1", "asking");
    EXPECT_EQ(daemon.ask({"stop", "a1"}).code, 0);
    Ran removed = daemon.ask({"remove", "a1"});
    while (removed.code == 75) {
        removed = daemon.ask({"remove", "a1"});
    }
    EXPECT_EQ(removed.code, 0) << removed.err;
    // One channel is free, the other is not.
    const std::string next = tray_of(daemon, "next.toml", cell("a1", "three") + cell("a2", "four"));
    const Ran none = daemon.ask({"start", "--tray", next, "--all-or-none"});
    EXPECT_EQ(none.code, 1) << none.err;
    EXPECT_THAT(none.out, StartsWith("tray 'next': 0 started, 2 not\n"));
    const Ran some = daemon.ask({"start", "--tray", next, "--good", "--format", "json"});
    EXPECT_EQ(some.code, 1) << some.err;
    const json::object answer = strict(some);
    EXPECT_EQ(answer.at("started"), 1);
    EXPECT_THAT(std::string(answer.at("cells").at(1).at("why").as_string()), HasSubstr("busy"));
}

TEST(CommandTray, a_tray_file_with_a_fault_starts_nothing_and_says_where_it_is) {
    Daemon daemon;
    const auto start = [&](const std::string& file, const char* how = "--good") {
        return daemon.ask({"start", "--tray", file, how});
    };
    const std::string bad = tray_of(daemon, "bad.toml", cell("a1", "one") + cell("a1", "two"));
    const Ran twice = start(bad);
    EXPECT_EQ(twice.code, 65);
    EXPECT_THAT(twice.err, StartsWith(bad + ":6:11: error: the channel 'a1' stands in line 3 already"));
    EXPECT_THAT(twice.err, HasSubstr("nothing was started"));
    EXPECT_EQ(start(daemon.folder / "none.toml").code, 66);
    EXPECT_EQ(start(tray_of(daemon, "lost.toml", cell("a1", "one"), "lost-protocol.toml")).code, 66);
    EXPECT_EQ(start(daemon.folder.path()).code, 65) << "a directory";
    daemon.folder.write("broken.toml", "format = 1\n");
    EXPECT_EQ(start(tray_of(daemon, "of-broken.toml", cell("a1", "one"), "broken.toml")).code, 65);
    const std::string good = tray_of(daemon, "good.toml", cell("a1", "one"));
    for (const std::vector<std::string>& words : std::vector<std::vector<std::string>>{
             {"start", "--tray", good},
             {"start", "--tray", good, "--good", "--all-or-none"},
             {"start", "--tray", good, "--good", "--channel", "a1"},
             {"start", "--channel", "a1", "--cell", "one", "--protocol", daemon.folder / "short.toml", "--good"},
             {"start", "--channel", "a1", "--cell", "one"}}) {
        EXPECT_EQ(daemon.ask(words).code, 64) << testing::PrintToString(words);
    }
    EXPECT_EQ(strict(daemon.ask({"runs", "--format", "json"})).at("runs").as_array().size(), 0U);
    EXPECT_EQ(start(good).code, 0);
}

}  // namespace
}  // namespace slowfilm::command
