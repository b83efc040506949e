// What events are called: each sentence says what was seen, and never more than is known.
#include "daemon/engine/describe.hpp"

#include "tests/daemon/engine/harness.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace slowfilm::engine::test {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

Event of(EventKind kind, GuardId guard, std::int64_t value, std::int64_t limit) {
    Event event;
    event.kind = kind;
    event.code = static_cast<std::uint8_t>(guard);
    event.value = value;
    event.limit = limit;
    return event;
}

TEST(Describe, an_idle_alarm_says_of_no_run_that_it_is_over) {
    const Bench bench{charging(), formed()};
    const std::string said =
        describe(of(EventKind::idle_alarm, GuardId::over_temperature, (55_degC).count, (50_degC).count), bench.plan);
    EXPECT_THAT(said, HasSubstr("over_temperature: 55 degC is above the limit 50 degC"));
    EXPECT_THAT(said, Not(HasSubstr("over,"))) << "one that tripped by its wiring can be resumed";
}

TEST(Describe, stale_leaves_open_whether_none_came_or_only_bad_ones) {
    const Bench bench{charging(), formed()};
    EXPECT_THAT(describe(of(EventKind::tripped, GuardId::stale, (4_s).count, (3_s).count), bench.plan),
                HasSubstr("no good reading for 4 s, limit 3 s; none came, or all that came were bad"));
}

TEST(Describe, stuck_says_that_the_voltage_has_not_moved) {
    const Bench bench{charging(), formed()};
    EXPECT_THAT(
        describe(of(EventKind::tripped, GuardId::stuck, (102_mAh).count, (100_mAh).count), bench.plan),
        HasSubstr("the voltage reading has not moved by a digit over 102 mAh at constant current, limit 100 mAh"));
}

TEST(Describe, an_output_that_is_not_seen_open_says_why) {
    EXPECT_EQ(describe_not_open(Current{-2'000'000'000}, 1_mA),
              "-2 A at the last reading, and no more than 1 mA counts as none");
    EXPECT_THAT(describe_not_open(100_uA, 1_mA), HasSubstr("100 uA at the last reading counts as none, but"));
    const Bench bench{charging(), formed()};
    EXPECT_THAT(
        describe(of(EventKind::output_stuck, GuardId::over_voltage, 100'000, 1'000'000), bench.plan),
        HasSubstr("not seen open: 100 uA at the last reading counts as none, but it is from before the opening, "
                  "or the instrument says that its output is on"));
}

}  // namespace
}  // namespace slowfilm::engine::test
