// `check` and `rehearse` as whole programs.
#include "tests/scenario/command_run.hpp"

#include <algorithm>
#include <boost/json/array.hpp>

#include <gmock/gmock.h>
#include <sys/stat.h>

namespace slowfilm::command {
namespace {

namespace json = boost::json;
using testing::ContainsRegex;
using testing::HasSubstr;
using testing::StartsWith;

std::vector<std::string> files_in(const std::string& folder) {
    std::vector<std::string> files;
    for (const auto& entry : std::filesystem::directory_iterator{folder}) {
        if (entry.path().extension() == ".toml") {
            files.push_back(entry.path().string());
        }
    }
    std::sort(files.begin(), files.end());
    return files;
}

// A number that is not there says why: <key>_reason beside it, or one reason for all bounds that are none.
void every_null_has_a_reason(const json::value& value, const std::string& path) {
    if (const json::array* array = value.if_array()) {
        for (const json::value& element : *array) {
            every_null_has_a_reason(element, path + "[]");
        }
    }
    if (const json::object* object = value.if_object()) {
        for (const auto& member : *object) {
            const std::string key{member.key()};
            if (member.value().is_null()) {
                EXPECT_TRUE(object->contains(key + "_reason") || object->contains("unbounded_reason"))
                    << path << "." << key;
            }
            every_null_has_a_reason(member.value(), path + "." + key);
        }
    }
}

TEST(CommandCheck, every_shipped_protocol_is_good_and_rehearses_clean) {
    const auto files = files_in(SLOWFILM_SOURCE_DIR "/protocols");
    EXPECT_GE(files.size(), 6U);
    for (const std::string& file : files) {
        const Ran checked = slowfilm({"check", file});
        EXPECT_EQ(checked.code, 0) << checked.err;
        EXPECT_THAT(checked.out, HasSubstr("This protocol can never exceed"));
        EXPECT_THAT(checked.out, HasSubstr("\n  over_voltage "));
        const Ran rehearsed = slowfilm({"rehearse", file, "--format", "json"});
        EXPECT_EQ(rehearsed.code, 0) << file << "\n" << rehearsed.err;
        const json::object summary = strict(rehearsed);
        EXPECT_EQ(summary.at("kind"), "summary");
        EXPECT_EQ(summary.at("state"), "done") << file;
        EXPECT_NE(summary.at("verdict").at("grade"), "reject") << file;
        EXPECT_TRUE(summary.contains("bounds"));
        EXPECT_TRUE(summary.at("model").as_object().contains("film_charge_ah"));
        every_null_has_a_reason(summary, file);
    }
}

// Each file of tests/data/bad-protocols names the complaint's place in its first line: "# 25:11: ...".
TEST(CommandCheck, every_bad_protocol_is_65_with_file_line_column_the_line_and_a_caret) {
    const auto files = files_in(SLOWFILM_SOURCE_DIR "/tests/data/bad-protocols");
    EXPECT_GE(files.size(), 20U);
    for (const std::string& file : files) {
        const std::string first_line = read_whole(file).substr(0, read_whole(file).find('\n'));
        const std::string place = first_line.substr(2, first_line.find(": ") - 2);
        const Ran ran = slowfilm({"check", file});
        if (ran.code == 0) {
            EXPECT_THAT(ran.err, HasSubstr(file + ":" + place + ": warning: ")) << first_line;
            continue;
        }
        EXPECT_EQ(ran.code, 65) << file;
        EXPECT_EQ(ran.out, "");
        EXPECT_THAT(ran.err, HasSubstr(file + ":" + place + ": ")) << first_line;
        EXPECT_THAT(ran.err, HasSubstr("^"));
    }
}

TEST(CommandCheck, as_json_the_complaints_are_the_answer_and_stderr_is_silent) {
    const CommandFolder folder;
    const std::string file = folder.write("bad.toml", "format = 1\ntitle = \"no cell\"\nvolage = \"4.2 V\"\n");
    const Ran ran = slowfilm({"check", file, "--format", "json"});
    EXPECT_EQ(ran.code, 65);
    EXPECT_EQ(ran.err, "");
    const json::object answer = strict(ran);
    EXPECT_EQ(answer.at("slowfilm"), SLOWFILM_VERSION);
    EXPECT_EQ(answer.at("kind"), "check");
    EXPECT_EQ(answer.at("file"), json::value(file));
    EXPECT_FALSE(answer.at("good").as_bool());
    ASSERT_FALSE(answer.at("diagnostics").as_array().empty());
    const bool has_place = std::any_of(answer.at("diagnostics").as_array().begin(),
                                       answer.at("diagnostics").as_array().end(), [](const json::value& item) {
                                           return item.at("severity") == "error" && item.at("line") == 3 &&
                                                  item.at("column").as_int64() >= 1;
                                       });
    EXPECT_TRUE(has_place) << ran.out;
    every_null_has_a_reason(answer, "check");
}

TEST(CommandCheck, as_json_a_good_protocol_tells_its_guards_and_bounds) {
    const json::object answer = strict(slowfilm({"check", shipped("staged-nmc-pouch.toml"), "--format", "json"}));
    EXPECT_TRUE(answer.at("good").as_bool());
    const json::array& guards = answer.at("guards").as_array();
    const auto guard = std::find_if(guards.begin(), guards.end(),
                                    [](const json::value& item) { return item.at("name") == "over_voltage"; });
    ASSERT_NE(guard, guards.end());
    EXPECT_EQ(guard->at("origin"), "written");
    EXPECT_TRUE(guard->at("hard").as_bool());
    EXPECT_EQ(guard->at("trip"), 4.25);  // as the file has it
    EXPECT_EQ(guard->at("unit"), "V");
    EXPECT_TRUE(answer.at("bounds").as_object().contains("charge_current_ampere"));
    every_null_has_a_reason(answer, "check");
}

TEST(CommandCheck, what_is_no_file_is_said_in_a_sentence) {
    const CommandFolder folder;
    const std::string fifo = folder / "fifo";
    ASSERT_EQ(::mkfifo(fifo.c_str(), 0600), 0);
    struct Case {
        std::string file;
        int code;
    };
    // sysexits.h: EX_NOINPUT 66, EX_DATAERR 65
    for (const Case& one :
         {Case{folder / "none.toml", 66}, Case{folder.path(), 65}, Case{"/dev/zero", 65}, Case{fifo, 65}}) {
        const Ran ran = slowfilm({"check", one.file});
        EXPECT_EQ(ran.code, one.code) << one.file << ran.err;
        EXPECT_TRUE(is_one_sentence(ran.err)) << ran.err;
        EXPECT_EQ(ran.out, "");
    }
}

TEST(CommandCheck, hostile_files_are_refused_and_never_crash_it) {
    const CommandFolder folder;
    const auto many = [](std::string_view piece, int times) {
        std::string text;
        for (int i = 0; i < times; ++i) {
            text += piece;
        }
        return text;
    };
    for (const std::string& text :
         {many("a.", 20'000) + "a = 1\n", many("a.", 200'000) + "a = 1\n", "[" + many("a.", 100'000) + "a]\n",
          "a = " + many("[", 300) + "\n", "a = " + many("{a=", 300) + "\n", many("#", 2U << 20U) + "\n",
          std::string{"\xff\xfe\0a", 4}, std::string(10'000'000, 'x'), std::string{}, many("\n", 1'000'000)}) {
        const std::string file = folder.write("hostile.toml", text);
        for (const char* format : {"text", "json"}) {
            const Ran ran = slowfilm({"check", file, "--format", format});
            EXPECT_EQ(ran.code, 65) << text.substr(0, 20);
            EXPECT_LT(ran.err.size() + ran.out.size(), 20'000U);
        }
    }
}

TEST(CommandCheck, as_json_a_file_too_long_or_missing_is_an_answer_too) {
    const CommandFolder folder;
    const std::string big = folder.write("big.toml", std::string(10'000'000, '#'));
    for (const auto& [file, code] : {std::pair{big, 65}, {folder / "none.toml", 66}}) {
        const Ran ran = slowfilm({"check", file, "--format", "json"});
        EXPECT_EQ(ran.code, code);
        EXPECT_EQ(ran.err, "");
        const json::object answer = strict(ran);
        EXPECT_EQ(answer.at("kind"), "check");
        EXPECT_FALSE(answer.at("good").as_bool());
        ASSERT_EQ(answer.at("diagnostics").as_array().size(), 1U);
        const json::object& complaint = answer.at("diagnostics").at(0).as_object();
        EXPECT_EQ(complaint.at("severity"), "error");
        EXPECT_EQ(complaint.at("line"), 1);
        EXPECT_EQ(complaint.at("column"), 1);
        every_null_has_a_reason(answer, "check");
    }
}

TEST(CommandCheck, ten_thousand_steps_are_refused) {
    const CommandFolder folder;
    std::string text = read_whole(shipped("fast-by-stages.toml"));
    for (int i = 0; i < 10'000; ++i) {
        text += "[[step]]\ndo = \"rest\"\nends = { time = \"1 s\" }\n";
    }
    const Ran ran = slowfilm({"check", folder.write("long.toml", text)});
    EXPECT_EQ(ran.code, 65);
    EXPECT_THAT(ran.err, HasSubstr("a protocol has at most 5000 steps; use `repeat`"));
}

TEST(CommandCheck, a_bench_that_is_not_good_is_78) {
    const CommandFolder folder;
    const std::string bench = folder.write("bench.toml", "name = 5\n");
    const Ran ran = slowfilm({"check", shipped("fast-by-stages.toml"), "--bench", bench});
    EXPECT_EQ(ran.code, 78);
    EXPECT_THAT(ran.err, StartsWith(bench + ":1:"));
    EXPECT_EQ(ran.out, "");
    EXPECT_EQ(slowfilm({"check", shipped("fast-by-stages.toml"), "--bench", folder / "none.toml"}).code, 66);
}

// A bench of two channels, of which the second cannot take current out of a cell.
std::string bench_text(std::string_view voltage_max) {
    std::string text = "format = 1\nname = \"two\"\nledger = \"l\"\nsocket = \"s\"\n\n[limits]\nvoltage_max = \"" +
                       std::string{voltage_max} + "\"\ncurrent_max = \"9 A\"\ntemperature_max = \"60 degC\"\n";
    for (const char* sink : {"9 A", "0 A"}) {
        text += std::string{"\n[[channel]]\nname = \"sinks "} + sink +
                "\"\nkind = \"simulated\"\nperiod = \"1 s\"\nsettle = \"200 ms\"\noff_state = \"relay open\"\n"
                "temperature_of = \"cell\"\nambient_sensor = true\nreports_ceiling = true\n"
                "voltage = { min = \"-5 V\", max = \"6 V\", accuracy = \"1 mV\", resolution = \"0.1 mV\" }\n"
                "current = { source_max = \"9 A\", sink_max = \"" +
                sink +
                "\", accuracy = \"2 mA\", resolution = \"0.1 mA\" }\n[channel.simulated]\ncell = \"NMC/graphite\"\n";
    }
    return text;
}

TEST(CommandCheck, with_a_bench_says_which_channels_cannot_and_why) {
    const CommandFolder folder;
    const std::string bench = folder.write("bench.toml", bench_text("4.4 V"));
    const Ran ran = slowfilm({"check", shipped("fast-by-stages.toml"), "--bench", bench});
    EXPECT_EQ(ran.code, 0) << ran.err;
    EXPECT_THAT(ran.out, HasSubstr("on channel 'sinks 9 A'"));
    EXPECT_THAT(ran.err, HasSubstr("slowfilm: channel sinks 0 A: the protocol discharges"));
    const json::object answer =
        strict(slowfilm({"check", shipped("fast-by-stages.toml"), "--bench", bench, "--format", "json"}));
    EXPECT_TRUE(answer.at("bench").at("channels").at(0).at("fits").as_bool());
    EXPECT_FALSE(answer.at("bench").at("channels").at(1).at("fits").as_bool());
    const json::object& complaint = answer.at("diagnostics").as_array().back().as_object();
    EXPECT_EQ(complaint.at("severity"), "warning") << "another channel can";
    EXPECT_THAT(std::string{std::string_view{complaint.at("message").as_string()}}, StartsWith("channel sinks 0 A: "));
    std::string none = bench_text("4.4 V");
    none.replace(none.rfind("sink_max = \"9 A\""), 16, "sink_max = \"0 A\"");
    const Ran unfit = slowfilm(
        {"check", shipped("fast-by-stages.toml"), "--bench", folder.write("none.toml", none), "--format", "json"});
    EXPECT_EQ(unfit.code, 65);
    const json::object refused = strict(unfit);
    EXPECT_FALSE(refused.at("good").as_bool());
    EXPECT_EQ(refused.at("diagnostics").as_array().back().at("severity"), "error");
}

// An editor reads stdout: there is an object on it whatever is wrong. sysexits.h: EX_CONFIG 78, EX_NOINPUT 66
TEST(CommandCheck, as_json_a_bench_that_is_not_good_is_an_answer_too) {
    const CommandFolder folder;
    const std::string bench = folder.write("bench.toml", "name = 5\n");
    for (const auto& [file, code] : {std::pair{bench, 78}, {folder / "none.toml", 66}}) {
        const Ran ran = slowfilm({"check", shipped("fast-by-stages.toml"), "--bench", file, "--format", "json"});
        EXPECT_EQ(ran.code, code);
        EXPECT_EQ(ran.err, "");
        const json::object answer = strict(ran);
        EXPECT_EQ(answer.at("kind"), "check");
        EXPECT_EQ(answer.at("file"), json::value(file)) << "whose complaints they are";
        EXPECT_FALSE(answer.at("good").as_bool());
        EXPECT_FALSE(answer.at("diagnostics").as_array().empty());
        every_null_has_a_reason(answer, "check");
    }
}

// safety.md's layers: what one has to know of a channel before a cell lies on it. Without terminals no lead_drop,
// without an ambient sensor no above_ambient, at 5 s a sample no trip within 2 s; each said once for all channels it
// holds for.
TEST(CommandCheck, with_a_bench_says_what_its_channels_do_not_protect) {
    const CommandFolder folder;
    std::string text = bench_text("4.4 V");
    const auto replace = [&](std::string_view from, std::string_view to) {
        for (auto at = text.find(from); at != std::string::npos; at = text.find(from, at + to.size())) {
            text.replace(at, from.size(), to);
        }
    };
    replace("sink_max = \"0 A\"", "sink_max = \"8 A\"");
    replace("ambient_sensor = true", "ambient_sensor = false");
    replace("period = \"1 s\"", "period = \"5 s\"");
    replace("off_state = \"relay open\"", "off_state = \"high impedance\"");
    replace("accuracy = \"2 mA\"", "accuracy = \"200 mA\"");
    const std::string bench = folder.write("bench.toml", text);
    const Ran ran = slowfilm({"check", shipped("fast-by-stages.toml"), "--bench", bench});
    EXPECT_EQ(ran.code, 0) << ran.err;
    const std::string who = "slowfilm: not protected: channel sinks 9 A, sinks 0 A: ";
    EXPECT_THAT(ran.err, HasSubstr(who + "terminals are not read, so lead_drop is off"));
    EXPECT_THAT(ran.err, HasSubstr(who + "there is no ambient sensor, so above_ambient is off"));
    EXPECT_THAT(ran.err, HasSubstr(who + "samples come every 5 s"));
    EXPECT_THAT(ran.err, HasSubstr(who + "no contactor and no relay cut the cell off"));
    EXPECT_THAT(ran.err, HasSubstr("its taper may never come"));
    const json::object answer =
        strict(slowfilm({"check", shipped("fast-by-stages.toml"), "--bench", bench, "--format", "json"}));
    EXPECT_GE(answer.at("bench").at("channels").at(1).at("not_protected").as_array().size(), 5U);
}

TEST(CommandCheck, warnings_alone_are_0) {
    const CommandFolder folder;
    std::string text = read_whole(shipped("fast-by-stages.toml"));
    const auto climb = text.find("\nclimb");
    ASSERT_NE(climb, std::string::npos);
    text.erase(climb, text.find('\n', climb + 1) - climb);
    const Ran ran = slowfilm({"check", folder.write("warned.toml", text)});
    EXPECT_EQ(ran.code, 0) << ran.err;
    EXPECT_THAT(ran.err, HasSubstr("warning: a pristine cell is charged without a 'climb' gate"));
}

TEST(CommandCheck, a_limit_outside_the_benchs_is_an_error_at_its_place) {
    const CommandFolder folder;
    const std::string bench = folder.write("bench.toml", bench_text("4.1 V"));
    const Ran ran = slowfilm({"check", shipped("fast-by-stages.toml"), "--bench", bench});
    EXPECT_EQ(ran.code, 65);
    EXPECT_EQ(ran.out, "");
    const std::string text = read_whole(shipped("fast-by-stages.toml"));
    const auto line =
        1 + std::count(text.begin(), text.begin() + static_cast<std::ptrdiff_t>(text.find("voltage_max")), '\n');
    EXPECT_THAT(ran.err, StartsWith(shipped("fast-by-stages.toml") + ":" + std::to_string(line) + ":"));
    EXPECT_THAT(ran.err, HasSubstr("error: 'voltage_max' is 4.25 V, but this bench allows at most 4.1 V"));
}

// The text of the built-in set with each `from` replaced by its `to`.
std::string own_set(const std::vector<std::pair<std::string, std::string>>& changes) {
    std::string text = read_whole(SLOWFILM_SOURCE_DIR "/sim/cells/nmc-graphite-pouch-5ah.toml");
    for (const auto& [from, to] : changes) {
        const auto place = text.find(from);
        EXPECT_NE(place, std::string::npos) << from;
        text.replace(place, from.size(), to);
    }
    return text;
}

TEST(CommandRehearse, a_cell_of_ones_own_is_a_file) {
    const CommandFolder folder;
    const std::string set = folder.write("own.toml", own_set({{"NMC/graphite pouch, 5 Ah", "our pilot line"},
                                                              {"surface_growth      = 1.25", "surface_growth = 1.5"}}));
    const Ran ran = slowfilm({"rehearse", shipped("staged-nmc-pouch.toml"), "--cell", set, "--format", "json"});
    EXPECT_EQ(ran.code, 0) << ran.err;
    const json::object model = strict(ran).at("model").as_object();
    EXPECT_EQ(model.at("name"), "our pilot line");
    EXPECT_NEAR(model.at("expected_first_cycle_efficiency").as_double(), 0.8733, 0.001);
}

TEST(CommandRehearse, a_cell_that_cannot_be_is_65_with_the_place) {
    const CommandFolder folder;
    const std::string swapped = [] {
        std::string text = own_set({{"[negative]", "[other]"}, {"[negative.curve]", "[other.curve]"}});
        for (const auto& [from, to] : {std::pair{"[positive]", "[negative]"},
                                       {"[positive.curve]", "[negative.curve]"},
                                       {"pristine               = 0.980 ", "#"},
                                       {"[other]", "[positive]\npristine = 0.9"},
                                       {"[other.curve]", "[positive.curve]"}}) {
            text.replace(text.find(from), std::string{from}.size(), to);
        }
        return text;
    }();
    for (const auto& [text, what] : {
             std::pair{own_set({{"capacity    = 5.0 ", "capacity    = -5.0 "}}), "a capacity is above 0, not -5"},
             {own_set({{"concentration = 1000 ", "concentration = 0 "}}), "there is some salt in an electrolyte"},
             {own_set({{"cooling       = 0.20", "cooling       = nan"}}), "nan"},
             {own_set({{"heat_potential      = 1.5 ", "heat_potential      = inf "}}), "inf"},
             {own_set({{"porosity               = 0.253991", "#"}}), "porosity"},
             {own_set({{"full                   = 0.42424", "full                   = 0.62424"}}),
              "the stoichiometries cannot reach the window"},
             {own_set({{"heat_capacity = 88.88", "heat_capacity = 1e-308"}}),
              "a heat capacity is at least 0.1 J/K for each Ah"},
             {own_set({{"rate = 12.17805062", "rate = 1e308"}}), "a term's rate lies between"},
             {swapped, "the electrodes are swapped"},
         }) {
        const std::string set = folder.write("own.toml", text);
        const Ran ran = slowfilm({"rehearse", shipped("staged-nmc-pouch.toml"), "--cell", set});
        EXPECT_EQ(ran.code, 65) << what;
        EXPECT_EQ(ran.out, "") << what;
        EXPECT_THAT(ran.err, ContainsRegex("own.toml:[0-9]+:[0-9]+: error: ")) << what;
        EXPECT_THAT(ran.err, HasSubstr(what));
    }
}

TEST(CommandRehearse, a_bad_protocol_is_65_and_leaves_no_ledger) {
    const CommandFolder folder;
    const std::string file = folder.write("bad.toml", "format = 1\n");
    const Ran ran = slowfilm({"rehearse", file, "--ledger", folder / "new.ledger"});
    EXPECT_EQ(ran.code, 65);
    EXPECT_EQ(ran.out, "");
    EXPECT_FALSE(std::filesystem::exists(folder / "new.ledger"));
}

// A protocol with a gate that no cell of the model passes: the run trips, and the answer is no.
std::string one_that_trips(const CommandFolder& folder) {
    std::string text = read_whole(shipped("fast-by-stages.toml"));
    const auto climb = text.find("\nclimb");
    const std::string gate = "\nclimb = [ { by = \"1 %\", above = \"4.1 V\" } ]\n";
    if (climb != std::string::npos) {
        text.replace(climb, text.find('\n', climb + 1) + 1 - climb, gate);
    } else {
        text.insert(text.find("\n[limits]") + 9, gate);
    }
    return folder.write("trips.toml", text);
}

TEST(CommandRehearse, a_run_that_trips_is_1_and_never_called_done) {
    const CommandFolder folder;
    const std::string file = one_that_trips(folder);
    const Ran ran = slowfilm({"rehearse", file, "--format", "json"});
    EXPECT_EQ(ran.code, 1) << ran.err;
    const json::object summary = strict(ran);
    EXPECT_EQ(summary.at("state"), "tripped");
    ASSERT_FALSE(summary.at("trips").as_array().empty());
    every_null_has_a_reason(summary, "trips");
    const Ran told = slowfilm({"rehearse", file});
    EXPECT_EQ(told.code, 1);
    EXPECT_THAT(told.out, StartsWith("tripped"));
}

TEST(CommandRehearse, a_run_that_its_protocol_stopped_says_why_wherever_it_is_listed) {
    const CommandFolder folder;
    std::string text = read_whole(shipped("fast-by-stages.toml"));
    const auto at_most = text.find("{ time = \"2 h\"");
    ASSERT_NE(at_most, std::string::npos);
    text.replace(at_most, 14, "{ time = \"1 min\"");
    const std::string ledger = folder / "stopped.ledger";
    EXPECT_EQ(slowfilm({"rehearse", folder.write("short.toml", text), "--ledger", ledger}).code, 1);
    EXPECT_THAT(slowfilm({"runs", "--ledger", ledger}).out, HasSubstr("stopped: overrun"));
    const json::object runs = strict(slowfilm({"runs", "--ledger", ledger, "--format", "json"}));
    EXPECT_EQ(runs.at("runs").at(0).at("why"), "overrun");
    EXPECT_EQ(runs.at("runs").at(0).at("state"), "stopped");
    EXPECT_THAT(slowfilm({"summary", "1", "--ledger", ledger}).out,
                HasSubstr("it is stopped, after a step reached its at_most"));
}

// NO_COLOR: no-color.org, which is an informal standard: set and not empty means none.
TEST(CommandRehearse, colour_goes_to_terminals_alone_and_not_under_no_color) {
    const CommandFolder folder;
    const std::string ledger = folder / "trips.ledger";
    EXPECT_EQ(slowfilm({"rehearse", one_that_trips(folder), "--ledger", ledger}).code, 1);
    const std::vector<std::string> words{"runs", "--ledger", ledger};
    EXPECT_THAT(slowfilm(words, {.stdout_is = Stdout::terminal}).out, HasSubstr("\x1b[1;31m"));
    EXPECT_THAT(slowfilm(words).out, Not(HasSubstr("\x1b")));
    EXPECT_THAT(slowfilm(words, {.environment = {{"NO_COLOR", "1"}}, .stdout_is = Stdout::terminal}).out,
                Not(HasSubstr("\x1b")));
}

TEST(CommandRehearse, the_same_seed_tells_the_same_bytes_and_another_seed_others) {
    const Surroundings fixed{.environment = {{"SOURCE_DATE_EPOCH", "1767225600"}}};
    const std::string protocol = shipped("fast-by-stages.toml");
    const Ran one = slowfilm({"rehearse", protocol, "--seed", "7", "--format", "json"}, fixed);
    EXPECT_EQ(one.out, slowfilm({"rehearse", protocol, "--seed", "7", "--format", "json"}, fixed).out);
    EXPECT_NE(one.out, slowfilm({"rehearse", protocol, "--seed", "8", "--format", "json"}, fixed).out);
    EXPECT_TRUE(strict(one).at("started").as_string().starts_with("2026-01-01"));  // 1767225600 s since 1970
}

}  // namespace
}  // namespace slowfilm::command
