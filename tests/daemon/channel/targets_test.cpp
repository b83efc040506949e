#include "daemon/channel/targets.hpp"

#include "daemon/protocol/toml_reader.hpp"

namespace slowfilm::channel {
namespace {

using namespace literals;
using ::testing::HasSubstr;
using wire::Rounding;

Profile shipped(const std::string& name) {
    const std::string folder = SLOWFILM_SOURCE_DIR "/config/instruments/";
    return *load_profile(folder + name + ".toml");
}

const DriveCurrent charge{.current = 250_mA, .ceiling = 4200_mV, .floor = 2500_mV};
const DriveCurrent discharge{.current = -(500_mA), .ceiling = 4200_mV, .floor = 2500_mV};

TEST(Targets, a_ceiling_is_rounded_down_and_a_floor_up) {
    const Profile source = shipped("two-quadrant-source");
    const Targets up = *targets_of(source, charge);
    EXPECT_EQ(*up.source, (Target{.voltage = 4200_mV, .rounding = Rounding::down, .current = 250_mA, .sink = {}}));
    const Targets down = *targets_of(source, discharge);
    EXPECT_EQ(*down.source, (Target{.voltage = 2500_mV, .rounding = Rounding::up, .current = {}, .sink = 500_mA}));
    const Targets hold = *targets_of(source, HoldVoltage{3000_mV, 100_mA, 200_mA});
    EXPECT_EQ(*hold.source,
              (Target{.voltage = 3000_mV, .rounding = Rounding::nearest, .current = 100_mA, .sink = 200_mA}));
    EXPECT_EQ(*targets_of(source, Open{}), Targets{});
}

TEST(Targets, a_discharge_is_the_loads_and_a_hold_the_supplys) {
    const Profile pair = shipped("supply-and-load");
    EXPECT_FALSE(targets_of(pair, discharge)->source);
    EXPECT_EQ(targets_of(pair, discharge)->load->current, 500_mA);
    EXPECT_FALSE(targets_of(pair, charge)->load);
    EXPECT_EQ(targets_of(pair, HoldVoltage{4200_mV, 100_mA, 100_mA})->source->sink, Current{});
    EXPECT_FALSE(targets_of(pair, HoldVoltage{4200_mV, {}, 100_mA}));
    EXPECT_THAT(targets_of(shipped("supply-alone"), discharge).error(), HasSubstr("cannot discharge"));
}

TEST(Targets, what_no_setting_can_be_is_refused_with_the_range) {
    const Profile source = shipped("two-quadrant-source");
    EXPECT_THAT(targets_of(source, DriveCurrent{250_mA, 7000_mV, {}}).error(), HasSubstr("outside the range"));
    EXPECT_THAT(targets_of(source, DriveCurrent{-(250_mA), {}, Voltage{-1}}).error(), HasSubstr("outside the range"));
    EXPECT_THAT(targets_of(source, DriveCurrent{7000_mA, 4200_mV, {}}).error(), HasSubstr("is more than"));
    EXPECT_THAT(targets_of(source, DriveCurrent{-(7000_mA), {}, 2500_mV}).error(), HasSubstr("is more than"));
    EXPECT_THAT(targets_of(source, DriveCurrent{500_uA, 4200_mV, {}}).error(), HasSubstr("finer than"));
}

}  // namespace
}  // namespace slowfilm::channel
