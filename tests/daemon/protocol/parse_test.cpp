#include "daemon/protocol/parse.hpp"

#include "daemon/protocol/grammar.hpp"
#include "daemon/protocol/parse_steps.hpp"
#include "tests/daemon/protocol/files.hpp"

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <sstream>

namespace slowfilm::protocol {
namespace {

using namespace literals;
using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::SizeIs;

constexpr std::string_view top = "format = 1\n";
constexpr std::string_view cell_and_limits = R"(
[cell]
chemistry = "NMC/graphite"
capacity = "2 Ah"
window = { min = "2.8 V", max = "4.2 V" }
state = "pristine"

[limits]
voltage_max = "4.24 V"
current_max = "1.1 A"
temperature_max = "50 degC"
charge_temperature = { min = "10 degC", max = "45 degC" }
)";
constexpr std::string_view one_step = R"(
[[step]]
do = "charge"
rate = "C/20"
ends = { voltage = "3.4 V" }
at_most = "9 h"
)";

std::string protocol_with(std::string_view steps) {
    return std::string{top} + std::string{cell_and_limits} + std::string{steps};
}

std::string messages(const Parsed& parsed) {
    std::string all;
    for (const Diagnostic& item : parsed.diagnostics.items) {
        all += std::to_string(item.place.line) + ":" + std::to_string(item.place.column) + ": " + item.message + "\n";
    }
    return all;
}

std::string replaced(std::string text, std::string_view from, std::string_view to) {
    const std::size_t at = text.find(from);
    EXPECT_NE(at, std::string::npos) << from;
    return text.replace(at, from.size(), to);
}

TEST(Parse, reads_the_smallest_protocol) {
    const Parsed parsed = parse_protocol("x.toml", protocol_with(one_step));
    ASSERT_TRUE(parsed.protocol) << messages(parsed);
    EXPECT_THAT(parsed.diagnostics.items, IsEmpty());
    EXPECT_EQ(parsed.diagnostics.file, "x.toml");
    const Protocol& p = *parsed.protocol;
    EXPECT_EQ(p, *parsed.sketch);
    EXPECT_EQ(p.cell.chemistry, Chemistry::nmc_graphite);
    EXPECT_EQ(p.cell.format, CellFormat::unsaid);
    EXPECT_EQ(p.cell.capacity, 2'000_mAh);
    EXPECT_EQ(p.cell.window_min, 2'800_mV);
    EXPECT_EQ(p.cell.window_max, 4'200_mV);
    EXPECT_EQ(p.cell.state, CellState::pristine);
    EXPECT_EQ(p.limits.voltage_max.trip, 4'240_mV);
    EXPECT_EQ(p.limits.voltage_max.written, (Place{10, 15}));
    EXPECT_FALSE(p.limits.low_voltage.written);
    EXPECT_EQ(p.limits.current_max.trip, CurrentOrRate{1'100_mA});
    EXPECT_EQ(p.limits.charge_temperature.min, 10_degC);
    ASSERT_THAT(p.steps, SizeIs(1));
    EXPECT_EQ(p.steps[0].kind, StepKind::charge);
    EXPECT_EQ(p.steps[0].path, "1");
    EXPECT_EQ(p.steps[0].place, (Place{15, 1}));
    EXPECT_EQ(p.steps[0].current, (CurrentOrRate{Rate{1, 20}}));
    EXPECT_EQ(p.steps[0].ends.voltage, 3'400_mV);
    EXPECT_EQ(p.steps[0].at_most.time, 9_h);
    EXPECT_EQ(p.steps[0].on_overrun, OnOverrun::stop);
}

TEST(Parse, reads_every_section) {
    const Parsed parsed = parse_protocol("x.toml", R"(
format = 1
title = "night shift"
about = """
two
lines"""

[cell]
chemistry = "LFP/graphite"
format = "prismatic"
capacity = "20 Ah"
window = { min = "2.0 V", max = "3.65 V" }
state = "tapped"
unusual_window = "a trial"

[start]
voltage = { min = "-50 mV", max = "3.2 V" }
temperature = { max = "30 degC" }

[limits]
voltage_max = { warn = "3.68 V", trip = "3.7 V", for = "1 s" }
low_voltage = { trip = "1.5 V", armed_above = "2.5 V", for = "2 s" }
discharge_floor = "1.9 V"
current_max = "C/2"
current_error = "off"
leakage_max = "2 mA"
hold_error = { warn = "5 mV" }
temperature_max = { trip = "55 degC", for = "10 s" }
temperature_min = { warn = "5 degC", trip = "0 degC" }
charge_temperature = { min = "10 degC", max = "45 degC", for = "5 s" }
discharge_temperature = { max = "50 degC" }
temperature_rise = "off"
climb = [ { by = "8 %", above = "2.5 V" }, { by = "4 Ah", above = "3 V" } ]
charge_leg_max = { first = "120 %", later = "22 Ah" }
net_max = "118 %"
stale_after = "5 s"
run_time_max = "4 d"

[keep]
every = "10 s"
on_change = { voltage = "2 mV", current = "1 %", temperature = "0.5 K" }

[interruption]
then = "resume"
longest = "10 min"
total = "1 h"
voltage_fall_max = "20 mV"
voltage_rise_max = "10 mV"
charge_uncertain_max = "1 %"

[[step]]
do = "ask"
prompt = "Connect the second lead."
at_most = "2 d"
on_overrun = "wait"

[[step]]
do = "repeat"
times = 3
at_most = "9 d"
  [[step.step]]
  name = "up"
  do = "charge"
  current = "2 A"
  ends = { voltage = "3.65 V", time = "9 h", amount = "10 Ah", net = "90 %" }
  at_most = { time = "10 h", amount = "21 Ah" }
  [[step.step]]
  do = "hold"
  voltage = "3.65 V"
  current_max = "2 A"
  direction = "either"
  ends = { current = "400 mA" }
  at_most = "3 h"
  on_overrun = "next"
  [[step.step]]
  do = "repeat"
  times = 2
    [[step.step.step]]
    do = "rest"
    ends = { time = "10 min" }

[accept]
first_cycle_efficiency = { min = "84 %", max = "97 %" }
coulombic_efficiency = { min = "99 %", cycle = 3 }
charge_capacity = { min = "19 Ah", step = "up", pass = 2 }
discharge_capacity = { min = "19 Ah", step = "2.2" }
)");
    ASSERT_TRUE(parsed.protocol) << messages(parsed);
    const Protocol& p = *parsed.protocol;
    EXPECT_EQ(p.title, "night shift");
    EXPECT_EQ(p.about, "two\nlines");
    EXPECT_EQ(p.cell.chemistry, Chemistry::lfp_graphite);
    EXPECT_EQ(p.cell.format, CellFormat::prismatic);
    EXPECT_EQ(p.cell.unusual_window, "a trial");
    EXPECT_EQ(p.start.voltage.min, -50_mV);
    EXPECT_FALSE(p.start.temperature.min);
    EXPECT_EQ(p.limits.voltage_max.warn, 3'680_mV);
    EXPECT_EQ(p.limits.voltage_max.persistence, 1_s);
    EXPECT_EQ(p.limits.armed_above, 2'500_mV);
    EXPECT_EQ(p.limits.current_max.trip, (CurrentOrRate{Rate{1, 2}}));
    EXPECT_TRUE(p.limits.current_error.off);
    EXPECT_FALSE(p.limits.hold_error.trip);
    EXPECT_EQ(p.limits.hold_error.warn, 5_mV);
    EXPECT_TRUE(p.limits.temperature_rise.off);
    ASSERT_THAT(p.limits.climb, SizeIs(2));
    EXPECT_EQ(p.limits.climb[1], (Climb{ChargeOrRatio{4'000_mAh}, 3'000_mV}));
    EXPECT_EQ(p.limits.charge_leg_later, ChargeOrRatio{22'000_mAh});
    EXPECT_EQ(p.limits.stale_temperature, 5_s);
    EXPECT_EQ(p.limits.run_time_max, 96_h);
    EXPECT_EQ(p.keep.on_current_change, (std::variant<Current, Ratio>{1_percent}));
    EXPECT_EQ(p.keep.on_temperature_change, 500_mK);
    EXPECT_EQ(p.interruption.then, AfterInterruption::resume);
    EXPECT_EQ(p.interruption.charge_uncertain_max, ChargeOrRatio{1_percent});
    ASSERT_THAT(p.steps, SizeIs(2));
    EXPECT_EQ(p.steps[0].prompt, "Connect the second lead.");
    EXPECT_EQ(p.steps[0].on_overrun, OnOverrun::wait);
    EXPECT_EQ(p.steps[1].times, 3U);
    ASSERT_THAT(p.steps[1].steps, SizeIs(3));
    EXPECT_EQ(p.steps[1].steps[0].path, "2.1");
    EXPECT_EQ(p.steps[1].steps[0].current, CurrentOrRate{2'000_mA});
    EXPECT_EQ(p.steps[1].steps[0].ends.net, ChargeOrRatio{90_percent});
    EXPECT_EQ(p.steps[1].steps[0].at_most.amount, ChargeOrRatio{21'000_mAh});
    EXPECT_EQ(p.steps[1].steps[1].direction, Direction::either);
    EXPECT_EQ(p.steps[1].steps[2].steps[0].path, "2.3.1");
    ASSERT_THAT(p.accept.rules, SizeIs(4));
    EXPECT_EQ(p.accept.rules[0].min, 840'000);
    EXPECT_EQ(p.accept.rules[1].cycle, 3U);
    EXPECT_EQ(p.accept.rules[2].dimension, Dimension::charge);
    EXPECT_EQ(p.accept.rules[2].min, (19'000_mAh).count);
    EXPECT_EQ(p.accept.rules[2].pass, 2U);
    EXPECT_EQ(p.accept.rules[3].step, "2.2");
    EXPECT_EQ(parsed.places.of("step.2.3.1.ends.time"), (Place{80, 21}));
    EXPECT_EQ(parsed.places.of("step.2.3.1"), (Place{78, 5}));
    EXPECT_EQ(parsed.places.of("limits.climb.2.above"), (Place{33, 67}));
    EXPECT_EQ(parsed.places.of("accept.charge_capacity.pass"), (Place{85, 56}));
}

TEST(Parse, the_same_voltage_in_other_words_is_the_same_value) {
    const Parsed volts = parse_protocol("x.toml", protocol_with(one_step));
    const Parsed millivolts = parse_protocol("x.toml", replaced(protocol_with(one_step), "4.24 V", "4240 mV"));
    ASSERT_TRUE(millivolts.protocol);
    EXPECT_EQ(*volts.protocol, *millivolts.protocol);
}

struct Expected {
    Place place;
    std::string sentence;
};

// The first lines of a bad file, "# 7:14: part of the sentence", say what is to be complained of.
std::vector<Expected> expectations(const std::string& text) {
    std::vector<Expected> result;
    std::istringstream lines{text};
    std::string line;
    while (std::getline(lines, line) && line.starts_with("# ")) {
        Expected expected;
        const std::size_t first = line.find(':');
        const std::size_t second = line.find(':', first + 1);
        const auto number = [&](std::size_t from, std::size_t to) {
            std::uint32_t value = 0;
            for (std::size_t i = from; i < to; ++i) {
                value = value * 10 + static_cast<std::uint32_t>(line[i] - '0');
            }
            return value;
        };
        expected.place = {number(2, first), number(first + 1, second)};
        expected.sentence = line.substr(second + 2);
        result.push_back(expected);
    }
    return result;
}

std::vector<std::string> bad_files() {
    std::vector<std::string> names;
    for (const auto& entry : std::filesystem::directory_iterator{SLOWFILM_SOURCE_DIR "/tests/data/bad-protocols"}) {
        const std::string name = entry.path().filename().string();
        if (name.starts_with("syntax-")) {
            names.push_back(name);
        }
    }
    std::sort(names.begin(), names.end());
    return names;
}

class BadFile : public ::testing::TestWithParam<std::string> {};

TEST_P(BadFile, is_refused_with_exactly_the_sentences_it_deserves) {
    const std::string text =
        contents(std::filesystem::path{SLOWFILM_SOURCE_DIR "/tests/data/bad-protocols"} / GetParam());
    const std::vector<Expected> expected = expectations(text);
    ASSERT_THAT(expected, Not(IsEmpty()));
    const Parsed parsed = parse_protocol(GetParam(), text);
    EXPECT_FALSE(parsed.protocol);
    EXPECT_EQ(parsed.diagnostics.items.size(), expected.size()) << messages(parsed);
    for (const Expected& each : expected) {
        EXPECT_TRUE(std::any_of(parsed.diagnostics.items.begin(), parsed.diagnostics.items.end(),
                                [&](const Diagnostic& item) {
                                    return item.severity == Severity::error && item.place == each.place &&
                                           item.message.find(each.sentence) != std::string::npos;
                                }))
            << each.place.line << ":" << each.place.column << ": " << each.sentence << "\nbut got\n"
            << messages(parsed);
    }
}

INSTANTIATE_TEST_SUITE_P(Parse, BadFile, ::testing::ValuesIn(bad_files()), [](const auto& info) {
    std::string name = info.param.substr(7, info.param.size() - 12);
    std::replace(name.begin(), name.end(), '-', '_');
    return name;
});

TEST(Parse, an_empty_file_lacks_all_that_is_required) {
    const Parsed parsed = parse_protocol("x.toml", "");
    EXPECT_FALSE(parsed.sketch);
    EXPECT_EQ(messages(parsed), R"(1:1: 'format' is missing in the top of the file; write format = 1
1:1: there is no [cell]; it must hold chemistry, capacity, window, state
1:1: there is no [limits]; it must hold voltage_max, current_max, temperature_max, charge_temperature
1:1: 'step' is missing in the top of the file; write [[step]]
)");
}

// What is wrong in one place leaves the rest for later checks.
TEST(Parse, a_sketch_is_there_where_only_single_values_were_refused) {
    const Parsed parsed = parse_protocol("x.toml", replaced(protocol_with(one_step), "\"4.24 V\"", "4.24"));
    EXPECT_FALSE(parsed.protocol);
    ASSERT_TRUE(parsed.sketch);
    EXPECT_FALSE(parsed.sketch->limits.voltage_max.trip);
    EXPECT_EQ(parsed.sketch->steps[0].ends.voltage, 3'400_mV);
    EXPECT_FALSE(parse_protocol("x.toml", replaced(protocol_with(one_step), "\"2 Ah\"", "2")).sketch);
    EXPECT_FALSE(parse_protocol("x.toml", replaced(protocol_with(one_step), "\"charge\"", "\"chrge\"")).sketch);
}

TEST(Parse, as_many_steps_as_there_may_be_are_read) {
    std::string steps;
    for (std::size_t i = 0; i < steps_max; ++i) {
        steps += "[[step]]\ndo = \"rest\"\nends = { time = \"1 s\" }\n";
    }
    const Parsed parsed = parse_protocol("x.toml", protocol_with(steps));
    ASSERT_TRUE(parsed.protocol) << messages(parsed).substr(0, 1'000);
    EXPECT_THAT(parsed.protocol->steps, SizeIs(5'000));
    EXPECT_EQ(parsed.protocol->steps.back().path, "5000");
}

TEST(Parse, more_steps_than_there_may_be_are_refused_once_at_the_first_too_many) {
    std::string steps;
    for (std::size_t i = 0; i < steps_max + 3; ++i) {
        steps += "[[step]]\ndo=\"rest\"\nends.time=\"1 s\"\n";
    }
    const Parsed parsed = parse_protocol("x.toml", protocol_with(steps));
    EXPECT_FALSE(parsed.sketch);
    EXPECT_EQ(messages(parsed), std::to_string(14 + 3 * steps_max) +
                                    ":1: a protocol has at most 5000 steps; use `repeat` for what comes again\n");
}

std::string nested_repeats(int depth) {
    std::string text;
    std::string name;
    for (int i = 0; i < depth; ++i) {
        name += name.empty() ? "step" : ".step";
        text += "[[" + name + "]]\ndo = \"repeat\"\ntimes = 2\n";
    }
    return text + "[[" + name + ".step]]\ndo = \"rest\"\nends = { time = \"1 s\" }\n";
}

TEST(Parse, eight_repeats_inside_each_other_are_read_and_nine_are_not) {
    EXPECT_TRUE(parse_protocol("x.toml", protocol_with(nested_repeats(8))).protocol);
    const Parsed nine = parse_protocol("x.toml", protocol_with(nested_repeats(9)));
    EXPECT_FALSE(nine.protocol);
    EXPECT_EQ(messages(nine), "38:1: repeats stand more than 8 deep; make the protocol flatter\n");
}

TEST(Parse, five_hundred_nested_repeats_are_refused) {
    const Parsed parsed = parse_protocol("x.toml", protocol_with(nested_repeats(500)));
    EXPECT_FALSE(parsed.protocol);
    EXPECT_EQ(messages(parsed), "204:1: nested deeper than 64 levels of keys, braces and brackets; make it flat\n");
}

TEST(Parse, a_file_of_ten_megabytes_is_refused) {
    const Parsed parsed = parse_protocol("x.toml", std::string(10'000'000, '#'));
    EXPECT_FALSE(parsed.protocol);
    EXPECT_THAT(messages(parsed), HasSubstr("1:1048577: the text is longer than 1048576 bytes"));
}

TEST(Parse, a_hundred_thousand_dotted_parts_are_refused) {
    std::string text;
    for (int i = 0; i < 100'000; ++i) {
        text += "a.";
    }
    const Parsed parsed = parse_protocol("x.toml", text + "a = 1\n");
    EXPECT_FALSE(parsed.protocol);
    EXPECT_THAT(messages(parsed), HasSubstr("1:129: a key of more than 64 parts"));
}

TEST(Parse, a_hundred_thousand_unknown_keys_are_cut_to_a_list_one_can_read) {
    std::string text = protocol_with(one_step);
    for (int i = 0; i < 80'000; ++i) {
        text += "x" + std::to_string(i) + "=1\n";
    }
    const Parsed parsed = parse_protocol("x.toml", text);
    EXPECT_FALSE(parsed.protocol);
    ASSERT_THAT(parsed.diagnostics.items, SizeIs(201));
    EXPECT_EQ(parsed.diagnostics.items.back().message, "and 79800 more complaints; begin with the first");
}

TEST(Parse, visits_are_counted_without_overflow) {
    Step rest;
    Step inner{.kind = StepKind::repeat, .name = {}, .path = {}, .place = {}, .times = 4'294'967'295U, .steps = {rest}};
    Step outer = inner;
    outer.steps = {inner, inner};
    EXPECT_EQ(count_visits({rest, rest}), 2U);
    Step thrice{.kind = StepKind::repeat, .name = {}, .path = {}, .place = {}, .times = 3, .steps = {rest, rest}};
    EXPECT_EQ(count_visits({thrice, rest}), 8U);
    EXPECT_EQ(count_visits({outer, outer}), visits_max + 1);
}

// A key that the grammar names but nobody reads would be taken and ignored: a value of a kind that no key takes must
// be complained of wherever it stands.
class EveryKey {
  public:
    void in_section(const Section& section) {
        for (const Key& key : section.keys) {
            const std::string prefix = section.name.empty() ? "" : std::string{section.heading} + "\n";
            whole_and_inside(key, [&](const std::string& line) { return prefix + line + "\n"; });
        }
    }
    void in_steps() {
        for (const Key& key : grammar_section("step").keys) {
            for (std::size_t kind = 0; kind < step_words().size(); ++kind) {
                if ((key.allowed & only(static_cast<StepKind>(kind))) == 0) {
                    continue;
                }
                kind_ = static_cast<StepKind>(kind);
                const std::string head =
                    "[[step]]\n" + (key.name == "do" ? "" : "do = \"" + std::string{step_words()[kind]} + "\"\n");
                whole_and_inside(key, [&](const std::string& line) { return head + line + "\n"; });
            }
        }
    }
    [[nodiscard]] int tried() const { return tried_; }

  private:
    template <class Wrap>
    void whole_and_inside(const Key& key, Wrap wrap) {
        const std::string name{key.name};
        tries(wrap(name + " = 2026-03-01"), name);
        for (const Key& inner : key.inside) {
            if ((inner.allowed & only(kind_)) == 0) {
                continue;
            }
            const std::string braces = "{ " + std::string{inner.name} + " = 2026-03-01 }";
            tries(wrap(name + " = " + (key.kind == KeyKind::list ? "[ " + braces + " ]" : braces)),
                  name + "." + std::string{inner.name});
        }
    }
    void tries(const std::string& text, const std::string& what) {
        ++tried_;
        const Parsed parsed = parse_protocol("x.toml", text);
        EXPECT_TRUE(parsed.diagnostics.has_errors());
        const std::size_t at = text.rfind("2026");
        const auto line = static_cast<std::uint32_t>(std::count(text.begin(), text.begin() + at, '\n') + 1);
        const std::size_t begin = text.rfind('\n', at) + 1;
        const Place place{line, static_cast<std::uint32_t>(at - begin + 1)};
        EXPECT_TRUE(std::any_of(parsed.diagnostics.items.begin(), parsed.diagnostics.items.end(),
                                [&](const Diagnostic& item) {
                                    return item.place == place && item.message.find("date") != std::string::npos;
                                }))
            << what << " of " << text << messages(parsed);
        for (const Diagnostic& item : parsed.diagnostics.items) {
            EXPECT_THAT(item.message, Not(HasSubstr("unknown key"))) << text;
        }
    }

    StepKind kind_{StepKind::charge};
    int tried_{0};
};

TEST(Grammar, every_key_is_read_by_the_parser) {
    EveryKey every_key;
    for (const Section& section : grammar()) {
        if (section.name == "step") {
            every_key.in_steps();
        } else {
            every_key.in_section(section);
        }
    }
    EXPECT_GT(every_key.tried(), 100);
}

TEST(Grammar, every_key_has_a_meaning_here_or_in_the_guard_table) {
    for (const Section& section : grammar()) {
        EXPECT_FALSE(section.meaning.empty()) << section.name;
        for (const Key& key : section.keys) {
            EXPECT_EQ(key.meaning.empty(), section.name == "limits") << section.name << "." << key.name;
            for (const Key& inner : key.inside) {
                // A step's limits are guards, and their meaning stands in the guard table.
                EXPECT_EQ(inner.meaning.empty(), key.name == "limits") << key.name << "." << inner.name;
            }
        }
    }
}

TEST(Grammar, lists_step_kinds_as_one_says_them) {
    EXPECT_EQ(step_list(only(StepKind::hold)), "hold");
    EXPECT_EQ(step_list(only(StepKind::charge) | only(StepKind::discharge)), "charge or discharge");
    EXPECT_EQ(step_list(every_kind), "charge, discharge, hold, rest, ramp, pulse, ask or repeat");
}

}  // namespace
}  // namespace slowfilm::protocol
