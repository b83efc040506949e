// One channel of a group at a time sends its test current, and the others tell on crossed leads.
#include "daemon/engine/group.hpp"

#include "tests/property.hpp"

#include <set>

#include <gtest/gtest.h>

namespace slowfilm::engine::test {
namespace {

using namespace literals;

constexpr Voltage threshold = 500_uV;

TEST(Group, grants_one_at_a_time_in_the_order_of_asking) {
    GroupTests group{4};
    EXPECT_FALSE(group.grant());
    group.request(2);
    group.request(0);
    group.request(2);
    EXPECT_EQ(group.grant(), 2U);
    EXPECT_FALSE(group.grant()) << "one at a time";
    group.over(2);
    EXPECT_EQ(group.grant(), 0U);
    group.over(0);
    EXPECT_FALSE(group.grant()) << "asking twice is asking once";
}

TEST(Group, a_request_withdrawn_is_never_granted) {
    GroupTests group{2};
    group.request(0);
    group.request(1);
    group.over(0);
    EXPECT_EQ(group.grant(), 1U);
}

TEST(Group, never_grants_two_whatever_comes) {
    slowfilm::test::holds([](const std::vector<std::pair<std::uint8_t, bool>>& calls) {
        GroupTests group{8};
        std::set<std::size_t> granted;
        for (const auto& [channel, asks] : calls) {
            const std::size_t which = channel % 8;
            if (asks) {
                group.request(which);
            } else {
                group.over(which);
                granted.erase(which);
            }
            if (const auto next = group.grant()) {
                granted.insert(*next);
            }
            RC_ASSERT(granted.size() <= 1U);
        }
    });
}

// What another channel shows before, while and after the test current flows.
bool crossed(Voltage during, Voltage after, bool open = true, Voltage before = 3600_mV) {
    GroupTests group{2};
    EXPECT_FALSE(group.sample(1, before, open, TestPhase::none, threshold));
    group.request(0);
    EXPECT_EQ(group.grant(), 0U);
    EXPECT_FALSE(group.sample(1, before, open, TestPhase::before, threshold));
    EXPECT_FALSE(group.sample(1, before + during, open, TestPhase::driven, threshold));
    return group.sample(1, before + after, open, TestPhase::after, threshold);
}

TEST(Group, a_voltage_that_moves_with_the_test_and_comes_back_is_crossed) {
    EXPECT_TRUE(crossed(2_mV, 0_mV));
    EXPECT_TRUE(crossed(-(2_mV), 100_uV));
}

TEST(Group, noise_drift_and_a_channel_under_its_own_current_are_not) {
    EXPECT_FALSE(crossed(100_uV, 0_mV)) << "a tenth of a millivolt";
    EXPECT_FALSE(crossed(2_mV, 4_mV)) << "it drifts, and goes on";
    EXPECT_FALSE(crossed(2_mV, 2_mV)) << "it moved for a reason of its own, and stays";
    EXPECT_FALSE(crossed(2_mV, 0_mV, false)) << "it has a current of its own";
}

TEST(Group, is_told_once_a_test_and_again_in_the_next) {
    GroupTests group{2};
    for (int i = 0; i < 2; ++i) {
        group.request(0);
        ASSERT_EQ(group.grant(), 0U);
        EXPECT_FALSE(group.sample(1, 3600_mV, true, TestPhase::before, threshold));
        EXPECT_FALSE(group.sample(1, 3602_mV, true, TestPhase::driven, threshold));
        EXPECT_TRUE(group.sample(1, 3600_mV, true, TestPhase::after, threshold));
        EXPECT_FALSE(group.sample(1, 3600_mV, true, TestPhase::after, threshold));
        group.over(0);
    }
}

TEST(Group, a_channel_first_read_under_the_test_current_accuses_nobody) {
    GroupTests group{2};
    group.request(0);
    ASSERT_EQ(group.grant(), 0U);
    EXPECT_FALSE(group.sample(1, 3602_mV, true, TestPhase::driven, threshold));
    EXPECT_FALSE(group.sample(1, 3600_mV, true, TestPhase::after, threshold));
}

TEST(Group, the_tested_channels_own_voltage_is_no_neighbours) {
    GroupTests group{1};
    group.request(0);
    ASSERT_EQ(group.grant(), 0U);
    EXPECT_FALSE(group.sample(0, 3600_mV, true, TestPhase::before, threshold));
    EXPECT_FALSE(group.sample(0, 3610_mV, true, TestPhase::driven, threshold));
    EXPECT_FALSE(group.sample(0, 3600_mV, true, TestPhase::after, threshold));
}

}  // namespace
}  // namespace slowfilm::engine::test
