#include "sim/stage/chamber.hpp"

#include <gtest/gtest.h>

namespace slowfilm::sim {
namespace {

using namespace literals;

constexpr double two_kelvin_a_minute = 2.0 / 60.0;

TEST(Chamber, goes_to_what_is_set_at_its_own_pace_either_way_and_stays) {
    Chamber chamber(25.0, two_kelvin_a_minute, 5.0, 60.0);
    EXPECT_DOUBLE_EQ(chamber.at(Time{} + 1_h), 25.0);
    chamber.set(45.0, Time{} + 1_h);
    EXPECT_DOUBLE_EQ(chamber.at(Time{} + 1_h + 5_min), 35.0);
    EXPECT_DOUBLE_EQ(chamber.at(Time{} + 1_h + 10_min), 45.0);
    EXPECT_DOUBLE_EQ(chamber.at(Time{} + 9_h), 45.0);
    chamber.set(40.0, Time{} + 9_h);
    EXPECT_DOUBLE_EQ(chamber.at(Time{} + 9_h + 1_min), 43.0);
    EXPECT_DOUBLE_EQ(chamber.at(Time{} + 10_h), 40.0);
}

TEST(Chamber, set_anew_on_its_way_it_goes_on_from_where_it_is) {
    Chamber chamber(25.0, two_kelvin_a_minute, 5.0, 60.0);
    chamber.set(45.0, Time{});
    chamber.set(25.0, Time{} + 5_min);
    EXPECT_DOUBLE_EQ(chamber.at(Time{} + 7_min), 31.0);
}

TEST(Chamber, does_not_leave_its_range) {
    Chamber chamber(25.0, two_kelvin_a_minute, 5.0, 60.0);
    chamber.set(90.0, Time{});
    EXPECT_DOUBLE_EQ(chamber.at(Time{} + 9_h), 60.0);
    chamber.set(-20.0, Time{} + 9_h);
    EXPECT_DOUBLE_EQ(chamber.at(Time{} + 20_h), 5.0);
}

}  // namespace
}  // namespace slowfilm::sim
