#include "daemon/protocol/check.hpp"

#include "daemon/protocol/print.hpp"
#include "tests/daemon/protocol/any_protocol.hpp"
#include "tests/daemon/protocol/files.hpp"

#include <algorithm>
#include <charconv>
#include <filesystem>
#include <fstream>
#include <sstream>

#include <rapidcheck/gtest.h>

namespace slowfilm::protocol {
namespace {

using ::testing::AllOf;
using ::testing::Contains;
using ::testing::Field;
using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::SizeIs;

const std::filesystem::path bad_protocols = SLOWFILM_SOURCE_DIR "/tests/data/bad-protocols";

std::string all_of(const Diagnostics& diagnostics) {
    std::string text;
    for (const Diagnostic& d : diagnostics.items) {
        text += std::to_string(d.place.line) + ":" + std::to_string(d.place.column) + ": " +
                (d.severity == Severity::warning ? "warning: " : "") + d.message + "\n";
    }
    return text;
}

// The first lines of a bad protocol say what is to be found in it: `# LINE:COLUMN: part of the sentence`, with
// `warning: ` before the sentence where it is one.
struct Expected {
    Severity severity{Severity::error};
    Place place;
    std::string sentence;
};

std::uint32_t number(std::string_view text) {
    std::uint32_t value = 0;
    const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
    EXPECT_TRUE(error == std::errc{} && end == text.data() + text.size()) << text;
    return value;
}

std::vector<Expected> expectations(const std::string& text) {
    std::vector<Expected> found;
    std::istringstream lines(text);
    for (std::string line; std::getline(lines, line) && line.starts_with("# ");) {
        const std::size_t first = line.find(':');
        const std::size_t second = line.find(':', first + 1);
        Expected expected;
        expected.place = {number(line.substr(2, first - 2)), number(line.substr(first + 1, second - first - 1))};
        expected.sentence = line.substr(second + 2);
        constexpr std::string_view warning = "warning: ";
        if (expected.sentence.starts_with(warning)) {
            expected.severity = Severity::warning;
            expected.sentence.erase(0, warning.size());
        }
        found.push_back(std::move(expected));
    }
    return found;
}

std::vector<std::string> meaning_files() {
    std::vector<std::string> names;
    for (const auto& entry : std::filesystem::directory_iterator(bad_protocols)) {
        if (const std::string name = entry.path().filename().string(); name.starts_with("meaning-")) {
            names.push_back(name);
        }
    }
    std::ranges::sort(names);
    return names;
}

// Files about other flaws are as short as can be, and break the trade's habits.
void without_habits(Diagnostics& diagnostics) {
    std::erase_if(diagnostics.items, [](const Diagnostic& d) { return d.message.ends_with("(common practice)"); });
}

class BadMeaning : public ::testing::TestWithParam<std::string> {};

TEST_P(BadMeaning, is_found_at_its_place_and_nothing_else_is) {
    const std::string text = contents(bad_protocols / GetParam());
    const std::vector<Expected> expected = expectations(text);
    ASSERT_THAT(expected, Not(IsEmpty()));
    Checked checked = check_protocol(GetParam(), text);
    if (!GetParam().starts_with("meaning-habit-")) {
        without_habits(checked.diagnostics);
    }
    const std::string said = all_of(checked.diagnostics);
    EXPECT_THAT(checked.diagnostics.items, SizeIs(expected.size())) << said;
    for (const Expected& e : expected) {
        EXPECT_THAT(checked.diagnostics.items,
                    Contains(AllOf(Field(&Diagnostic::severity, e.severity), Field(&Diagnostic::place, e.place),
                                   Field(&Diagnostic::message, HasSubstr(e.sentence)))))
            << said;
    }
    const bool refused = std::ranges::any_of(expected, [](const Expected& e) { return e.severity == Severity::error; });
    EXPECT_EQ(checked.protocol.has_value(), !refused);
}

INSTANTIATE_TEST_SUITE_P(Files, BadMeaning, ::testing::ValuesIn(meaning_files()), [](const auto& info) {
    std::string name = info.param.substr(0, info.param.find('.'));
    std::ranges::replace(name, '-', '_');
    return name;
});

constexpr std::string_view head = R"(format = 1

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

std::string charge(std::string_view ends, std::string_view at_most = "\"14 h\"", std::string_view rate = "C/10") {
    return "\n[[step]]\ndo = \"charge\"\nrate = \"" + std::string(rate) + "\"\nends = { " + std::string(ends) +
           " }\nat_most = " + std::string(at_most) + "\n";
}

std::string discharge(std::string_view ends, std::string_view rate = "C/10") {
    return "\n[[step]]\ndo = \"discharge\"\nrate = \"" + std::string(rate) + "\"\nends = { " + std::string(ends) +
           " }\nat_most = \"14 h\"\n";
}

std::string rest(std::string_view time) {
    return "\n[[step]]\ndo = \"rest\"\nends = { time = \"" + std::string(time) + "\" }\n";
}

std::string hold(std::string_view voltage, std::string_view more = "") {
    return "\n[[step]]\ndo = \"hold\"\nvoltage = \"" + std::string(voltage) +
           "\"\nrate_max = \"C/10\"\nends = { current = \"C/50\" }\nat_most = \"3 h\"\n" + std::string(more);
}

std::string replaced(std::string_view text, std::string_view from, std::string_view to) {
    std::string changed(text);
    const std::size_t at = changed.find(from);
    EXPECT_NE(at, std::string::npos) << from;
    return changed.replace(at, from.size(), to);
}

Checked check(const std::string& text) {
    Checked checked = check_protocol("x.toml", text);
    without_habits(checked.diagnostics);
    return checked;
}

std::string found(const std::string& text) {
    return all_of(check(text).diagnostics);
}

std::string with(const std::string& steps) {
    return found(std::string(head) + steps);
}

TEST(Check, a_good_protocol_comes_back_with_its_bounds) {
    const Checked checked = check(std::string(head) + charge("voltage = \"4.2 V\""));
    ASSERT_TRUE(checked.protocol);
    EXPECT_THAT(checked.diagnostics.items, IsEmpty()) << all_of(checked.diagnostics);
    EXPECT_EQ(checked.bounds, bounds(*checked.protocol, checked.protocol->cell.capacity));
    EXPECT_EQ(checked.bounds.visits, 1U);
}

TEST(Check, a_warning_leaves_the_protocol) {
    const Checked checked = check(replaced(std::string(head) + charge("voltage = \"4.2 V\""), "1.1 A", "0.2 A"));
    ASSERT_THAT(checked.diagnostics.items, SizeIs(1));
    EXPECT_EQ(checked.diagnostics.items[0].severity, Severity::warning);
    EXPECT_TRUE(checked.protocol);
}

TEST(Check, complaints_of_grammar_and_of_meaning_come_in_one_pass_and_in_order) {
    const std::string text = replaced(std::string(head), "current_max = \"1.1 A\"", "current_max = 1.1") +
                             charge("voltage = \"4.3 V\"") + charge("volatge = \"4.2 V\"");
    const Checked checked = check(text);
    ASSERT_THAT(checked.diagnostics.items, SizeIs(3)) << all_of(checked.diagnostics);
    EXPECT_THAT(checked.diagnostics.items[0].message, HasSubstr("bare number"));
    EXPECT_THAT(checked.diagnostics.items[1].message, HasSubstr("above window.max"));
    EXPECT_THAT(checked.diagnostics.items[2].message, HasSubstr("volatge"));
    EXPECT_FALSE(checked.protocol);
    EXPECT_EQ(checked.bounds, Bounds{});
}

TEST(Check, what_the_grammar_refused_is_not_judged_again) {
    // The floor is refused as a bare number; nothing is then said about low_voltage against a default that does not
    // stand.
    const std::string text = std::string(head) + "discharge_floor = 2.75\nlow_voltage = { trip = \"2.72 V\" }\n" +
                             charge("voltage = \"4.2 V\"");
    const Checked checked = check(text);
    ASSERT_THAT(checked.diagnostics.items, SizeIs(1)) << all_of(checked.diagnostics);
    EXPECT_THAT(checked.diagnostics.items[0].message, HasSubstr("discharge_floor"));
}

TEST(Check, a_state_that_is_missing_or_misspelt_draws_no_conclusions) {
    const std::string steps = discharge("voltage = \"3.6 V\"") + charge("voltage = \"4.2 V\"");
    EXPECT_THAT(check(replaced(head, "state = \"pristine\"\n", "") + steps).diagnostics.items, SizeIs(1));
    EXPECT_THAT(check(replaced(head, "\"pristine\"", "\"prestine\"") + steps).diagnostics.items, SizeIs(1));
}

TEST(Check, nothing_is_concluded_from_a_step_that_the_grammar_refused) {
    // Whether the second charge was to be preceded by a discharge is not known: its `do` may be what was misread.
    const std::string rules = "\n[accept]\ncoulombic_efficiency = { min = \"98 %\", cycle = 1 }\n";
    const std::string steps = charge("voltage = \"4.2 V\"") + discharge("voltage = 2.8") + charge("voltage = \"3 V\"");
    EXPECT_THAT(check(std::string(head) + steps + rules).diagnostics.items, SizeIs(1));
}

TEST(Check, a_file_that_is_no_toml_gets_no_complaint_of_meaning) {
    const Checked checked = check("format = 1\n[cell\n");
    EXPECT_THAT(checked.diagnostics.items, SizeIs(1));
    EXPECT_FALSE(checked.protocol);
}

TEST(Check, a_thousand_flaws_are_cut_to_a_hundred_and_their_number) {
    std::string steps;
    for (int i = 0; i < 1000; ++i) {
        steps += charge("voltage = \"4.3 V\"");
    }
    const Checked checked = check(std::string(head) + steps);
    ASSERT_THAT(checked.diagnostics.items, SizeIs(101));
    EXPECT_THAT(checked.diagnostics.items.back().message, HasSubstr("and 900 more complaints"));
    EXPECT_FALSE(checked.protocol);
}

TEST(Check, an_empty_file_is_refused_without_a_crash) {
    EXPECT_TRUE(check("").diagnostics.has_errors());
    EXPECT_TRUE(check("[[step]]\ndo = \"charge\"\n").diagnostics.has_errors());
}

// IEC 62133-2:2017, table of charging limits: 4.25 V is the upper limit charging voltage of cells charged to 4.2 V.
TEST(Check, voltage_max_may_be_4_25_V_for_a_cell_of_4_2_V_and_not_a_nanovolt_more) {
    const std::string text = std::string(head) + charge("voltage = \"4.2 V\"");
    EXPECT_EQ(found(replaced(text, "4.24 V", "4.25 V")), "");
    EXPECT_EQ(found(replaced(text, "4.24 V", "4250 mV")), "");
    EXPECT_THAT(found(replaced(text, "4.24 V", "4.250000001 V")), HasSubstr("IEC 62133-2"));
}

TEST(Check, voltage_max_must_leave_room_for_the_stage_to_the_nanovolt) {
    const std::string text = std::string(head) + charge("voltage = \"4.2 V\"");
    EXPECT_EQ(found(replaced(text, "4.24 V", "4.215 V")), "");
    EXPECT_THAT(found(replaced(text, "4.24 V", "4.214999999 V")), HasSubstr("leaves no room"));
}

TEST(Check, discharge_floor_may_be_window_min_or_two_tenths_below_and_not_a_nanovolt_further) {
    const std::string text = std::string(head) + "discharge_floor = \"2.6 V\"\n" + charge("voltage = \"4.2 V\"");
    EXPECT_EQ(found(text), "");
    EXPECT_EQ(found(replaced(text, "= \"2.6 V\"", "= \"2.8 V\"")), "");
    EXPECT_THAT(found(replaced(text, "= \"2.6 V\"", "= \"2.599999999 V\"")), HasSubstr("below window.min"));
    EXPECT_THAT(found(replaced(text, "= \"2.6 V\"", "= \"2.800000001 V\"")), HasSubstr("above window.min"));
}

TEST(Check, low_voltage_may_trip_at_the_discharge_floor_and_is_warned_of_at_zero) {
    const std::string text = std::string(head) + "low_voltage = { trip = \"2.7 V\" }\n" + charge("voltage = \"4.2 V\"");
    EXPECT_EQ(found(text), "");
    EXPECT_EQ(found(replaced(text, "trip = \"2.7 V\"", "trip = \"1.8 V\"")), "");
    EXPECT_THAT(found(replaced(text, "trip = \"2.7 V\"", "trip = \"0 V\"")),
                AllOf(HasSubstr("warning: low_voltage.trip"), HasSubstr("copper has long dissolved")));
    EXPECT_THAT(found(replaced(text, "trip = \"2.7 V\"", "trip = \"2.700000001 V\"")),
                HasSubstr("above discharge_floor"));
    EXPECT_THAT(found(replaced(text, "trip = \"2.7 V\"", "trip = \"-0.000000001 V\"")), HasSubstr("is below \"0 V\""));
}

TEST(Check, a_reason_makes_an_unusual_window_right) {
    const std::string text =
        replaced(replaced(std::string(head) + charge("voltage = \"4.2 V\""), "max = \"4.2 V\"", "max = \"4.35 V\""),
                 "4.24 V", "4.39 V");
    EXPECT_THAT(found(text), HasSubstr("unusual_window"));
    EXPECT_EQ(found(replaced(text, "state = \"pristine\"",
                             "state = \"pristine\"\nunusual_window = \"high-voltage cathode\"")),
              "");
    EXPECT_EQ(found(replaced(text, "NMC/graphite", "other")), "");
}

TEST(Check, equal_values_in_other_units_are_equal) {
    // C/20 of 2 Ah is 100 mA (IEC 61434: 0,05 It A).
    EXPECT_EQ(with(charge("voltage = \"4.2 V\"") + replaced(hold("4.2 V"), "C/50", "99999.999 uA")), "");
    EXPECT_THAT(with(charge("voltage = \"4.2 V\"") + replaced(hold("4.2 V"), "C/50", "200 mA")),
                HasSubstr("already so"));
    EXPECT_EQ(with(charge("voltage = \"4200 mV\"")), "");
    EXPECT_EQ(with(charge("amount = \"50 %\"", "{ time = \"12 h\", amount = \"1 Ah\" }")), "");
    EXPECT_THAT(with(charge("amount = \"50 %\"", "{ time = \"12 h\", amount = \"999.999 mAh\" }")),
                HasSubstr("may move at most"));
}

TEST(Check, an_amount_that_just_fits_in_the_time_is_right) {
    EXPECT_EQ(with(charge("amount = \"40 %\"", "\"4 h\"")), "");
    EXPECT_THAT(with(charge("amount = \"40.0001 %\"", "\"4 h\"")), HasSubstr("moves at most"));
}

TEST(CheckOrder, a_charge_after_a_discharge_or_to_a_higher_voltage_is_right) {
    EXPECT_EQ(with(charge("voltage = \"3.4 V\"") + charge("voltage = \"4.2 V\"")), "");
    EXPECT_EQ(with(charge("voltage = \"4.2 V\"") + discharge("voltage = \"2.8 V\"") + charge("voltage = \"3 V\"")), "");
    EXPECT_EQ(with(charge("voltage = \"4.2 V\"") + hold("4.2 V") + rest("1 h") + discharge("voltage = \"2.8 V\"")), "");
}

TEST(CheckOrder, going_on_at_less_current_to_what_was_just_reached_is_warned_of) {
    // What the faster step came to stands on the meter when the slower one begins, whatever it falls back to.
    for (const char* second : {"4.2 V", "4.1 V"}) {
        EXPECT_THAT(with(charge("voltage = \"4.2 V\"", "\"14 h\"", "C/2") +
                         charge("voltage = \"" + std::string(second) + "\"", "\"14 h\"", "C/20")),
                    HasSubstr("warning: step 2 goes on to"));
    }
    EXPECT_EQ(with(charge("voltage = \"4.2 V\"", "\"14 h\"", "C/2") + rest("10 min") +
                   charge("voltage = \"4.2 V\"", "\"14 h\"", "C/20")),
              "");
    EXPECT_THAT(
        with(charge("voltage = \"4.2 V\"", "\"14 h\"", "C/2") + charge("voltage = \"3.9 V\"", "\"14 h\"", "C/20")),
        HasSubstr("already so"));
}

TEST(CheckOrder, a_rest_gives_room_for_relaxation_and_a_fresh_cell_more) {
    EXPECT_EQ(with(charge("voltage = \"4.2 V\"") + rest("12 h") + charge("voltage = \"4.2 V\"")), "");
    // Just tapped, a cell may fall back by most of what it was given.
    EXPECT_EQ(with(charge("voltage = \"2 V\"") + rest("12 h") + charge("voltage = \"1.5 V\"")), "");
}

TEST(CheckOrder, a_step_with_two_ends_or_with_another_overrun_teaches_nothing) {
    EXPECT_EQ(with(charge("voltage = \"4.2 V\", amount = \"10 %\"") + charge("voltage = \"3.4 V\"")), "");
    EXPECT_EQ(with(charge("voltage = \"4.2 V\"", "\"2 h\"\non_overrun = \"next\"") + charge("voltage = \"3.4 V\"")),
              "");
}

TEST(CheckOrder, a_discharge_above_a_charge_that_may_have_been_already_so_is_not_refused) {
    // A formed cell may start at 4.1 V, where a charge to 3.6 V moves nothing and a discharge to 3.8 V makes sense.
    const std::string formed = replaced(head, "pristine", "formed");
    EXPECT_EQ(found(formed + charge("voltage = \"3.6 V\"") + discharge("voltage = \"3.8 V\"")), "");
}

TEST(CheckOrder, shallow_cycles_between_two_voltages_are_right) {
    const std::string inner_down = replaced(discharge("voltage = \"3.8 V\""), "[[step]]", "[[step.step]]");
    const std::string inner_up = replaced(charge("voltage = \"4.15 V\""), "[[step]]", "[[step.step]]");
    EXPECT_EQ(with(charge("voltage = \"4.1 V\"") + "\n[[step]]\ndo = \"repeat\"\ntimes = 5\n" + inner_down + inner_up),
              "");
}

TEST(CheckOrder, a_hold_in_either_direction_may_stand_anywhere_in_the_window) {
    EXPECT_EQ(with(charge("voltage = \"4.2 V\"") + hold("3.7 V", "direction = \"either\"\n")), "");
    EXPECT_EQ(with(charge("voltage = \"4.2 V\"") + hold("3.7 V", "direction = \"discharge\"\n")), "");
}

TEST(CheckOrder, a_fresh_cell_may_be_held_below_the_window_through_its_soak) {
    EXPECT_EQ(with(hold("1.5 V")), "");
}

TEST(CheckOrder, net_charge_is_followed_through_amounts_and_discharges) {
    EXPECT_EQ(with(charge("amount = \"20 %\"") + charge("net = \"30 %\"")), "");
    EXPECT_THAT(with(charge("amount = \"20 %\"") + charge("amount = \"20 %\"") + charge("net = \"40 %\"")),
                HasSubstr("the steps before have brought it to \"800 mAh\" or more"));
    EXPECT_EQ(with(charge("net = \"60 %\"") + discharge("net = \"40 %\"") + charge("net = \"50 %\"")), "");
    EXPECT_THAT(with(charge("net = \"60 %\"") + discharge("net = \"40 %\"") + discharge("net = \"40 %\"")),
                HasSubstr("or less"));
    // A charge by voltage may have moved anything up to its caps, so a net charge within them is in reach.
    EXPECT_EQ(with(charge("voltage = \"3.4 V\"") + charge("net = \"110 %\"", "\"2 h\"")), "");
}

TEST(CheckOrder, a_net_charge_that_a_repeat_has_not_settled_is_not_refused) {
    const std::string up = replaced(charge("amount = \"20 %\""), "[[step]]", "[[step.step]]");
    const std::string down = replaced(discharge("amount = \"10 %\""), "[[step]]", "[[step.step]]");
    const std::string repeat = "\n[[step]]\ndo = \"repeat\"\ntimes = 5\n" + up + down;
    EXPECT_EQ(with(repeat + charge("net = \"60 %\"")), "");
    // Twice 10 % more is certain after two of the five passes already.
    EXPECT_THAT(with(repeat + charge("net = \"20 %\"")), HasSubstr("\"400 mAh\" or more"));
}

TEST(Check, eight_nested_repeats_of_many_steps_are_judged_without_running_away) {
    std::string steps;
    std::string name = "[[step";
    for (int depth = 0; depth < 8; ++depth) {
        steps += "\n" + name + "]]\ndo = \"repeat\"\ntimes = 2\n";
        name += ".step";
    }
    for (int i = 0; i < 300; ++i) {
        steps += "\n" + name + "]]\ndo = \"rest\"\nends = { time = \"1 s\" }\n";
    }
    const Checked checked = check(std::string(head) + steps);
    EXPECT_TRUE(checked.protocol) << all_of(checked.diagnostics).substr(0, 300);
    // 300 rests x 2^8, and 2^0 + ... + 2^7 repeats around them.
    EXPECT_EQ(checked.bounds.visits, 300U * 256 + 255);
    EXPECT_EQ(checked.bounds.run_time, Duration{300LL * 256 * 1'000'000});
}

// Whatever one does to a good file, its checking ends, with every complaint at a place that the file has.
RC_GTEST_PROP(Check, ends_with_a_place_for_every_complaint_whatever_is_done_to_a_good_file, ()) {
    static const std::vector<std::string> files = [] {
        std::vector<std::string> texts;
        for (const auto& entry : std::filesystem::directory_iterator(SLOWFILM_SOURCE_DIR "/protocols")) {
            if (entry.path().extension() == ".toml") {
                texts.push_back(contents(entry.path()));
            }
        }
        return texts;
    }();
    std::string text = *rc::gen::elementOf(files);
    const int edits = *rc::gen::inRange(1, 6);
    for (int i = 0; i < edits; ++i) {
        const auto at = *rc::gen::inRange<std::size_t>(0, text.size());
        const auto length = *rc::gen::inRange<std::size_t>(0, 12);
        const auto from = *rc::gen::inRange<std::size_t>(0, text.size());
        const std::string piece = *rc::gen::elementOf(std::vector<std::string>{
            "", "9", "-", "\"", "[[step.step]]\n", "\"99 h\"", "\"0 V\"", "1e9", "C/", text.substr(from, 20), "\n"});
        text.replace(at, length, piece);
    }
    const Checked checked = check_protocol("x.toml", text);
    const auto lines = static_cast<std::uint32_t>(std::ranges::count(text, '\n')) + 1;
    for (const Diagnostic& d : checked.diagnostics.items) {
        RC_ASSERT(d.place.line >= 1U);
        RC_ASSERT(d.place.line <= lines);
        RC_ASSERT(d.place.column >= 1U);
        RC_ASSERT(!d.message.empty());
    }
    RC_ASSERT(checked.protocol.has_value() == !checked.diagnostics.has_errors());
    RC_ASSERT(!checked.protocol || checked.bounds.run_time.count > 0);
}

// Whatever the grammar can say is judged to the end, and what is judged good has bounds that its own steps agree with.
RC_GTEST_PROP(Check, judges_whatever_the_grammar_can_say, ()) {
    const std::string text = to_toml(generated::any_protocol());
    const Checked checked = check_protocol("any.toml", text);
    RC_ASSERT(checked.protocol.has_value() == !checked.diagnostics.has_errors());
    for (const Diagnostic& d : checked.diagnostics.items) {
        RC_ASSERT(!d.message.empty());
        RC_ASSERT(d.place.line >= 1 && d.place.line <= 1 + std::count(text.begin(), text.end(), '\n'));
    }
    if (checked.protocol) {
        RC_ASSERT(checked.bounds.run_time >= shortest_run(*checked.protocol));
        RC_ASSERT(checked.bounds.charge_leg.count >= 0 && checked.bounds.discharge_leg.count >= 0);
    }
}

}  // namespace
}  // namespace slowfilm::protocol
