// A protocol on a channel: margins, and what the channel cannot do.
#include "tests/daemon/engine/harness.hpp"

#include <gtest/gtest.h>

namespace slowfilm::engine::test {
namespace {

Protocol one_charge() {
    Protocol p = base_protocol();
    p.steps = {charge_step(Rate{1, 10}, 4200_mV, 14_h)};
    return p;
}

std::string refusal(const Protocol& p, const ChannelTraits& traits, const BenchCaps& caps = wide_caps()) {
    const auto plan = make_plan(p, p.cell.capacity, traits, caps);
    return plan ? "" : plan.error().message;
}

TEST(Plan, the_ceiling_stands_twice_the_accuracy_and_one_resolution_above_the_end) {
    const auto plan = make_plan(one_charge(), 5000_mAh, ideal_traits(), wide_caps());
    ASSERT_TRUE(plan.has_value());
    const auto& drive = std::get<DriveCurrent>(plan->steps[0].demand);
    EXPECT_EQ(drive.ceiling, 4200_mV + 2_mV + 100_uV);
    EXPECT_EQ(drive.current, 500_mA);
}

TEST(Plan, an_unknown_accuracy_takes_five_millivolts) {
    ChannelTraits traits = ideal_traits();
    traits.voltage_accuracy = Voltage{};
    const auto plan = make_plan(one_charge(), 5000_mAh, traits, wide_caps());
    ASSERT_TRUE(plan.has_value());
    EXPECT_EQ(std::get<DriveCurrent>(plan->steps[0].demand).ceiling, 4205_mV);
}

TEST(Plan, a_floor_mirrors_the_ceiling) {
    Protocol p = base_protocol();
    p.steps = {discharge_step(Rate{1, 10}, 2700_mV, 14_h)};
    const auto plan = make_plan(p, 5000_mAh, ideal_traits(), wide_caps());
    ASSERT_TRUE(plan.has_value());
    const auto& drive = std::get<DriveCurrent>(plan->steps[0].demand);
    EXPECT_EQ(drive.current, -500_mA);
    EXPECT_EQ(drive.floor, 2700_mV - 2_mV - 100_uV);
}

TEST(Plan, an_instrument_too_coarse_for_the_margins_is_refused) {
    ChannelTraits traits = ideal_traits();
    traits.voltage_accuracy = 30_mV;
    EXPECT_NE(refusal(one_charge(), traits).find("ceiling"), std::string::npos);
}

TEST(Plan, a_supply_alone_cannot_discharge) {
    Protocol p = base_protocol();
    p.steps = {repeat_step(2, {discharge_step(Rate{1, 10}, 2700_mV, 14_h)})};
    ChannelTraits traits = ideal_traits();
    traits.sink_max = Current{};
    EXPECT_NE(refusal(p, traits).find("sink"), std::string::npos);
}

TEST(Plan, an_off_state_that_sinks_needs_a_contactor) {
    ChannelTraits traits = ideal_traits();
    traits.off_state = OffState::sinks;
    traits.has_contactor = false;
    EXPECT_NE(refusal(one_charge(), traits).find("contactor"), std::string::npos);
}

TEST(Plan, without_a_thermometer_there_are_no_temperature_limits_and_no_start) {
    ChannelTraits traits = ideal_traits();
    traits.temperature_of = TemperatureOf::none;
    EXPECT_NE(refusal(one_charge(), traits).find("thermometer"), std::string::npos);
}

TEST(Plan, a_shelfs_thermometer_switches_the_rise_guard_off_and_says_so) {
    ChannelTraits traits = ideal_traits();
    traits.temperature_of = TemperatureOf::shelf;
    const auto plan = make_plan(one_charge(), 5000_mAh, traits, wide_caps());
    ASSERT_TRUE(plan.has_value());
    EXPECT_EQ(plan->guards[static_cast<std::size_t>(GuardId::temperature_rise)].origin, Origin::off);
}

TEST(Plan, limits_outside_the_benchs_caps_are_refused) {
    for (const auto& narrow : {BenchCaps{4200_mV, 5000_mA, 70_degC}, BenchCaps{5000_mV, 1000_mA, 70_degC},
                               BenchCaps{5000_mV, 5000_mA, 45_degC}}) {
        EXPECT_NE(refusal(one_charge(), ideal_traits(), narrow).find("what the bench allows"), std::string::npos);
    }
}

TEST(Plan, a_charge_cap_may_not_be_passed_over) {
    Protocol p = one_charge();
    p.steps[0].at_most.amount = ChargeOrRatio{50_percent};
    p.steps[0].on_overrun = protocol::OnOverrun::next;
    EXPECT_NE(refusal(p, ideal_traits()).find("next"), std::string::npos);
}

TEST(Plan, all_that_a_channel_cannot_do_is_told_in_one_pass_each_at_its_step) {
    Protocol p = base_protocol();
    Step hold = hold_step(4200_mV, Rate{1, 5}, 100_mA, 6_h);
    p.steps = {charge_step(Rate{1, 5}, 4200_mV, 14_h),
               repeat_step(2, {hold, discharge_step(Rate{1, 5}, 2700_mV, 14_h)})};
    p.steps[0].place = {10, 1};
    p.steps[1].steps[0].place = {20, 3};
    p.steps[1].steps[1].place = {30, 3};
    ChannelTraits traits = ideal_traits();
    traits.temperature_of = TemperatureOf::none;
    traits.source_max = 900_mA;
    traits.sink_max = Current{};
    const auto plan = try_plan(p, p.cell.capacity, traits, wide_caps());
    ASSERT_FALSE(plan.has_value());
    std::vector<std::string> said;
    for (const Error& refusal : plan.error()) {
        said.push_back(std::to_string(refusal.place.line) + " " + refusal.message);
    }
    ASSERT_EQ(said.size(), 5U);
    EXPECT_NE(said[0].find("sink"), std::string::npos) << said[0];
    EXPECT_NE(said[1].find("thermometer"), std::string::npos) << said[1];
    EXPECT_EQ(said[2].rfind("10 ", 0), 0U) << said[2];
    EXPECT_EQ(said[3].rfind("20 ", 0), 0U) << said[3];
    EXPECT_NE(said[3].find("than this channel gives, 900 mA"), std::string::npos) << said[3];
    EXPECT_EQ(said[4].rfind("30 ", 0), 0U) << said[4];
    EXPECT_NE(said[4].find("than this channel takes, 0 A"), std::string::npos) << said[4];
    EXPECT_NE(refusal(p, traits).find("and 4 more"), std::string::npos) << refusal(p, traits);
}

TEST(Plan, rates_are_of_the_capacity_given_at_the_start) {
    // IEC 61434: 0,1 It A of a 2.5 Ah cell is 0.25 A.
    const auto plan = make_plan(one_charge(), 2500_mAh, ideal_traits(), wide_caps());
    ASSERT_TRUE(plan.has_value());
    EXPECT_EQ(std::get<DriveCurrent>(plan->steps[0].demand).current, 250_mA);
}

TEST(Plan, nested_steps_lie_flat_in_the_order_of_the_file) {
    Protocol p = base_protocol();
    p.steps = {rest_step(1_s), repeat_step(2, {rest_step(2_s), repeat_step(3, {rest_step(3_s)})}), rest_step(4_s)};
    const auto plan = make_plan(p, 5000_mAh, ideal_traits(), wide_caps());
    ASSERT_TRUE(plan.has_value());
    ASSERT_EQ(plan->steps.size(), 6U);
    EXPECT_EQ(plan->steps[1].first_child, 2);
    EXPECT_EQ(plan->steps[2].next, 3);
    EXPECT_EQ(plan->steps[3].first_child, 4);
    EXPECT_EQ(plan->steps[4].depth, 2);
    EXPECT_EQ(plan->steps[1].next, 5);
    EXPECT_EQ(plan->steps[3].next, -1);
}

}  // namespace
}  // namespace slowfilm::engine::test
