// Instrument profiles: those that are shipped, and what is refused of one that a person wrote.
#include "daemon/channel/profile.hpp"

#include "daemon/channel/profile_line.hpp"
#include "daemon/protocol/toml_reader.hpp"
#include "tests/property.hpp"

namespace slowfilm::channel {
namespace {

using namespace literals;
using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::Not;

const std::string folder = std::string(SLOWFILM_SOURCE_DIR) + "/config/instruments/";

std::string shipped(const std::string& name) {
    return *protocol::read_file_bounded(folder + name + ".toml");
}

// The line of `text` that holds `what`, replaced; it must be there once.
std::string with(std::string text, const std::string& what, const std::string& instead) {
    const std::size_t at = text.find(what);
    EXPECT_NE(at, std::string::npos) << what;
    EXPECT_EQ(text.find(what, at + 1), std::string::npos) << what << " stands there twice";
    return text.replace(at, what.size(), instead);
}

std::string complaints(const std::string& text) {
    const ParsedProfile parsed = parse_profile("mine.toml", text);
    EXPECT_EQ(parsed.profile.has_value(), !parsed.diagnostics.has_errors());
    return render(parsed.diagnostics, text);
}

TEST(Profile, shipped_ones_are_read_and_say_what_they_can_do) {
    const Result<Profile> source = load_profile(folder + "two-quadrant-source.toml");
    ASSERT_TRUE(source) << source.error().message;
    EXPECT_EQ(source->kind, ProfileKind::two_quadrant);
    EXPECT_EQ(source->instruments.size(), 1U);
    const ChannelTraits both = traits_of(*source, ChannelTraits{.period = 1_s});
    EXPECT_EQ(both.source_max, Current{6'000'000'000});
    EXPECT_EQ(both.sink_max, Current{6'000'000'000});
    EXPECT_EQ(both.settle, 300_ms);
    EXPECT_EQ(both.period, 1_s);
    EXPECT_EQ(both.off_state, OffState::high_impedance);
    EXPECT_TRUE(both.reports_ceiling);

    const Result<Profile> pair = load_profile(folder + "supply-and-load.toml");
    ASSERT_TRUE(pair) << pair.error().message;
    EXPECT_EQ(pair->instruments.size(), 2U);
    EXPECT_NE(pair->source_at, pair->load_at);
    EXPECT_TRUE(pair->voltage_from_load);
    const ChannelTraits apart = traits_of(*pair, {});
    EXPECT_EQ(apart.sink_max, Current{10'000'000'000});
    EXPECT_EQ(apart.current_accuracy, 10_mA) << "of two ammeters";
    EXPECT_EQ(apart.settle, 500_ms);
    EXPECT_EQ(apart.voltage_accuracy, 2_mV);

    const Result<Profile> alone = load_profile(folder + "supply-alone.toml");
    ASSERT_TRUE(alone) << alone.error().message;
    const ChannelTraits charges = traits_of(*alone, {});
    EXPECT_EQ(charges.sink_max, Current{});
    EXPECT_EQ(charges.off_state, OffState::sinks);
    EXPECT_THAT(remarks(*alone), ::testing::Contains(HasSubstr("a cell at rest is drained")));
}

TEST(Profile, a_supply_and_a_load_may_be_two_outputs_of_one_instrument) {
    std::string text = shipped("supply-and-load");
    const std::size_t own = text.find("  [load.instrument.port]");
    text.erase(own);
    for (std::size_t at = text.find("[supply.instrument."); at != std::string::npos;
         at = text.find("[supply.instrument.")) {
        text.replace(at, 19, "[");
    }
    const ParsedProfile parsed = parse_profile("mine.toml", text);
    ASSERT_TRUE(parsed.profile) << render(parsed.diagnostics, text);
    EXPECT_EQ(parsed.profile->instruments.size(), 1U);
    EXPECT_EQ(parsed.profile->load_at, 0U);
}

// Nothing by which a cell could be hurt has a default: whatever of it is left out is asked for.
TEST(Profile, what_a_cell_could_be_hurt_by_must_be_written) {
    for (const std::string line :
         {"off_state ", "off_current_max ", "own_protection ", "order ", "baud ", "dtr ", "answer ", "pause ",
          "settle ", "fixed ", "echo ",
          "[supply.output]\n  on   = \"OUTP ON\"\n  off  = \"OUTP OFF\"\n  read = \"OUTP?\"", "off  ",
          "[identify]\nask    = \"*IDN?\"\nbegins = [\"slowfilm,virtual supply\"]", "begins "}) {
        const std::string text = shipped("supply-alone");
        const std::size_t at =
            text.find("\n" + line) != std::string::npos ? text.find("\n" + line) + 1 : text.find(line);
        ASSERT_NE(at, std::string::npos) << line;
        const bool table = line.front() == '[';
        const std::string without =
            text.substr(0, at) + text.substr(table ? at + line.size() : text.find('\n', at) + 1);
        const std::string said = complaints(without);
        const std::string key = table ? (line[1] == 'i' ? "identify" : "output") : line.substr(0, line.find(' '));
        EXPECT_THAT(said, HasSubstr(key)) << line;
        EXPECT_THAT(said, HasSubstr("error: ")) << line;
    }
}

TEST(Profile, one_without_a_way_to_switch_off_and_read_that_back_is_refused) {
    const std::string text = shipped("supply-alone");
    EXPECT_THAT(complaints(with(text, "  off  = \"OUTP OFF\"\n", "")), HasSubstr("'off'"));
    EXPECT_THAT(complaints(with(text, "  read = \"OUTP?\"\n", "")), HasSubstr("'read'"));
    EXPECT_THAT(complaints(with(text, "\"OUTP OFF\"", "\"OUTP ON\"")), HasSubstr("'off' is the same line as 'on'"));
    EXPECT_THAT(complaints(with(text, "\"OUTP?\"", "\"OUTP\"")), HasSubstr("needs a question mark"));
    EXPECT_THAT(complaints(with(text, "\"OUTP OFF\"", "\"OUTP?\"")), HasSubstr("may not ask"));
}

TEST(Profile, a_crowbar_needs_a_diode_and_a_fuse) {
    const std::string bare = with(shipped("supply-alone"), "\"output off\"", "\"crowbar\"");
    EXPECT_THAT(complaints(bare), HasSubstr("a crowbar shorts the cell"));
    EXPECT_EQ(complaints(with(bare, "\"crowbar\"", "\"crowbar\"\ncrowbar_isolated = true")), "");
}

TEST(Profile, a_line_that_was_copied_and_not_changed_is_found) {
    const std::string said = complaints(with(shipped("supply-alone"), "\"CURR {value}\"", "\"VOLT {value}\""));
    EXPECT_THAT(said, HasSubstr("the same line stands in line"));
    EXPECT_THAT(said, HasSubstr("mine.toml:"));
}

TEST(Profile, lines_that_could_not_work_are_refused_where_they_stand) {
    const std::string text = shipped("supply-alone");
    EXPECT_THAT(complaints(with(text, "\"VOLT {value}\"", "\"VOLT 4.2\"")), HasSubstr("needs {value} in it once"));
    EXPECT_THAT(complaints(with(text, "\"VOLT {value}\"", "\"VOLT {value} {value}\"")), HasSubstr("once"));
    EXPECT_THAT(complaints(with(text, "\"VOLT {value}\"", "\"VOLT {valve}\"")), HasSubstr("no placeholder"));
    EXPECT_THAT(complaints(with(text, "\"OUTP OFF\"", "\"OUTP OFF\\n\"")), HasSubstr("printable ASCII only"));
    EXPECT_THAT(complaints(with(text, "\"OUTP OFF\"", "\"\"")), HasSubstr("such as \"OUTP OFF\""));
    EXPECT_THAT(complaints(with(text, "[\"slowfilm,virtual supply\"]", "[\"\"]")), HasSubstr("fits every instrument"));
    EXPECT_THAT(complaints(with(text, "[\"slowfilm,virtual supply\"]", "[]")), HasSubstr("no instrument fits"));
    EXPECT_THAT(complaints(with(text, "[\"zero current\", \"voltage\", \"current\"]", "[\"zero curent\"]")),
                HasSubstr("did you mean 'zero current'"));
    EXPECT_THAT(complaints(with(text, "[\"zero current\", \"voltage\", \"current\"]", "[\"voltage\"]")),
                HasSubstr("in the order in which they are changed"));
    EXPECT_THAT(complaints(with(text, "\"500 ms\"\npause", "\"1 ms\"\npause")), HasSubstr("'answer' must lie between"));
}

TEST(Profile, all_complaints_come_in_one_pass_with_the_nearest_known_key) {
    std::string text = with(shipped("supply-alone"), "off_current_max", "of_current_max");
    text = with(text, "baud  ", "bawd  ");
    text = with(text, "= \"sinks\"", "= \"sink\"");
    const std::string said = complaints(text);
    EXPECT_THAT(said, HasSubstr("unknown key 'of_current_max'; did you mean 'off_current_max'?"));
    EXPECT_THAT(said, HasSubstr("unknown key 'bawd'; did you mean 'baud'?"));
    EXPECT_THAT(said, HasSubstr("off_state"));
}

TEST(Profile, a_kind_that_is_unknown_is_one_complaint) {
    const std::string said =
        complaints(with(shipped("supply-alone"), "kind   = \"supply alone\"", "kind = \"supply\""));
    EXPECT_THAT(said, HasSubstr("kind"));
    EXPECT_THAT(said, Not(HasSubstr("unknown key")));
}

TEST(Profile, a_file_that_is_none_is_a_sentence) {
    EXPECT_EQ(load_profile(folder).error().failure, Failure::bad_config);
    EXPECT_EQ(load_profile(folder + "nothing.toml").error().failure, Failure::bad_config);
    EXPECT_THAT(complaints("format = 1\nkind = "), HasSubstr("error"));
    EXPECT_THAT(complaints(""), HasSubstr("'kind'"));
}

TEST(Profile, placeholders_are_filled_wherever_they_stand) {
    EXPECT_EQ(detail::filled({"INST:NSEL {channel};:VOLT {value}", {}}, "2", "4.2"), "INST:NSEL 2;:VOLT 4.2");
    EXPECT_EQ(detail::filled({"OUTP{channel}?", {}}, ""), "OUTP?");
}

// A person's file is a person's: whatever is cut out of it or put in is answered with sentences, never with a crash.
TEST(Profile, damaged_files_are_refused_or_read_and_nothing_else) {
    const std::string text = shipped("supply-and-load");
    test::holds([&text] {
        const std::size_t from = *rc::gen::inRange<std::size_t>(0, text.size());
        const std::size_t count = *rc::gen::inRange<std::size_t>(0, 200);
        const std::string put = *rc::gen::arbitrary<std::string>();
        const std::string damaged = text.substr(0, from) + put + text.substr(std::min(text.size(), from + count));
        const ParsedProfile parsed = parse_profile("mine.toml", damaged);
        RC_ASSERT(parsed.profile.has_value() == !parsed.diagnostics.has_errors());
        if (parsed.profile) {
            RC_ASSERT(!parsed.profile->source.off.empty());
            RC_ASSERT(!parsed.profile->source.state.empty());
            RC_ASSERT(!parsed.profile->load->off.empty());
        }
    });
}

}  // namespace
}  // namespace slowfilm::channel
