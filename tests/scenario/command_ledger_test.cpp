// The verbs that read a ledger, on one that two rehearsals have written.
#include "tests/scenario/command_run.hpp"

#include <algorithm>
#include <boost/json/array.hpp>

#include <gmock/gmock.h>

namespace slowfilm::command {
namespace {

namespace json = boost::json;
using testing::HasSubstr;
using testing::StartsWith;

class CommandLedger : public testing::Test {
  protected:
    static void SetUpTestSuite() {
        folder_ = new CommandFolder;
        for (const char* protocol : {"fast-by-stages.toml", "mid-window-shallow.toml"}) {
            const Ran ran = slowfilm({"rehearse", shipped(protocol), "--ledger", ledger()},
                                     {.environment = {{"SOURCE_DATE_EPOCH", "1767225600"}}});
            ASSERT_EQ(ran.code, 0) << ran.err;
        }
    }
    static void TearDownTestSuite() {
        delete folder_;
        folder_ = nullptr;
    }
    static std::string ledger() { return *folder_ / "rehearsals.ledger"; }
    static Ran read(std::vector<std::string> words, const Surroundings& how = {}) {
        words.insert(words.end(), {"--ledger", ledger()});
        return slowfilm(words, how);
    }
    static CommandFolder* folder_;
};

CommandFolder* CommandLedger::folder_ = nullptr;

TEST_F(CommandLedger, runs_lists_them_in_text_and_json) {
    const Ran text = read({"runs"});
    EXPECT_EQ(text.code, 0) << text.err;
    EXPECT_THAT(text.out, HasSubstr("2026-01-01T00:00:00.000Z"));
    const json::object answer = strict(read({"runs", "--format", "json"}));
    EXPECT_EQ(answer.at("slowfilm"), SLOWFILM_VERSION);
    EXPECT_EQ(answer.at("kind"), "runs");
    ASSERT_EQ(answer.at("runs").as_array().size(), 2U);
    EXPECT_EQ(answer.at("runs").at(0).at("run"), 1);
    EXPECT_EQ(answer.at("runs").at(0).at("state"), "done");
    EXPECT_GT(answer.at("runs").at(0).at("duration_second").to_number<double>(), 3600.0);
}

TEST_F(CommandLedger, cells_of_rehearsals_are_none) {
    EXPECT_EQ(read({"cells"}).code, 0);
    EXPECT_TRUE(strict(read({"cells", "--format", "json"})).at("cells").as_array().empty());
}

TEST_F(CommandLedger, summary_is_what_the_rehearsal_told) {
    const Surroundings fixed{.environment = {{"SOURCE_DATE_EPOCH", "1767225600"}}};
    json::object rehearsed = strict(slowfilm({"rehearse", shipped("fast-by-stages.toml"), "--format", "json"}, fixed));
    rehearsed.erase("bounds");
    rehearsed.erase("model");
    const Ran ran = read({"summary", "1", "--format", "json"});
    EXPECT_EQ(ran.code, 0);
    EXPECT_EQ(to_json_text(strict(ran)), to_json_text(rehearsed));
}

TEST_F(CommandLedger, a_run_that_is_not_there_is_66_and_those_there_are_named) {
    for (const char* verb : {"summary", "export", "replay"}) {
        for (const char* run : {"3", "4294967295", "4294967296", "18446744073709551615"}) {
            const Ran ran = read({verb, run});
            EXPECT_EQ(ran.code, 66) << verb << run << ran.err;
            EXPECT_EQ(ran.out, "");
            EXPECT_TRUE(is_one_sentence(ran.err)) << ran.err;
        }
    }
}

// The labels: Battery Data Format, table schema 1.3.0, required and recommended columns.
TEST_F(CommandLedger, export_is_csv_under_the_open_formats_labels) {
    const Ran ran = read({"export", "1"});
    EXPECT_EQ(ran.code, 0);
    const std::string header = ran.out.substr(0, ran.out.find('\n'));
    for (const char* label : {"Test Time / s", "Voltage / V", "Current / A", "Unix Time / s", "Cycle Count / 1",
                              "Step Count / 1", "Ambient Temperature / degC"}) {
        EXPECT_THAT("," + header, HasSubstr(std::string{","} + label));
    }
    const auto columns = std::count(header.begin(), header.end(), ',');
    std::istringstream lines{ran.out};
    std::size_t rows = 0;
    for (std::string line; std::getline(lines, line); ++rows) {
        ASSERT_EQ(std::count(line.begin(), line.end(), ','), columns) << line;
    }
    EXPECT_GT(rows, 100U);
}

TEST_F(CommandLedger, export_to_a_file_is_the_same_bytes_and_nothing_else_is_left) {
    const CommandFolder folder;
    const Ran ran = read({"export", "1", "-o", folder / "run.csv"});
    EXPECT_EQ(ran.code, 0);
    EXPECT_EQ(ran.out, "");
    EXPECT_EQ(read_whole(folder / "run.csv"), read({"export", "1"}).out);
    const Ran again = read({"export", "2", "-o", folder / "run.csv", "--format", "json"});
    const json::object answer = strict(again);
    EXPECT_EQ(answer.at("kind"), "export");
    EXPECT_EQ(answer.at("bytes").to_number<std::size_t>(), std::filesystem::file_size(folder / "run.csv"));
    EXPECT_EQ(std::distance(std::filesystem::directory_iterator{folder.path()}, {}), 1);
}

TEST_F(CommandLedger, an_export_that_fails_leaves_the_old_file_as_it_was) {
    const CommandFolder folder;
    const std::string file = folder.write("run.csv", "what was there");
    EXPECT_EQ(read({"export", "9", "-o", file}).code, 66);
    EXPECT_EQ(read_whole(file), "what was there");
    EXPECT_EQ(std::distance(std::filesystem::directory_iterator{folder.path()}, {}), 1);
}

TEST_F(CommandLedger, an_answer_never_replaces_the_ledger_it_is_read_from) {
    const std::string before = read_whole(ledger());
    for (const std::vector<std::string>& words :
         {std::vector<std::string>{"export", "1"}, {"runs"}, {"cells"}, {"summary", "1"}, {"replay", "1"}}) {
        std::vector<std::string> all = words;
        all.insert(all.end(), {"-o", ledger()});
        EXPECT_EQ(read(all).code, 64) << words.front();
    }
    EXPECT_EQ(slowfilm({"verify", ledger(), "-o", ledger()}).code, 64);
    EXPECT_TRUE(before == read_whole(ledger()));
}

// sysexits.h: EX_CANTCREAT 73, EX_IOERR 74
TEST_F(CommandLedger, an_output_that_cannot_be_made_is_73_and_one_that_fills_up_74) {
    const Ran nowhere = read({"export", "1", "-o", "/nonexistent/run.csv"});
    EXPECT_EQ(nowhere.code, 73);
    EXPECT_TRUE(is_one_sentence(nowhere.err));
    const Ran full = read({"export", "1", "-o", "/dev/full"});
    EXPECT_EQ(full.code, 74);
    EXPECT_TRUE(is_one_sentence(full.err));
}

TEST_F(CommandLedger, verify_and_replay_say_that_all_is_well) {
    const Ran verified = slowfilm({"verify", ledger()});
    EXPECT_EQ(verified.code, 0) << verified.out << verified.err;
    EXPECT_THAT(verified.out, HasSubstr("is good: 2 runs"));
    const json::object answer = strict(slowfilm({"verify", ledger(), "--format", "json"}));
    EXPECT_TRUE(answer.at("good").as_bool());
    EXPECT_TRUE(answer.at("findings").as_array().empty());
    for (const char* run : {"1", "2"}) {
        const json::object replayed = strict(read({"replay", run, "--format", "json"}));
        EXPECT_TRUE(replayed.at("same").as_bool());
        EXPECT_EQ(replayed.at("state"), "done");
        EXPECT_GT(replayed.at("inputs").as_int64(), 1000);
    }
    EXPECT_THAT(read({"replay", "1"}).out, HasSubstr("every decision is the same"));
}

TEST_F(CommandLedger, one_byte_changed_in_a_tape_is_found) {
    const CommandFolder folder;
    const std::string copy = folder / "copy.ledger";
    std::string bytes = read_whole(ledger());
    // In the middle of the file, where samples and tapes are: eight places, of which a few may be free space.
    int noticed = 0;
    for (std::size_t at = bytes.size() / 4; at < bytes.size() * 3 / 4; at += bytes.size() / 16) {
        std::string changed = bytes;
        changed[at] = static_cast<char>(changed[at] ^ 0x55);
        folder.write("copy.ledger", changed);
        const Ran ran = slowfilm({"verify", copy});
        EXPECT_TRUE(ran.code == 0 || ran.code == 1 || ran.code == 65) << ran.code << ran.err;
        noticed += ran.code == 0 ? 0 : 1;
    }
    EXPECT_GE(noticed, 4);
}

TEST_F(CommandLedger, what_is_no_ledger_is_65_and_stays_as_it_was) {
    const CommandFolder folder;
    for (const std::string& text : {std::string{"a person's notes\n"}, std::string{}, std::string(100'000, '\0'),
                                    "SQLite format 3" + std::string(5000, '\0')}) {
        const std::string file = folder.write("notes.txt", text);
        for (const std::vector<std::string>& words : std::vector<std::vector<std::string>>{
                 {"verify", file}, {"runs", "--ledger", file}, {"summary", "1", "--ledger", file}}) {
            const Ran ran = slowfilm(words);
            EXPECT_EQ(ran.code, 65) << ran.err;
            EXPECT_TRUE(is_one_sentence(ran.err)) << ran.err;
        }
        EXPECT_TRUE(read_whole(file) == text);
    }
    const std::string notes = folder.write("notes.txt", "a person's notes\n");
    EXPECT_EQ(slowfilm({"rehearse", shipped("fast-by-stages.toml"), "--ledger", notes}).code, 65);
    EXPECT_EQ(read_whole(notes), "a person's notes\n");
    EXPECT_EQ(slowfilm({"verify", folder / "none.ledger"}).code, 66);
}

// SQLite keeps user_version at byte 60 of the file, big-endian (sqlite.org/fileformat, "Database Header").
TEST_F(CommandLedger, one_from_the_future_is_65_and_stays_as_it_was) {
    const CommandFolder folder;
    std::string bytes = read_whole(ledger());
    bytes[63] = static_cast<char>(bytes[63] + 1);
    const std::string file = folder.write("future.ledger", bytes);
    EXPECT_EQ(slowfilm({"verify", file}).code, 65);
    EXPECT_EQ(slowfilm({"runs", "--ledger", file}).code, 65);
    EXPECT_EQ(slowfilm({"rehearse", shipped("fast-by-stages.toml"), "--ledger", file}).code, 65);
    EXPECT_TRUE(read_whole(file) == bytes);
}

TEST_F(CommandLedger, a_stdout_that_cannot_be_written_is_74_for_every_verb) {
    for (const std::vector<std::string>& words : std::vector<std::vector<std::string>>{
             {"runs", "--ledger", ledger()},
             {"cells", "--ledger", ledger()},
             {"summary", "1", "--ledger", ledger()},
             {"export", "1", "--ledger", ledger()},
             {"replay", "1", "--ledger", ledger()},
             {"verify", ledger()},
             {"check", shipped("fast-by-stages.toml")},
             {"rehearse", shipped("fast-by-stages.toml")},
             {"--help"},
             {"--version"},
             {"check", "--help"},
         }) {
        for (const Stdout broken : {Stdout::full, Stdout::closed}) {
            const Ran ran = slowfilm(words, {.stdout_is = broken});
            EXPECT_EQ(ran.code, 74) << words.front() << ran.err;
            EXPECT_THAT(ran.err, HasSubstr("slowfilm: cannot write to standard output"));
        }
        // Who left does not want to hear about it.
        const Ran left = slowfilm(words, {.stdout_is = Stdout::no_reader});
        EXPECT_EQ(left.code, 74) << words.front();
        EXPECT_THAT(left.err, Not(HasSubstr("slowfilm: cannot")));
    }
}

TEST_F(CommandLedger, every_locale_gets_the_same_bytes) {
    const Surroundings plain{.environment = {{"SOURCE_DATE_EPOCH", "1767225600"}}};
    const std::vector<std::vector<std::string>> all{
        {"runs", "--ledger", ledger()},
        {"runs", "--ledger", ledger(), "--format", "json"},
        {"summary", "2", "--ledger", ledger()},
        {"summary", "2", "--ledger", ledger(), "--format", "json"},
        {"export", "1", "--ledger", ledger()},
        {"verify", ledger()},
        {"replay", "1", "--ledger", ledger()},
        {"check", shipped("staged-nmc-pouch.toml")},
        {"check", shipped("lfp-plateau.toml"), "--format", "json"},
        {"check", SLOWFILM_SOURCE_DIR "/tests/data/bad-protocols/meaning-at-most-of-repeat.toml"},
        {"rehearse", shipped("lfp-plateau.toml"), "--capacity", "2.5 Ah", "--seed", "3"},
        {"sumary"},
        {"start", "--channel", "i", "--cell", "I", "--protocol", "x", "--capacity", "2,5 Ah"},
        {"--help"},
    };
    for (const char* locale : {"C", "C.UTF-8", "de_DE.UTF-8", "tr_TR.UTF-8"}) {
        // A locale that is not there would prove nothing.
        const locale_t there = ::newlocale(LC_ALL_MASK, locale, nullptr);
        ASSERT_NE(there, nullptr) << locale << " is not installed";
        ::freelocale(there);
        Surroundings local = plain;
        local.environment["LC_ALL"] = locale;
        local.environment["LANG"] = locale;
        for (const std::vector<std::string>& words : all) {
            const Ran expected = slowfilm(words, plain);
            const Ran ran = slowfilm(words, local);
            EXPECT_EQ(ran.code, expected.code) << words.front();
            EXPECT_TRUE(ran.out == expected.out) << locale << " " << words.front();
            EXPECT_TRUE(ran.err == expected.err) << locale << " " << words.front();
        }
    }
}

}  // namespace
}  // namespace slowfilm::command
