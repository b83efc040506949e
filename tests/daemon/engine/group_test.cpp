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

Reading<Voltage> at(int second, Voltage voltage) {
    return {Time{second * 1'000'000}, voltage, Quality::good};
}

// What another channel shows before, while and after the test current flows, a second apart, on top of `a_second` for
// each second.
bool crossed(Voltage during, Voltage after, Neighbour how = Neighbour::open, Voltage a_second = {}) {
    GroupTests group{2};
    const auto reads = [&](int second, Voltage more) { return at(second, 3600_mV + a_second * second + more); };
    for (int second = 1; second <= 20; ++second) {
        EXPECT_FALSE(group.sample(1, reads(second, {}), how, TestPhase::none, threshold));
    }
    group.request(0);
    EXPECT_EQ(group.grant(), 0U);
    EXPECT_FALSE(group.sample(1, reads(21, {}), how, TestPhase::before, threshold));
    EXPECT_FALSE(group.sample(1, reads(22, during), how, TestPhase::driven, threshold));
    return group.sample(1, reads(23, after), how, TestPhase::after, threshold);
}

TEST(Group, a_voltage_that_moves_with_the_test_and_comes_back_is_crossed) {
    EXPECT_TRUE(crossed(2_mV, 0_mV));
    EXPECT_TRUE(crossed(-(2_mV), 100_uV));
}

TEST(Group, noise_drift_and_a_channel_under_its_own_current_are_not) {
    EXPECT_FALSE(crossed(100_uV, 0_mV)) << "a tenth of a millivolt";
    EXPECT_FALSE(crossed(2_mV, 4_mV)) << "it drifts, and goes on";
    EXPECT_FALSE(crossed(2_mV, 2_mV)) << "it moved for a reason of its own, and stays";
    EXPECT_FALSE(crossed(2_mV, 0_mV, Neighbour::itself)) << "its own current changes, or its stage regulates it";
}

TEST(Group, a_neighbour_under_a_current_of_its_own_is_told_by_its_step_against_its_slope) {
    for (const Voltage a_second : {1_mV, -(3_mV), 0_mV}) {
        EXPECT_TRUE(crossed(2_mV, 0_mV, Neighbour::driven, a_second)) << a_second.count;
        EXPECT_TRUE(crossed(-(2_mV), 0_mV, Neighbour::driven, a_second)) << a_second.count;
        EXPECT_FALSE(crossed(0_mV, 0_mV, Neighbour::driven, a_second)) << "it only goes on";
        EXPECT_FALSE(crossed(2_mV, 2_mV, Neighbour::driven, a_second)) << "it stays where it went";
    }
}

TEST(Group, a_neighbour_whose_slope_is_not_known_accuses_nobody) {
    GroupTests group{2};
    group.request(0);
    ASSERT_EQ(group.grant(), 0U);
    EXPECT_FALSE(group.sample(1, at(1, 3600_mV), Neighbour::driven, TestPhase::before, threshold));
    EXPECT_FALSE(group.sample(1, at(2, 3602_mV), Neighbour::driven, TestPhase::driven, threshold));
    EXPECT_FALSE(group.sample(1, at(3, 3600_mV), Neighbour::driven, TestPhase::after, threshold));
}

TEST(Group, an_empty_fixture_tells_where_it_stood_still_and_not_where_its_leads_wander) {
    EXPECT_TRUE(crossed(2_mV, 0_mV, Neighbour::empty));
    EXPECT_FALSE(crossed(2_mV, 0_mV, Neighbour::empty, 1_mV)) << "an open lead picks up whatever there is";
}

TEST(Group, is_told_once_a_test_and_again_in_the_next) {
    GroupTests group{2};
    for (int i = 0; i < 2; ++i) {
        group.request(0);
        ASSERT_EQ(group.grant(), 0U);
        EXPECT_FALSE(group.sample(1, at(1, 3600_mV), Neighbour::open, TestPhase::before, threshold));
        EXPECT_FALSE(group.sample(1, at(2, 3602_mV), Neighbour::open, TestPhase::driven, threshold));
        EXPECT_TRUE(group.sample(1, at(3, 3600_mV), Neighbour::open, TestPhase::after, threshold));
        EXPECT_FALSE(group.sample(1, at(4, 3600_mV), Neighbour::open, TestPhase::after, threshold));
        group.over(0);
    }
}

TEST(Group, a_channel_first_read_under_the_test_current_accuses_nobody) {
    GroupTests group{2};
    group.request(0);
    ASSERT_EQ(group.grant(), 0U);
    EXPECT_FALSE(group.sample(1, at(5, 3602_mV), Neighbour::open, TestPhase::driven, threshold));
    EXPECT_FALSE(group.sample(1, at(6, 3600_mV), Neighbour::open, TestPhase::after, threshold));
}

TEST(Group, the_tested_channels_own_voltage_is_no_neighbours) {
    GroupTests group{1};
    group.request(0);
    ASSERT_EQ(group.grant(), 0U);
    EXPECT_FALSE(group.sample(0, at(7, 3600_mV), Neighbour::open, TestPhase::before, threshold));
    EXPECT_FALSE(group.sample(0, at(8, 3610_mV), Neighbour::open, TestPhase::driven, threshold));
    EXPECT_FALSE(group.sample(0, at(9, 3600_mV), Neighbour::open, TestPhase::after, threshold));
}

}  // namespace
}  // namespace slowfilm::engine::test
