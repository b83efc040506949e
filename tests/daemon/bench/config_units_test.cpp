#include "daemon/bench/config.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace slowfilm::bench {
namespace {

using namespace literals;
using testing::AllOf;
using testing::HasSubstr;

constexpr std::string_view good_bench = R"(format = 1
name   = "sensor bench"
ledger = "sensor.ledger"
[limits]
voltage_max     = "4.4 V"
current_max     = "6 A"
temperature_max = "60 degC"
[[sensor]]
name    = "t1"
profile = "temperature-module.toml"
port    = "ports/bus"
unit    = 1
input   = 0
period  = "1 s"
[[sensor]]
name    = "room"
profile = "temperature-module.toml"
port    = "ports/bus"
unit    = 1
input   = 4
period  = "1 s"
[[chamber]]
name    = "oven"
kind    = "modbus"
profile = "chamber.toml"
port    = "ports/bus"
unit    = 2
period  = "2 s"
min     = "5 degC"
max     = "60 degC"
[[channel]]
name                = "b1"
kind                = "instrument"
period              = "1 s"
temperature_of      = "cell"
thermometer         = "t1"
ambient_thermometer = "room"
chamber             = "oven"
  [channel.instrument]
  profile    = "two-quadrant-source.toml"
  port       = "ports/source"
  sense      = "four wire"
  protection = { voltage = "4.35 V", current = "3 A" }
)";

// As a bench file beside the shipped profiles would be.
ParsedBench parse(const std::string& text) {
    return parse_bench(SLOWFILM_SOURCE_DIR "/config/instruments/bench.toml", text);
}

std::string with(std::string text, std::string_view from, std::string_view to) {
    const std::size_t at = text.find(from);
    EXPECT_NE(at, std::string::npos) << "'" << from << "' is not in the text";
    return text.replace(at, from.size(), to);
}

std::string said_of(const std::string& text) {
    const ParsedBench parsed = parse(text);
    EXPECT_FALSE(parsed.config) << text;
    return render(parsed, text);
}

TEST(UnitConfig, a_serial_channel_has_thermometers_and_a_chamber_of_the_bench) {
    const std::string text(good_bench);
    const ParsedBench parsed = parse(text);
    ASSERT_TRUE(parsed.config) << render(parsed, text);
    ASSERT_EQ(parsed.config->sensors.size(), 2U);
    EXPECT_EQ(parsed.config->sensors[1].input, 4);
    EXPECT_EQ(parsed.config->sensors[0].unit.profile, parsed.config->sensors[1].unit.profile);
    EXPECT_EQ(parsed.config->sensors[0].unit.bus.port.path, SLOWFILM_SOURCE_DIR "/config/instruments/ports/bus");
    ASSERT_TRUE(parsed.config->chambers[0].unit);
    EXPECT_EQ(parsed.config->chambers[0].unit->unit, 2);
    const ChannelConfig& channel = parsed.config->channels[0];
    EXPECT_EQ(channel.thermometer, "t1");
    EXPECT_EQ(channel.ambient_thermometer, "room");
    EXPECT_TRUE(channel.traits.has_ambient);
    EXPECT_TRUE(channel.traits.has_chamber);
    EXPECT_EQ(channel.traits.temperature_of, TemperatureOf::cell) << "its profile has no thermometer";
}

TEST(UnitConfig, what_cannot_be_is_refused_with_what_would_be_right) {
    struct Case {
        const char* from;
        const char* to;
        const char* says;
    };
    const std::string bench(good_bench);
    for (const Case& one : {
             Case{"thermometer         = \"t1\"", "thermometer = \"t2\"", "there is no [[sensor]] 't2'"},
             Case{"ambient_thermometer = \"room\"", "ambient_thermometer = \"t1\"", "of its surroundings as well"},
             Case{"thermometer         = \"t1\"\n", "", "name a [[sensor]] with 'thermometer'"},
             Case{"temperature_of      = \"cell\"", "temperature_of = \"none\"", "says that no thermometer is there"},
             Case{"period              = \"1 s\"", "period = \"500 ms\"",
                  "read every 1 s, and this channel every 500 ms"},
             Case{"input   = 4", "input = 5", "counted from 0"},
             Case{"input   = 4\nperiod  = \"1 s\"", "input = 4\nperiod = \"500 ms\"", "another profile or period"},
             Case{"unit    = 1\n", "unit = 248\n", "'unit'"},
             Case{"name    = \"room\"", "name = \"t1\"", "two sensors 't1'"},
             Case{"profile = \"temperature-module.toml\"", "profile = \"chamber.toml\"",
                  "kind = \"temperature module\""},
             Case{"profile = \"chamber.toml\"", "profile = \"none-such.toml\"", "the profile cannot be read"},
             Case{"ports/source", "ports/bus", "is taken: a Modbus line has it"},
             Case{"kind    = \"modbus\"\nprofile = \"chamber.toml\"\nport    = \"ports/bus\"\nunit    = 2\nperiod  = "
                  "\"2 s\"",
                  "ramp = \"2 K/min\"", "'oven' is a simulated chamber, and this channel is real"},
             Case{"max     = \"60 degC\"", "max = \"20 degC\"", "must reach 25 degC"},
             Case{"min     = \"5 degC\"", "min = \"5 degC\"\nramp = \"2 K/min\"", "unknown key 'ramp'"},
         }) {
        EXPECT_THAT(said_of(with(bench, one.from, one.to)), AllOf(HasSubstr(one.says), HasSubstr("bench.toml:")))
            << one.to;
    }
}

TEST(UnitConfig, a_thermometer_is_at_one_cell_and_a_shelf_has_one_for_all) {
    const std::string bench(good_bench);
    std::string second = bench.substr(bench.find("[[channel]]"));
    second = with(with(second, "\"b1\"", "\"b2\""), "ports/source", "ports/source2");
    EXPECT_THAT(said_of(bench + second), HasSubstr("channel 'b1' has the same thermometer"));
    const auto shelf = [](const std::string& text) { return with(text, "\"cell\"", "\"shelf\""); };
    const std::string both = shelf(bench) + shelf(second);
    EXPECT_TRUE(parse(both).config) << render(parse(both), both);
}

}  // namespace
}  // namespace slowfilm::bench
