// Thermometers and chambers on Modbus lines against the virtual ones, over a real pseudo-terminal, the clock driven by
// hand; and channels that are fitted with them.
#include "daemon/channel/fitted_channel.hpp"
#include "daemon/protocol/toml_reader.hpp"
#include "tests/daemon/channel/virtual_board.hpp"

#include <optional>

#include <gmock/gmock.h>

namespace slowfilm::channel {
namespace {

using namespace literals;
using test::Folder;
using test::ScriptedPeer;
using test::World;
using ::testing::AllOf;
using ::testing::Contains;
using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::Not;

std::string shipped_text(const std::string& name) {
    return *protocol::read_file_bounded(std::string(SLOWFILM_SOURCE_DIR) + "/config/instruments/" + name + ".toml");
}

std::string with(std::string text, std::string_view from, std::string_view to) {
    const std::size_t at = text.find(from);
    EXPECT_NE(at, std::string::npos) << "'" << from << "' is not in the text";
    return text.replace(at, from.size(), to);
}

std::shared_ptr<const UnitProfile> profile(const std::string& text) {
    ParsedUnitProfile parsed = parse_unit_profile("unit.toml", text);
    EXPECT_TRUE(parsed.profile) << render(parsed.diagnostics, text);
    return std::make_shared<const UnitProfile>(std::move(*parsed.profile));
}

std::string said_of(const std::string& text) {
    const ParsedUnitProfile parsed = parse_unit_profile("unit.toml", text);
    EXPECT_FALSE(parsed.profile) << text;
    return render(parsed.diagnostics, text);
}

// A channel that answers at once with a temperature of its own.
class PlainChannel final : public Channel {
  public:
    [[nodiscard]] const ChannelTraits& traits() const override { return traits_; }
    [[nodiscard]] bool simulated() const override { return false; }
    void sample(Time now, SampleHandler handler) override {
        Sample sample;
        sample.voltage = {now, 3700_mV, Quality::good};
        sample.temperature = {now, 90_degC, Quality::good};
        handler(sample);
    }
    void apply(const Demand& demand, Time, AppliedHandler handler) override { handler(demand); }
    [[nodiscard]] Health health() const override { return {}; }
    void set_ambient(Temperature, Time) override { ADD_FAILURE() << "the chamber is elsewhere"; }
    void load_cell(const LoadedCell&, Time) override {}

  private:
    ChannelTraits traits_;
};

class UnitsTest : public ::testing::Test {
  protected:
    UnitsTest()
        : units_(world_, R"(format = 1
[[cell]]
name = "c1"
like = "NMC/graphite"
model = "circuit"
capacity = "5 Ah"
state = "formed"
chamber = "oven"
[[instrument]]
name = "temps"
kind = "temperature module"
port = "bus"
unit = 1
baud = 1000000
of = ["c1", "oven", "room", "room", "room"]
meters = { temperature = "0.1 K" }
answer = "0 ms"
[[instrument]]
name = "others"
kind = "temperature module"
port = "bus"
unit = 3
baud = 1000000
of = ["room", "room", "room", "room", "room"]
answer = "0 ms"
[[instrument]]
name = "oven"
kind = "chamber"
port = "bus"
unit = 2
baud = 1000000
ramp = "60 K/min"
answer = "0 ms"
)") {
        peer_.raw = [this](const std::string& bytes) {
            ++questions_[static_cast<unsigned char>(bytes[0])];
            return units_.hear("bus", bytes);
        };
    }

    std::shared_ptr<ModbusBus> bus(const UnitProfile& of) {
        if (!bus_) {
            BusOptions options = of.bus;
            options.port.path = peer_.pty.path();
            bus_ = std::make_shared<ModbusBus>(world_.io, world_.timing, options);
            world_.join(bus_->link(), peer_);
        }
        return bus_;
    }
    std::shared_ptr<TemperatureUnit> module(const std::string& text, std::uint8_t unit = 1) {
        const auto of = profile(text);
        return std::make_shared<TemperatureUnit>(bus(*of), of, unit, 1_s);
    }
    std::shared_ptr<ChamberUnit> chamber() {
        const auto of = profile(shipped_text("chamber"));
        return std::make_shared<ChamberUnit>(bus(*of), of, std::uint8_t{2}, 1_s);
    }

    Folder folder_;
    World world_;
    test::VirtualInstruments units_;
    std::map<int, int> questions_;  // by unit
    ScriptedPeer peer_{folder_.file("bus"), nullptr};
    std::shared_ptr<ModbusBus> bus_;
};

TEST_F(UnitsTest, a_module_is_proven_by_its_known_register_and_then_read_once_a_period_for_all) {
    const auto temps = module(shipped_text("temperature-module"));
    EXPECT_THAT(temps->trouble(0), HasSubstr("has not been heard yet"));
    world_.pass(2_s);
    EXPECT_EQ(temps->trouble(0), "");
    for (std::uint16_t input = 0; input < 5; ++input) {
        ASSERT_TRUE(temps->reading(input).good());
        EXPECT_NEAR(celsius(temps->reading(input).value), 25.0, 0.2);
    }
    const int before = questions_[1];
    world_.pass(10_s);
    EXPECT_NEAR(questions_[1] - before, 10, 1) << "whoever reads how many of its inputs";
    EXPECT_GE(temps->reading(0).time + 1_s, world_.timing.steady());
}

TEST_F(UnitsTest, floats_are_read_in_the_order_that_the_profile_says) {
    std::string text = with(shipped_text("temperature-module"), "type     = \"i16\"", "type     = \"f32\"");
    text = with(text, "scale    = 0.1", "scale    = 1.0");
    text = with(with(text, "register = 0 ", "register = 200 "), "step     = 1", "step     = 2");
    text = with(text, "register = 300", "register = 304");
    const auto swapped = module(with(text, "order    = \"abcd\"", "order    = \"cdab\""));
    world_.pass(2_s);
    EXPECT_EQ(swapped->trouble(0), "");
    EXPECT_NEAR(celsius(swapped->reading(0).value), 25.0, 0.2);
    // In the other order nothing is believed, and a person is told how it would read.
    const auto wrong = module(text);
    world_.pass(2_s);
    EXPECT_EQ(wrong->reading(0).quality, Quality::absent);
    EXPECT_THAT(wrong->trouble(0), AllOf(HasSubstr("register 304 of unit 1 must read 25"), HasSubstr(", 25, ")));
}

TEST_F(UnitsTest, a_register_counted_from_one_is_found_out) {
    const auto temps = module(with(shipped_text("temperature-module"), "register = 300", "register = 301"));
    world_.pass(2_s);
    EXPECT_EQ(temps->reading(0).quality, Quality::absent);
    EXPECT_THAT(temps->trouble(0), HasSubstr("unit 1, register 301"));
}

TEST_F(UnitsTest, a_broken_thermometer_is_bad_and_says_so) {
    const auto temps = module(shipped_text("temperature-module"));
    world_.pass(2_s);
    units_.command("fault temps thermometer");
    world_.pass(2_s);
    EXPECT_EQ(temps->reading(0).quality, Quality::bad);
    EXPECT_THAT(temps->trouble(0), HasSubstr("thermometer 0 of unit 1"));
}

TEST_F(UnitsTest, a_silent_unit_grows_old_and_holds_up_no_other_on_its_line) {
    const auto temps = module(shipped_text("temperature-module"));
    const auto others = module(shipped_text("temperature-module"), 3);
    world_.pass(3_s);
    ASSERT_TRUE(temps->reading(0).good());
    const Time last = temps->reading(0).time;
    units_.command("fault temps silent");
    const int heard = questions_[3];
    const int before = questions_[1];
    world_.pass(60_s);
    EXPECT_LE(temps->reading(0).time, last + 1_s);
    EXPECT_THAT(temps->trouble(0), HasSubstr("no answer came"));
    EXPECT_NEAR(questions_[3] - heard, 60, 2) << "asked as often as before";
    EXPECT_GE(others->reading(0).time + 2_s, world_.timing.steady());
    EXPECT_LT(questions_[1] - before, 15) << "and the silent one ever less often";
    units_.command("clear temps");
    world_.pass(11_s);
    EXPECT_GE(temps->reading(0).time + 2_s, world_.timing.steady());
    EXPECT_EQ(temps->trouble(0), "");
}

TEST_F(UnitsTest, a_line_that_was_pulled_is_read_again_when_it_is_back) {
    const auto temps = module(shipped_text("temperature-module"));
    world_.pass(2_s);
    peer_.pty.unplug();
    world_.pass(5_s);
    EXPECT_THAT(temps->trouble(0), HasSubstr("bus"));
    peer_.pty.plug_in();
    world_.pass(20_s);
    EXPECT_EQ(temps->trouble(0), "");
    EXPECT_GE(temps->reading(0).time + 2_s, world_.timing.steady());
}

TEST_F(UnitsTest, ohms_and_millivolts_become_temperatures) {
    // IEC 60751: a Pt100 has 138.51 ohm at 100 degC, a Pt1000 ten times that.
    EXPECT_NEAR(*temperature_of(AsPlatinum{100.0}, 138.51, std::nullopt), 100.0, 0.02);
    EXPECT_NEAR(*temperature_of(AsPlatinum{1000.0}, 1385.1, std::nullopt), 100.0, 0.02);
    EXPECT_NEAR(*temperature_of(wire::BetaNtc{10e3, 3435.0}, 10e3, std::nullopt), 25.0, 1e-6);
    // ITS-90, type K: 1.000 mV at 25 degC against a junction at 0 degC.
    EXPECT_NEAR(*temperature_of(AsThermocoupleK{}, 0.0, 25.0), 25.0, 0.01);
    EXPECT_NEAR(*temperature_of(AsThermocoupleK{}, 1.000, 0.0), 25.0, 0.01);
    EXPECT_FALSE(temperature_of(AsThermocoupleK{}, 1.0, std::nullopt));
    EXPECT_FALSE(temperature_of(AsPlatinum{100.0}, 0.0, std::nullopt)) << "a short";
}

TEST_F(UnitsTest, a_channel_tells_a_fitted_temperature_once_and_with_its_own_time) {
    const auto temps = module(shipped_text("temperature-module"));
    const std::unique_ptr<Channel> fitted =
        fit_channel(std::make_unique<PlainChannel>(), world_.timing,
                    {.temperature = {temps, 0}, .ambient = {temps, 2}, .chamber = nullptr, .traits = {}});
    const Duration shift = 1000_s;
    const auto sample = [&] {
        std::optional<Sample> got;
        fitted->sample(world_.timing.steady() + shift, [&](const Sample& one) { got = one; });
        return got.value();
    };
    EXPECT_EQ(sample().temperature.quality, Quality::absent) << "its own is not told in its stead";
    EXPECT_THAT(fitted->health().trouble, HasSubstr("has not been heard"));
    world_.pass(1500_ms);
    const Sample first = sample();
    ASSERT_TRUE(first.temperature.good());
    EXPECT_EQ(first.temperature.time, temps->reading(0).time + shift);
    EXPECT_NEAR(celsius(first.temperature.value), 25.0, 0.2);
    EXPECT_TRUE(first.ambient.good());
    EXPECT_EQ(sample().temperature.quality, Quality::absent) << "it was told";
    EXPECT_TRUE(sample().voltage.good());
    world_.pass(1_s);
    EXPECT_TRUE(sample().temperature.good());
    units_.command("fault temps silent");
    world_.pass(10_s);
    (void)sample();
    EXPECT_EQ(sample().temperature.quality, Quality::absent);
}

TEST_F(UnitsTest, a_chamber_is_left_alone_until_it_is_asked_then_set_and_read_back) {
    const auto oven = chamber();
    world_.pass(2_s);
    EXPECT_EQ(oven->trouble(), "");
    EXPECT_NEAR(celsius(oven->reading().value), 25.0, 0.2);
    EXPECT_THAT(units_.describe("oven"), HasSubstr("chamber, off, set to 25.0"));
    oven->set(45_degC, true);
    world_.pass(1_s);
    EXPECT_THAT(units_.describe("oven"), HasSubstr("chamber, on, set to 45.0"));
    EXPECT_EQ(oven->trouble(), "");
    world_.pass(30_s);
    EXPECT_NEAR(celsius(oven->reading().value), 45.0, 0.2);
}

TEST_F(UnitsTest, a_chamber_that_somebody_turns_is_set_again_and_told) {
    const auto oven = chamber();
    oven->set(45_degC, true);
    world_.pass(3_s);
    units_.command("front oven temp 55");
    bool told = false;
    ASSERT_TRUE(world_.until(
        [&] {
            told = told || oven->trouble().find("somebody turned the chamber") != std::string::npos;
            return told;
        },
        5_s));
    EXPECT_THAT(units_.describe("oven"), HasSubstr("chamber, on, set to 45.0"));
}

TEST_F(UnitsTest, a_chamber_that_refuses_is_told_and_tried_again) {
    const auto oven = chamber();
    oven->set(75_degC, true);  // it goes to 60
    world_.pass(3_s);
    EXPECT_THAT(oven->trouble(), HasSubstr("the chamber: unit 2, register 0"));
    EXPECT_NEAR(celsius(oven->reading().value), 25.0, 0.2) << "it is read all the same";
    EXPECT_THAT(units_.describe("oven"), HasSubstr("chamber, on")) << "and switched";
    oven->set(50_degC, true);
    world_.pass(3_s);
    EXPECT_EQ(oven->trouble(), "");
    EXPECT_THAT(units_.describe("oven"), HasSubstr("set to 50.0"));
}

TEST_F(UnitsTest, after_heat_a_chamber_is_set_safe_and_switched_off) {
    const auto oven = chamber();
    const std::unique_ptr<Channel> fitted =
        fit_channel(std::make_unique<PlainChannel>(), world_.timing,
                    {.temperature = {}, .ambient = {}, .chamber = oven, .traits = {}});
    fitted->set_ambient(45_degC, world_.timing.steady());
    world_.pass(3_s);
    EXPECT_THAT(units_.describe("oven"), HasSubstr("chamber, on, set to 45.0"));
    fitted->cool(25_degC, world_.timing.steady());
    world_.pass(1_s);
    EXPECT_THAT(units_.describe("oven"), HasSubstr("chamber, off, set to 25.0"));
    std::optional<Sample> got;
    fitted->sample(world_.timing.steady(), [&](const Sample& one) { got = one; });
    EXPECT_TRUE(got->ambient.good()) << "its own reading is what surrounds the cells";
    EXPECT_NEAR(celsius(got->temperature.value), 90.0, 0.1) << "no thermometer was fitted";
}

TEST(UnitProfile, what_cannot_be_is_refused_with_what_would_be_right) {
    struct Case {
        const char* profile;
        const char* from;
        const char* to;
        const char* says;
    };
    for (const Case& one : {
             Case{"temperature-module", "baud      = 19200", "", "'baud'"},
             Case{"temperature-module", "[known]\nregister = 300\nreads    = 25.0", "", "'known'"},
             Case{"temperature-module", "reads    = 25.0", "reads    = 0.0", "proves nothing"},
             Case{"temperature-module", "count    = 5", "count    = 125\n#", ""},
             Case{"temperature-module", "step     = 1", "step     = 32", "at most 125"},
             Case{"temperature-module", "type     = \"i16\"", "type     = \"f32\"", "'step' is at least"},
             Case{"temperature-module", "scale    = 0.1", "scale    = 0.0", "and not 0"},
             Case{"temperature-module", "most     = 200.0", "most     = -200.0", "above 'least'"},
             Case{"temperature-module", "gives    = \"degC\"", "gives    = \"ohm\"", "'sensor'"},
             Case{"temperature-module", "gives    = \"degC\"", "sensor = { like = \"Pt100\" }\ngives = \"mV\"",
                  "a Pt100 gives ohm, and the inputs give mV"},
             Case{"temperature-module", "read     = \"input\"", "read     = \"coil\"", "holding"},
             Case{"chamber", "off      = 0", "off      = 1", "the same as 'on'"},
             Case{"chamber", "kind   = \"chamber\"", "kind   = \"oven\"", "chamber"},
             Case{"chamber", "[reading]", "[readings]", "'reading'"},
         }) {
        const std::string text = with(shipped_text(one.profile), one.from, one.to);
        if (*one.says == '\0') {
            EXPECT_TRUE(parse_unit_profile("unit.toml", text).profile) << one.to;
        } else {
            EXPECT_THAT(said_of(text), AllOf(HasSubstr(one.says), HasSubstr("unit.toml:"))) << one.to;
        }
    }
}

}  // namespace
}  // namespace slowfilm::channel
