#include "daemon/bench/config.hpp"
#include "daemon/protocol/toml_reader.hpp"

#include <filesystem>
#include <fstream>

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace slowfilm::bench {
namespace {

using namespace literals;
using testing::AllOf;
using testing::HasSubstr;
using testing::Not;

constexpr std::string_view bench_head = R"(format = 1
name   = "serial bench"
ledger = "serial.ledger"
[limits]
voltage_max     = "4.4 V"
current_max     = "6 A"
temperature_max = "60 degC"
)";

constexpr std::string_view good_channel = R"([[channel]]
name           = "b1"
kind           = "instrument"
period         = "1 s"
temperature_of = "none"
  [channel.instrument]
  profile    = "two-quadrant-source.toml"
  port       = "/dev/serial/by-id/source-1"
  sense      = "four wire"
  protection = { voltage = "4.35 V", current = "3 A" }
)";

constexpr std::string_view pair_channel = R"([[channel]]
name           = "b1"
kind           = "instrument"
period         = "1 s"
temperature_of = "none"
  [channel.instrument]
  profile    = "supply-and-load.toml"
  ports      = ["/dev/serial/by-id/supply", "/dev/serial/by-id/load"]
  sense      = "four wire"
  protection = { voltage = "4.35 V" }
)";

// As a bench file beside the shipped profiles would be.
ParsedBench parse(const std::string& channels) {
    return parse_bench(SLOWFILM_SOURCE_DIR "/config/instruments/bench.toml", std::string(bench_head) + channels);
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

TEST(InstrumentConfig, a_channel_takes_what_it_can_do_from_the_profile) {
    const ParsedBench parsed = parse(std::string(good_channel));
    ASSERT_TRUE(parsed.config) << said_of(std::string(good_channel));
    const ChannelConfig& channel = parsed.config->channels[0];
    ASSERT_TRUE(channel.instrument);
    EXPECT_EQ(channel.instrument->ports, std::vector<std::string>{"/dev/serial/by-id/source-1"});
    EXPECT_EQ(channel.instrument->output, "1");
    EXPECT_TRUE(channel.instrument->four_wire);
    EXPECT_EQ(channel.instrument->protection, 4350_mV);
    EXPECT_EQ(channel.instrument->current_protection, Current{3'000'000'000});
    EXPECT_EQ(channel.instrument->traits, channel.traits);
    EXPECT_EQ(channel.traits.period, 1_s);
    EXPECT_EQ(channel.traits.source_max, Current{6'000'000'000}) << "of the profile";
    EXPECT_EQ(channel.traits.off_state, OffState::high_impedance) << "of the profile";
    EXPECT_EQ(channel.traits.temperature_of, TemperatureOf::none);
}

TEST(InstrumentConfig, a_supply_and_a_load_have_a_port_each) {
    const ParsedBench parsed = parse(std::string(pair_channel));
    ASSERT_TRUE(parsed.config) << said_of(std::string(pair_channel));
    EXPECT_EQ(parsed.config->channels[0].instrument->ports.size(), 2U);
}

TEST(InstrumentConfig, a_port_with_a_relative_name_lies_beside_the_bench_file) {
    const ParsedBench parsed = parse(with(std::string(good_channel), "/dev/serial/by-id/source-1", "ports/src1"));
    ASSERT_TRUE(parsed.config);
    EXPECT_EQ(parsed.config->channels[0].instrument->ports[0], SLOWFILM_SOURCE_DIR "/config/instruments/ports/src1");
}

TEST(InstrumentConfig, two_outputs_of_one_instrument_are_two_channels) {
    const std::string second =
        with(with(std::string(good_channel), "\"b1\"", "\"b2\""), "  sense", "  output = \"2\"\n  sense");
    const ParsedBench parsed = parse(std::string(good_channel) + second);
    ASSERT_TRUE(parsed.config) << said_of(std::string(good_channel) + second);
    EXPECT_EQ(parsed.config->channels[1].instrument->output, "2");
    EXPECT_EQ(parsed.config->channels[0].instrument->profile, parsed.config->channels[1].instrument->profile);
}

TEST(InstrumentConfig, what_cannot_be_is_refused_with_what_would_be_right) {
    struct Case {
        const char* from;
        const char* to;
        const char* says;
    };
    const std::string channel(good_channel);
    for (const Case& one : {
             Case{"sense      = \"four wire\"", "", "'sense'"},
             Case{"\"four wire\"", "\"one wire\"", "two wire"},
             Case{"protection = { voltage = \"4.35 V\", current = \"3 A\" }", "", "'protection'"},
             Case{", current = \"3 A\"", "", "'current'"},
             Case{"voltage = \"4.35 V\"", "voltage = \"40 V\"", "can be set from 500 mV to 7 V only"},
             Case{"current = \"3 A\"", "current = \"30 A\"", "up to 7 A only"},
             Case{"port       = \"/dev/serial/by-id/source-1\"", "", "'port'"},
             Case{"port       = \"/dev/serial/by-id/source-1\"", "ports = [\"a\", \"b\"]",
                  "it is 'port' and not 'ports'"},
             Case{"port  ", "load_output = \"1\"\n  port  ", "no load"},
             Case{"port  ", "output = \"1;OUTP2 ON\"\n  port  ", "letters and digits"},
             Case{"port  ", "prot = \"1\"\n  port  ", "unknown key 'prot'"},
             Case{"temperature_of = \"none\"", "temperature_of = \"cell\"", "no [temperature]"},
             Case{"period", "settle = \"1 s\"\nperiod", "'settle' is the profile's to say"},
             Case{"period", "voltage = { min = \"0 V\" }\nperiod", "'voltage' is the profile's to say"},
             Case{"period", "off_state = \"sinks\"\nperiod", "'off_state' is the profile's to say"},
             Case{"period", "contactor = true\nperiod", "'contactor' is the profile's to say"},
             Case{"period", "ambient_sensor = true\nperiod", "'ambient_sensor' is not read"},
             Case{"period", "chamber = \"oven\"\nperiod", "there is no [[chamber]] 'oven'"},
             Case{"two-quadrant-source.toml", "none-such.toml", "the profile cannot be read"},
             Case{"\"instrument\"", "\"simulated\"", "[channel.instrument] belongs to kind = \"instrument\""},
         }) {
        EXPECT_THAT(said_of(with(channel, one.from, one.to)), HasSubstr(one.says)) << one.to;
    }
    EXPECT_THAT(said_of(with(std::string(pair_channel), ", \"/dev/serial/by-id/load\"", "")),
                HasSubstr("the profile is of 2 instruments, and 'ports' names 1"));
    EXPECT_THAT(said_of(with(std::string(pair_channel), "by-id/load", "by-id/supply")), HasSubstr("named twice"));
    EXPECT_THAT(said_of(with(std::string(pair_channel), "\"4.35 V\"", "\"4.35 V\", current = \"3 A\"")),
                HasSubstr("no [current_protection]"));
}

TEST(InstrumentConfig, all_complaints_come_in_one_pass_each_with_its_place) {
    std::string channel = with(std::string(good_channel), "period", "settle = \"1 s\"\nperiod");
    channel = with(channel, "\"four wire\"", "\"no wire\"");
    const std::string said = said_of(channel);
    EXPECT_THAT(said, HasSubstr("config/instruments/bench.toml:11:1: error: 'settle'"));
    EXPECT_THAT(said, HasSubstr("config/instruments/bench.toml:17:16: error:"));
}

TEST(InstrumentConfig, two_channels_cannot_have_one_output) {
    const std::string twice = std::string(good_channel) + with(std::string(good_channel), "\"b1\"", "\"b2\"");
    EXPECT_THAT(said_of(twice), HasSubstr("channel 'b1' has the same output"));
    const std::string other_serial =
        with(with(with(std::string(good_channel), "\"b1\"", "\"b2\""), "  sense", "  output = \"2\"\n  sense"),
             "  sense", "  serial = \"SN7\"\n  sense");
    EXPECT_THAT(said_of(std::string(good_channel) + other_serial), HasSubstr("with another profile or serial number"));
}

TEST(InstrumentConfig, a_name_the_kernel_gives_is_warned_of_unless_the_serial_number_is_asked_for) {
    const std::string plain = with(std::string(good_channel), "/dev/serial/by-id/source-1", "/dev/ttyUSB0");
    const ParsedBench warned = parse(plain);
    ASSERT_TRUE(warned.config);
    EXPECT_THAT(render(warned, std::string(bench_head) + plain), HasSubstr("another adapter after a restart"));
    const ParsedBench sure = parse(with(plain, "  sense", "  serial = \"SN7\"\n  sense"));
    ASSERT_TRUE(sure.config);
    EXPECT_TRUE(sure.diagnostics.items.empty());
    EXPECT_EQ(sure.config->channels[0].instrument->serials, std::vector<std::string>{"SN7"});
}

TEST(InstrumentConfig, a_profile_that_is_not_good_is_complained_of_under_its_own_name_and_once) {
    std::string pattern = std::filesystem::temp_directory_path() / "slowfilm-config-XXXXXX";
    const std::filesystem::path folder = ::mkdtemp(pattern.data());
    std::string profile =
        *protocol::read_file_bounded(SLOWFILM_SOURCE_DIR "/config/instruments/two-quadrant-source.toml");
    std::ofstream(folder / "bad.toml") << with(profile, "off  = \"OUTP{channel} OFF\"", "off  = \"OUTP?\"");
    const std::string channel = with(std::string(good_channel), "two-quadrant-source.toml", "bad.toml");
    const std::string text =
        std::string(bench_head) + channel + with(with(channel, "\"b1\"", "\"b2\""), "source-1", "source-2");
    const ParsedBench parsed = parse_bench(folder / "bench.toml", text);
    std::filesystem::remove_all(folder);
    EXPECT_FALSE(parsed.config);
    const std::string said = render(parsed, text);
    EXPECT_THAT(said, AllOf(HasSubstr("bench.toml:14:16: error: the profile has errors"), HasSubstr("bad.toml:"),
                            HasSubstr("'off'")));
    EXPECT_EQ(parsed.of_files.find("bad.toml:"), parsed.of_files.rfind("bad.toml:")) << parsed.of_files;
}

}  // namespace
}  // namespace slowfilm::bench
