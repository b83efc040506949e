// A simulated channel with the electrochemical cell in it.
#include "sim/channel/simulated_channel.hpp"
#include "sim/sets/particle_sets.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace slowfilm::sim {
namespace {

using namespace literals;
using ::testing::HasSubstr;

SimulatedChannelOptions pouch_options() {
    SimulatedChannelOptions options;
    options.set = particle_set("NMC/graphite").value();
    return options;
}

Sample sample_at(channel::Channel& channel, Time now) {
    Sample taken;
    channel.sample(now, [&](const Sample& sample) { taken = sample; });
    return taken;
}

void drive(channel::Channel& channel, Time now) {
    channel.apply(DriveCurrent{500_mA, 4200_mV, 2000_mV}, now, [](const auto& applied) { ASSERT_TRUE(applied); });
}

TEST(SimulatedChannelWithASet, shows_a_fresh_cell_and_its_first_minutes) {
    auto channel = make_simulated_channel(pouch_options()).value();
    channel->load_cell({"K-01", "NMC/graphite", 5000_mAh, CellState::pristine}, Time{});
    EXPECT_NEAR(volts(sample_at(*channel, Time{}).voltage.value), 0.239, 2e-3);
    drive(*channel, Time{1'000'000});
    EXPECT_NEAR(volts(sample_at(*channel, Time{51'000'000}).voltage.value), 2.288, 0.02);
    EXPECT_NEAR(volts(sample_at(*channel, Time{201'000'000}).voltage.value), 2.522, 0.02);
}

TEST(SimulatedChannelWithASet, gives_each_cell_its_own_spread_and_the_faulty_one_its_fault) {
    SimulatedChannelOptions options = pouch_options();
    options.capacity_spread = 0.02;
    options.resistance_spread = 0.05;
    options.faulty_cell = "K-02";
    options.cell.faults = {{CellFaultKind::internal_short, 2.0, 0.0, 0.0}};
    auto channel = make_simulated_channel(options).value();
    std::vector<double> shown;
    for (const char* cell : {"K-01", "K-03", "K-01", "K-02"}) {
        channel->load_cell({cell, "NMC/graphite", 5000_mAh, CellState::formed}, Time{});
        drive(*channel, Time{});
        shown.push_back(volts(sample_at(*channel, Time{3'600'000'000}).voltage.value));
    }
    EXPECT_NE(shown[0], shown[1]);
    EXPECT_EQ(shown[0], shown[2]);
    EXPECT_LT(shown[3], shown[0] - 0.02);
}

TEST(SimulatedChannelWithASet, takes_that_of_each_cell_s_chemistry_where_none_is_given) {
    SimulatedChannelOptions options;
    options.set_of = [](const std::string& chemistry) {
        const auto set = particle_set(chemistry);
        return set ? std::optional{*set} : std::nullopt;
    };
    auto channel = make_simulated_channel(options).value();
    const auto shown = [&](const std::string& chemistry) {
        channel->load_cell({"K-01", chemistry, 5000_mAh, CellState::formed}, Time{});
        return volts(sample_at(*channel, Time{}).voltage.value);
    };
    EXPECT_GT(shown("NMC/graphite"), 3.45);
    EXPECT_NEAR(shown("LFP/graphite"), 3.3, 0.05);
    EXPECT_GT(shown("NMC/graphite-SiOx"), 3.38);
    EXPECT_EQ(shown("no such chemistry"), 0.0) << "an empty fixture";
}

TEST(SimulatedChannelWithASet, lives_through_the_past_at_the_temperature_it_had) {
    SimulatedChannelOptions options = pouch_options();
    options.chamber = std::make_shared<Chamber>(25.0, 0.1, 0.0, 60.0);
    auto channel = make_simulated_channel(options).value();
    channel->load_cell({"K-01", "NMC/graphite", 5000_mAh, CellState::formed}, Time{});
    for (std::int64_t second = 1; second <= 3600; ++second) {
        channel->ambient_was(45_degC, Time{second * 1'000'000});
        (void)sample_at(*channel, Time{second * 1'000'000});
    }
    EXPECT_NEAR(celsius(sample_at(*channel, Time{3'600'000'000}).temperature.value), 45.0, 0.1);
    (void)sample_at(*channel, Time{3'601'000'000});
    EXPECT_NEAR(celsius(sample_at(*channel, Time{9'000'000'000}).temperature.value), 25.0, 0.1) << "then the chamber's";
}

TEST(SimulatedChannelWithASet, refuses_a_set_that_cannot_be) {
    SimulatedChannelOptions options = pouch_options();
    options.set->electrolyte.concentration = 0.0;
    const auto made = make_simulated_channel(options);
    ASSERT_FALSE(made.has_value());
    EXPECT_THAT(made.error().message, HasSubstr("there is some salt"));
}

}  // namespace
}  // namespace slowfilm::sim
