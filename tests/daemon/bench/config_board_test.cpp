#include "daemon/bench/config.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace slowfilm::bench {
namespace {

using namespace literals;
using testing::HasSubstr;

constexpr std::string_view bench_head = R"(format = 1
name   = "board bench"
ledger = "board.ledger"
[limits]
voltage_max     = "4.4 V"
current_max     = "6 A"
temperature_max = "60 degC"
)";

constexpr std::string_view good_channel = R"([[channel]]
name           = "b1"
kind           = "board"
period         = "1 s"
temperature_of = "cell"
settle         = "300 ms"
off_state      = "relay open"
contactor      = true
voltage        = { min = "0 V", max = "4.3 V", accuracy = "1 mV", resolution = "0.1 mV" }
current        = { source_max = "2 A", sink_max = "2 A", accuracy = "2 mA", resolution = "0.1 mA" }
  [channel.board]
  port        = "ports/board"
  serial      = 17
  answer      = "200 ms"
  boot        = "0 s"
  sense       = "four wire"
  thermometer = true
  terminals   = true
  limits      = { voltage_min = "-0.2 V", voltage_max = "4.35 V", current_max = "2.2 A", temperature_max = "65 degC", watchdog = "4 s" }
)";

ParsedBench parse(const std::string& channels) {
    return parse_bench("/bench/bench.toml", std::string(bench_head) + channels);
}

std::string with(std::string text, std::string_view from, std::string_view to) {
    const std::size_t at = text.find(from);
    EXPECT_NE(at, std::string::npos) << "'" << from << "' is not in the text";
    return text.replace(at, from.size(), to);
}

std::string said_of(const std::string& channels) {
    const ParsedBench parsed = parse(channels);
    EXPECT_FALSE(parsed.config) << channels;
    return render(parsed, std::string(bench_head) + channels);
}

TEST(BoardConfig, a_channel_says_what_it_is_there_for_and_what_the_board_holds_to) {
    const std::string text(good_channel);
    const ParsedBench parsed = parse(text);
    ASSERT_TRUE(parsed.config) << render(parsed, std::string(bench_head) + text);
    const ChannelConfig& channel = parsed.config->channels[0];
    ASSERT_TRUE(channel.board);
    EXPECT_TRUE(channel.serial());
    EXPECT_EQ(channel.board->port.path, "/bench/ports/board");
    EXPECT_EQ(channel.board->port.baud, 115'200U) << "of the link's page";
    EXPECT_EQ(channel.board->serial, 17U);
    EXPECT_EQ(channel.board->limits, (wire::BoardLimits{4350_mV, -(200_mV), Current{2'200'000'000}, 65_degC, 4_s}));
    EXPECT_EQ(channel.board->traits, channel.traits);
    EXPECT_TRUE(channel.traits.reports_ceiling);
    EXPECT_TRUE(channel.traits.has_contactor);
    EXPECT_TRUE(channel.traits.reads_terminals);
    EXPECT_EQ(channel.traits.source_max, Current{2'000'000'000});
}

TEST(BoardConfig, what_cannot_be_is_refused_with_what_would_be_right) {
    struct Case {
        const char* from;
        const char* to;
        const char* says;
    };
    const std::string channel(good_channel);
    for (const Case& one : {
             Case{"  answer      = \"200 ms\"\n", "", "'answer'"},
             Case{"  boot        = \"0 s\"\n", "", "'boot'"},
             Case{"  thermometer = true\n", "", "'thermometer'"},
             Case{"  terminals   = true\n", "", "'terminals'"},
             Case{"  port        = \"ports/board\"\n", "", "'port'"},
             Case{"\"four wire\"", "\"one wire\"", "two wire"},
             Case{", watchdog = \"4 s\"", "", "'watchdog'"},
             Case{"voltage_max = \"4.35 V\", ", "", "'voltage_max'"},
             Case{"watchdog = \"4 s\"", "watchdog = \"2 s\"", "must be 3 s or more"},
             Case{"\"4.35 V\"", "\"4.3 V\"", "a little outside the channel's 0 V to 4.3 V"},
             Case{"temperature_max = \"65 degC\", ", "", "needs a limit for it"},
             Case{"thermometer = true", "thermometer = false", "the board has no thermometer"},
             Case{"settle         = \"300 ms\"\n", "", "'settle'"},
             Case{"off_state      = \"relay open\"\n", "", "'off_state'"},
             Case{"period  ", "reports_ceiling = true\nperiod  ", "every channel board tells"},
             Case{"\"board\"", "\"simulated\"", "[channel.board] belongs to kind = \"board\""},
             Case{"answer ", "baud = 12\n  answer ", "'baud'"},
         }) {
        EXPECT_THAT(said_of(with(channel, one.from, one.to)), HasSubstr(one.says)) << one.to;
    }
}

TEST(BoardConfig, a_complaint_has_its_place) {
    EXPECT_THAT(said_of(with(std::string(good_channel), "\"4.35 V\"", "\"4.3 V\"")),
                HasSubstr("bench.toml:26:17: error: the board's own limits of voltage"));
}

TEST(BoardConfig, two_boards_have_a_port_each) {
    const std::string twice = std::string(good_channel) + with(std::string(good_channel), "\"b1\"", "\"b2\"");
    EXPECT_THAT(said_of(twice), HasSubstr("is taken: channel 'b1' has it"));
}

}  // namespace
}  // namespace slowfilm::bench
