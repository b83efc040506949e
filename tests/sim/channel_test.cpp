#include "sim/channel/simulated_channel.hpp"

#include <optional>
#include <utility>

#include <gtest/gtest.h>

namespace slowfilm::sim {
namespace {

using namespace literals;

Time at(std::int64_t seconds) {
    return Time{seconds * 1'000'000};
}

std::unique_ptr<channel::Channel> channel_of(SimulatedChannelOptions options = {}) {
    auto made = make_simulated_channel(std::move(options));
    EXPECT_TRUE(made.has_value());
    return std::move(*made);
}

// Both handlers are called before the call returns, and once.
Sample sampled(channel::Channel& channel, Time now) {
    int calls = 0;
    Sample result;
    channel.sample(now, [&](const Sample& sample) {
        ++calls;
        result = sample;
    });
    EXPECT_EQ(calls, 1);
    return result;
}

Result<Demand, FaultKind> applied(channel::Channel& channel, const Demand& demand, Time now) {
    int calls = 0;
    Result<Demand, FaultKind> result{Demand{}};
    channel.apply(demand, now, [&](const Result<Demand, FaultKind>& answer) {
        ++calls;
        result = answer;
    });
    EXPECT_EQ(calls, 1);
    return result;
}

const Demand half_an_ampere = DriveCurrent{500_mA, 4200_mV, 0_mV};

TEST(SimulatedChannel, an_empty_fixture_reads_nothing_and_lets_no_current_flow) {
    const auto channel = channel_of();
    EXPECT_TRUE(channel->simulated());
    EXPECT_EQ(channel->traits(), bench_channel_traits());
    EXPECT_EQ(sampled(*channel, at(1)).voltage.value, 0_mV);
    EXPECT_EQ(sampled(*channel, at(1)).mode, StageMode::open);
    EXPECT_EQ(applied(*channel, half_an_ampere, at(2)), half_an_ampere);
    EXPECT_EQ(sampled(*channel, at(3)).voltage.value, 4200_mV);
    EXPECT_EQ(sampled(*channel, at(3)).current.value, 0_mA);
    EXPECT_EQ(sampled(*channel, at(3)).mode, StageMode::at_ceiling);
    EXPECT_EQ(sampled(*channel, at(3)).temperature.value, 25_degC);
}

TEST(SimulatedChannel, a_loaded_cell_is_charged) {
    const auto channel = channel_of();
    channel->load_cell({"F-0001", "NMC/graphite", 5000_mAh, CellState::pristine}, at(100));
    EXPECT_EQ(sampled(*channel, at(100)).voltage.value, 240_mV);
    EXPECT_EQ(applied(*channel, half_an_ampere, at(101)), half_an_ampere);
    EXPECT_GT(sampled(*channel, at(701)).voltage.value, 3000_mV);
    EXPECT_EQ(applied(*channel, Open{}, at(701)), Demand(Open{}));
    EXPECT_EQ(sampled(*channel, at(702)).current.value, 0_mA);
    channel->load_cell({"F-0002", "NMC/graphite", 2000_mAh, CellState::formed}, at(800));
    EXPECT_NEAR(volts(sampled(*channel, at(800)).voltage.value), 3.64, 0.001);
    channel->load_cell({"F-0003", "NMC/graphite", 2000_mAh, CellState::tapped}, at(900));
    EXPECT_NEAR(volts(sampled(*channel, at(900)).voltage.value), 2.0, 0.001);
}

TEST(SimulatedChannel, a_silent_stage_answers_with_absent_quantities_and_takes_nothing) {
    SimulatedChannelOptions options;
    options.stage.faults = {{.kind = StageFaultKind::silent, .from = 10_s, .to = 20_s}};
    const auto channel = channel_of(options);
    channel->load_cell({"F-0001", "NMC/graphite", 5000_mAh, CellState::formed}, at(1000));
    EXPECT_TRUE(sampled(*channel, at(1009)).voltage.good());
    EXPECT_EQ(sampled(*channel, at(1010)), Sample{});
    const auto lost = applied(*channel, half_an_ampere, at(1011));
    ASSERT_FALSE(lost.has_value());
    EXPECT_EQ(lost.error(), FaultKind::lost);
    EXPECT_TRUE(sampled(*channel, at(1020)).voltage.good());
    EXPECT_EQ(sampled(*channel, at(1020)).current.value, 0_mA);
}

TEST(SimulatedChannel, cells_differ_and_each_is_always_the_same) {
    SimulatedChannelOptions options;
    options.capacity_spread = 0.02;
    options.resistance_spread = 0.05;
    options.stage.voltage_noise = 1e-4;
    const auto voltage_of = [&](const char* id, std::uint64_t seed) {
        options.stage.seed = seed;
        const auto channel = channel_of(options);
        channel->load_cell({id, "NMC/graphite", 5000_mAh, CellState::formed}, at(0));
        (void)applied(*channel, DriveCurrent{2000_mA, 4200_mV, 0_mV}, at(1));
        return sampled(*channel, at(3600)).voltage.value;
    };
    EXPECT_EQ(voltage_of("F-0001", 1), voltage_of("F-0001", 1));
    EXPECT_NE(voltage_of("F-0001", 1), voltage_of("F-0002", 1));
    EXPECT_NE(voltage_of("F-0001", 1), voltage_of("F-0001", 2));
}

TEST(SimulatedChannel, a_fault_can_be_one_cell_s_alone) {
    SimulatedChannelOptions options;
    options.faulty_cell = "F-0002";
    options.cell.reversed = true;
    options.stage.faults = {{.kind = StageFaultKind::silent, .from = 10_s}};
    const auto channel = channel_of(options);
    channel->load_cell({"F-0001", "NMC/graphite", 5000_mAh, CellState::formed}, at(0));
    EXPECT_GT(sampled(*channel, at(11)).voltage.value, 3000_mV);
    channel->load_cell({"F-0002", "NMC/graphite", 5000_mAh, CellState::formed}, at(20));
    EXPECT_LT(sampled(*channel, at(21)).voltage.value, -(3000_mV));
    EXPECT_EQ(sampled(*channel, at(31)), Sample{});
}

TEST(SimulatedChannel, a_weak_cell_holds_less_than_is_written_on_it) {
    SimulatedChannelOptions options;
    options.capacity_ratio = 0.6;
    const auto weak = channel_of(options);
    const auto good = channel_of();
    for (const auto* channel : {&weak, &good}) {
        (*channel)->load_cell({"F-0001", "NMC/graphite", 5000_mAh, CellState::formed}, at(0));
        (void)applied(**channel, half_an_ampere, at(0));
    }
    EXPECT_GT(sampled(*weak, at(10800)).voltage.value, sampled(*good, at(10800)).voltage.value + 50_mV);
}

TEST(SimulatedChannel, a_capacity_no_cell_has_leaves_the_fixture_empty) {
    const auto channel = channel_of();
    channel->load_cell({"F-0001", "NMC/graphite", 5000_mAh, CellState::formed}, at(0));
    channel->load_cell({"F-0002", "NMC/graphite", Charge{0}, CellState::formed}, at(10));
    EXPECT_EQ(sampled(*channel, at(11)).voltage.value, 0_mV);
}

TEST(SimulatedChannel, options_that_make_no_sense_are_refused) {
    const auto refused = [](auto spoil) {
        SimulatedChannelOptions options;
        spoil(options);
        const auto made = make_simulated_channel(options);
        return made ? std::string{} : made.error().message;
    };
    using O = SimulatedChannelOptions;
    EXPECT_EQ(refused([](O&) {}), "");
    EXPECT_NE(refused([](O& o) { o.capacity_spread = 0.9; }).find("25 %"), std::string::npos);
    EXPECT_NE(refused([](O& o) { o.capacity_ratio = 0.0; }).find("200 %"), std::string::npos);
    EXPECT_NE(refused([](O& o) { o.cell.series_resistance = 0.0; }).find("series resistance"), std::string::npos);
    EXPECT_NE(refused([](O& o) { o.stage.current_noise = -1.0; }).find("noise"), std::string::npos);
}

}  // namespace
}  // namespace slowfilm::sim
