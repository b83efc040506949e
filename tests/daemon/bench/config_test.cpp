#include "daemon/bench/config.hpp"

#include <algorithm>
#include <filesystem>

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace slowfilm::bench {
namespace {

using namespace literals;
using testing::HasSubstr;

constexpr std::string_view good = R"(format = 1
name   = "night bench"
ledger = "night.ledger"
socket = "control/night.socket"
[limits]
voltage_max     = "4.4 V"
current_max     = "6 A"
temperature_max = "60 degC"
[control]
watch   = ["gid 100"]
operate = ["uid 1000", "user root"]
[[channel]]
name           = "a1"
kind           = "simulated"
group          = "shelf"
period         = "100 ms"
settle         = "50 ms"
off_state      = "relay open"
temperature_of = "cell"
voltage        = { min = "-5 V", max = "6 V", accuracy = "1 mV", resolution = "0.1 mV" }
current        = { source_max = "6 A", sink_max = "5 A", accuracy = "2 mA", resolution = "0.1 mA" }
  [channel.simulated]
  seed = 7
  [[channel.simulated.fault]]
  kind       = "internal short"
  resistance = "4 ohm"
  after      = "10 h"
)";

std::string with(std::string_view from, std::string_view to) {
    std::string text(good);
    const std::size_t at = text.find(from);
    EXPECT_NE(at, std::string::npos) << "'" << from << "' is not in the good text";
    return text.replace(at, from.size(), to);
}

// The one complaint about this text.
Diagnostic complaint(const std::string& text) {
    const ParsedBench parsed = parse_bench("dir/night.toml", text);
    EXPECT_FALSE(parsed.config);
    EXPECT_EQ(parsed.diagnostics.items.size(), 1U) << render(parsed.diagnostics, text);
    return parsed.diagnostics.items.empty() ? Diagnostic{} : parsed.diagnostics.items.front();
}

TEST(BenchConfig, a_good_file_is_read_in_full) {
    const ParsedBench parsed = parse_bench("/srv/bench/night.toml", good);
    ASSERT_TRUE(parsed.config) << render(parsed.diagnostics, good);
    const BenchConfig& config = *parsed.config;
    EXPECT_EQ(config.name, "night bench");
    EXPECT_EQ(config.ledger, "/srv/bench/night.ledger");
    EXPECT_EQ(config.socket, "/srv/bench/control/night.socket");
    EXPECT_EQ(config.commit_every, 1_s) << "the default";
    EXPECT_EQ(config.caps, (BenchCaps{4400_mV, Current{6'000'000'000}, 60_degC}));
    ASSERT_EQ(config.channels.size(), 1U);
    const ChannelConfig& channel = config.channels[0];
    EXPECT_EQ(channel.name, "a1");
    EXPECT_EQ(channel.group, "shelf");
    EXPECT_EQ(channel.traits.period, 100_ms);
    EXPECT_EQ(channel.traits.sink_max, Current{5'000'000'000});
    EXPECT_EQ(channel.traits.off_state, OffState::relay_open);
    ASSERT_EQ(channel.simulated.faults.size(), 1U);
    EXPECT_EQ(channel.simulated.faults[0].kind, SimulatedFaultKind::internal_short);
    EXPECT_EQ(channel.simulated.faults[0].after, 10_h);
}

std::string with_oven(std::string_view oven, std::string_view chamber = "oven") {
    return with("group          = \"shelf\"", "chamber = \"" + std::string(chamber) + "\"") + "[[chamber]]\n" +
           std::string(oven);
}

TEST(BenchConfig, a_chamber_stands_around_the_channels_that_name_it) {
    const std::string text = with_oven("name = \"oven\"\nramp = \"2 K/min\"\nmin = \"5 degC\"\nmax = \"60 degC\"\n");
    const ParsedBench parsed = parse_bench("night.toml", text);
    ASSERT_TRUE(parsed.config) << render(parsed.diagnostics, text);
    const ChamberConfig* oven = find_chamber(*parsed.config, "oven");
    ASSERT_NE(oven, nullptr);
    EXPECT_EQ(oven->ramp, TemperatureSlope{120'000});
    EXPECT_EQ(oven->min, 5_degC);
    EXPECT_EQ(oven->max, 60_degC);
    EXPECT_EQ(find_chamber(*parsed.config, "fridge"), nullptr);
    const ChannelConfig& channel = parsed.config->channels[0];
    EXPECT_EQ(channel.chamber, "oven");
    EXPECT_TRUE(channel.traits.has_chamber);
    EXPECT_TRUE(channel.traits.has_ambient) << "a chamber tells its temperature";
    EXPECT_FALSE(parse_bench("night.toml", good).config->channels[0].traits.has_chamber);
}

TEST(BenchConfig, a_chamber_that_cannot_be_is_refused_with_its_place) {
    struct Case {
        const char* oven;
        const char* says;
    };
    for (const Case& one : {
             Case{"ramp = \"2 K/min\"\nmin = \"5 degC\"\nmax = \"60 degC\"\n", "'name'"},
             Case{"name = \"oven\"\nmin = \"5 degC\"\nmax = \"60 degC\"\n", "'ramp'"},
             Case{"name = \"oven\"\nramp = \"0 K/min\"\nmin = \"5 degC\"\nmax = \"60 degC\"\n", "above zero"},
             Case{"name = \"oven\"\nramp = \"2 K/min\"\nmin = \"60 degC\"\nmax = \"5 degC\"\n", "above its min"},
             Case{"name = \"oven\"\nramp = \"2 K/min\"\nmin = \"30 degC\"\nmax = \"60 degC\"\n", "must reach 25 degC"},
             Case{"name = \"oven\"\nramp = \"2 K/min\"\nmin = \"5 degC\"\nmax = \"20 degC\"\n", "must reach 25 degC"},
             Case{"name = \"oven\"\nramp = 2\nmin = \"5 degC\"\nmax = \"60 degC\"\n", "unit"},
             Case{"name = \"oven\"\nramp = \"2 K/min\"\nmin = \"5 degC\"\nmax = \"60 degC\"\nhumid = true\n", "humid"},
             Case{"name = \"oven\"\nramp = \"2 K/min\"\nmin = \"5 degC\"\nmax = \"60 degC\"\n[[chamber]]\nname = "
                  "\"oven\"\nramp = \"2 K/min\"\nmin = \"5 degC\"\nmax = \"60 degC\"\n",
                  "two chambers 'oven'"},
         }) {
        const ParsedBench parsed = parse_bench("night.toml", with_oven(one.oven));
        EXPECT_FALSE(parsed.config) << one.oven;
        EXPECT_THAT(render(parsed.diagnostics, ""), HasSubstr(one.says)) << one.oven;
    }
    const std::string lost =
        with_oven("name = \"oven\"\nramp = \"2 K/min\"\nmin = \"5 degC\"\nmax = \"60 degC\"\n", "fridge");
    EXPECT_THAT(complaint(lost).message, HasSubstr("no [[chamber]] 'fridge'"));
}

TEST(BenchConfig, the_shipped_benches_are_good) {
    for (const char* file :
         {SLOWFILM_SOURCE_DIR "/config/simulated-bench.toml", SLOWFILM_SOURCE_DIR "/config/demo-bench.toml"}) {
        const Result<BenchConfig> config = load_bench(file);
        ASSERT_TRUE(config) << config.error().message;
        EXPECT_EQ(config->channels.size(), 4U);
    }
}

TEST(BenchConfig, one_channel_of_the_demo_bench_has_a_fault) {
    const Result<BenchConfig> config = load_bench(SLOWFILM_SOURCE_DIR "/config/demo-bench.toml");
    ASSERT_TRUE(config) << config.error().message;
    const auto faulty = std::count_if(config->channels.begin(), config->channels.end(),
                                      [](const ChannelConfig& channel) { return !channel.simulated.faults.empty(); });
    EXPECT_EQ(faulty, 1);
}

TEST(BenchConfig, a_simulated_cell_is_of_a_chemistry_or_of_a_set_or_follows_the_protocol) {
    EXPECT_EQ(parse_bench("night.toml", good).config->channels[0].simulated.chemistry, "");
    const ParsedBench written = parse_bench("night.toml", with("  seed = 7\n", "  cell = \"LFP/graphite\"\n"));
    EXPECT_EQ(written.config->channels[0].simulated.chemistry, "LFP/graphite");
    EXPECT_EQ(written.config->channels[0].simulated.set_file, "");
    std::string asked;
    const ParsedBench own = parse_bench("/srv/bench/night.toml", with("  seed = 7\n", "  cell = \"cells/own.toml\"\n"),
                                        [&](const std::string& path) {
                                            asked = path;
                                            return Result<std::string, std::string>("NMC/graphite-SiOx");
                                        });
    EXPECT_EQ(asked, "/srv/bench/cells/own.toml");
    EXPECT_EQ(own.config->channels[0].simulated.set_file, asked);
    EXPECT_EQ(own.config->channels[0].simulated.chemistry, "NMC/graphite-SiOx");
}

TEST(BenchConfig, a_simulated_cell_that_cannot_be_is_refused_with_its_place) {
    const Diagnostic unknown = complaint(with("  seed = 7\n", "  cell = \"NCA/graphite\"\n"));
    EXPECT_THAT(unknown.message, HasSubstr("\"NCA/graphite\""));
    EXPECT_EQ(unknown.place, (Place{23, 10}));
    const std::string text = with("  seed = 7\n", "  cell = \"own.toml\"\n");
    const ParsedBench bad = parse_bench("night.toml", text, [](const std::string&) {
        return Result<std::string, std::string>(tl::unexpected<std::string>("own.toml:3:5: error: no radius\n"));
    });
    EXPECT_FALSE(bad.config);
    EXPECT_THAT(render(bad, text), HasSubstr("night.toml:23:10: error: the parameter set of channel 'a1'"));
    EXPECT_THAT(render(bad, text), HasSubstr("own.toml:3:5: error: no radius"));
    EXPECT_FALSE(parse_bench("night.toml", text).config) << "nobody there to read it";
}

TEST(BenchConfig, an_off_state_has_no_default) {
    const Diagnostic found = complaint(with("off_state      = \"relay open\"\n", ""));
    EXPECT_THAT(found.message, HasSubstr("off_state"));
    EXPECT_EQ(found.place.line, 12U) << "of the channel's header";
}

TEST(BenchConfig, a_bare_number_is_refused_at_its_place) {
    const Diagnostic found = complaint(with("\"6 A\"", "6"));
    EXPECT_EQ(found.place, (Place{7, 19}));
}

TEST(BenchConfig, an_unknown_key_is_refused_with_the_nearest) {
    const Diagnostic found = complaint(with("group  ", "goup   "));
    EXPECT_THAT(found.message, HasSubstr("'group'"));
}

TEST(BenchConfig, two_channels_of_one_name_are_refused_with_both_places) {
    const std::string text(good);
    const std::string twice = text + text.substr(text.find("[[channel]]"));
    const Diagnostic found = complaint(twice);
    EXPECT_THAT(found.message, HasSubstr("line 12"));
}

TEST(BenchConfig, every_value_out_of_its_range_is_refused_with_what_would_be_right) {
    struct Case {
        std::string_view from, to, says;
    };
    for (const Case& one :
         {Case{"format = 1", "format = 2", "format 1"}, Case{"\"night bench\"", "\"\"", "empty"},
          Case{"\"night bench\"", "\"a\\tb\"", "control characters"}, Case{"\"4.4 V\"", "\"-4.4 V\"", "above 0 V"},
          Case{"\"100 ms\"", "\"1 ms\"", "between 10 ms and"}, Case{"\"100 ms\"", "\"2 h\"", "between 10 ms and"},
          Case{"\"-5 V\"", "\"7 V\"", "above its min"}, Case{"\"2 mA\"", "\"0 A\"", "above zero"},
          Case{"\"relay open\"", "\"off\"", "relay open"}, Case{"\"simulated\"", "\"serial\"", "simulated"},
          Case{"\"uid 1000\"", "\"uid me\"", "whole number"}, Case{"\"uid 1000\"", "\"everyone\"", "uid 1000"},
          Case{"\"user root\"", "\"user nobody-of-this-name\"", "does not know"},
          Case{"\"internal short\"", "\"fire\"", "internal short"},
          Case{"  resistance = \"4 ohm\"\n", "", "resistance"}, Case{"\"night.ledger\"", "\"\"", "path"},
          Case{"[[channel]]", "commit_every = \"1 ms\"\n[[channel]]", "unknown key"}}) {
        EXPECT_THAT(complaint(with(one.from, one.to)).message, HasSubstr(one.says)) << one.to;
    }
}

TEST(BenchConfig, a_bench_without_channels_is_refused) {
    const std::string text(good);
    const ParsedBench parsed = parse_bench("b.toml", text.substr(0, text.find("[[channel]]")));
    EXPECT_FALSE(parsed.config);
    EXPECT_TRUE(parsed.diagnostics.has_errors());
}

TEST(BenchConfig, all_complaints_come_in_one_pass) {
    std::string text = with("\"6 A\"", "6");
    text.replace(text.find("\"relay open\""), 12, "\"off\"");
    EXPECT_EQ(parse_bench("b.toml", text).diagnostics.items.size(), 2U);
}

TEST(BenchConfig, a_file_that_is_not_there_is_a_bad_configuration) {
    const Result<BenchConfig> config = load_bench("/nowhere/bench.toml");
    ASSERT_FALSE(config);
    EXPECT_EQ(exit_code(config.error().failure), 78);
}

TEST(BenchConfig, a_complaint_names_file_line_and_column) {
    const std::string path = std::filesystem::temp_directory_path() / "slowfilm-config-test.toml";
    const std::string text = with("\"6 A\"", "6");
    FILE* const file = std::fopen(path.c_str(), "w");
    ASSERT_NE(file, nullptr);
    std::fwrite(text.data(), 1, text.size(), file);
    std::fclose(file);
    const Result<BenchConfig> config = load_bench(path);
    std::filesystem::remove(path);
    ASSERT_FALSE(config);
    EXPECT_THAT(config.error().message, HasSubstr(path + ":7:19: error: "));
}

TEST(Access, only_those_in_the_lists_may) {
    const AccessLists lists{{{AccessRule::Kind::group, 100}}, {{AccessRule::Kind::user, 1000}}};
    EXPECT_TRUE(lists.may_watch(5, 100));
    EXPECT_FALSE(lists.may_operate(5, 100));
    EXPECT_TRUE(lists.may_operate(1000, 5));
    EXPECT_TRUE(lists.may_watch(1000, 5)) << "who may operate may watch";
    EXPECT_FALSE(lists.may_watch(100, 1000)) << "a uid is not a gid";
}

TEST(Access, names_are_looked_up) {
    const Result<AccessRule, std::string> root = parse_access_rule("user root");
    ASSERT_TRUE(root);
    EXPECT_EQ(*root, (AccessRule{AccessRule::Kind::user, 0}));
    EXPECT_THAT(describe_user(0), HasSubstr("root"));
}

}  // namespace
}  // namespace slowfilm::bench
