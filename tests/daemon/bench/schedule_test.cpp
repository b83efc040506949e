#include "daemon/bench/schedule.hpp"

#include <boost/asio/io_context.hpp>
#include <vector>

#include <gtest/gtest.h>

namespace slowfilm::bench {
namespace {

using namespace literals;

struct Line {
    std::size_t task;
    Time at;
    bool operator==(const Line&) const = default;
};

class Virtual : public testing::Test {
  protected:
    std::size_t add(Duration period, std::size_t turns) {
        const std::size_t number = lines_of.size();
        lines_of.push_back(turns);
        periods.push_back(period);
        return schedule.add(period, [this, number]() -> std::optional<Schedule::Next> {
            lines.push_back({number, clock.now()});
            return --lines_of[number] > 0 ? std::optional(Schedule::Next{periods[number]}) : std::nullopt;
        });
    }
    void run() {
        io.restart();
        io.run();
    }

    boost::asio::io_context io;
    VirtualClock clock{1'000'000'000};
    bool may_go_on{true};
    Schedule schedule{io, clock, 1e6, [this] { return may_go_on; }};
    std::vector<std::size_t> lines_of;
    std::vector<Duration> periods;
    std::vector<Line> lines;
};

TEST_F(Virtual, turns_come_at_whole_periods) {
    const std::size_t task = add(2_s, 3);
    schedule.wake(task);
    run();
    EXPECT_EQ(lines, (std::vector<Line>{{0, {2'000'000}}, {0, {4'000'000}}, {0, {6'000'000}}}));
    EXPECT_EQ(clock.utc(), 1'000'000'000 + 6'000'000) << "the label goes with it";
}

TEST_F(Virtual, phases_are_spread_over_the_period) {
    for (int i = 0; i < 4; ++i) {
        add(1_s, 1);
    }
    schedule.spread_phases();
    for (std::size_t i = 0; i < 4; ++i) {
        schedule.wake(i);
    }
    run();
    EXPECT_EQ(lines, (std::vector<Line>{{1, {250'000}}, {2, {500'000}}, {3, {750'000}}, {0, {1'000'000}}}));
}

TEST_F(Virtual, time_stands_still_while_held) {
    const std::size_t task = add(1_s, 1);
    schedule.wake(task);
    schedule.hold();
    schedule.hold();
    run();
    EXPECT_TRUE(lines.empty());
    schedule.release();
    run();
    EXPECT_TRUE(lines.empty()) << "one of the two still holds";
    schedule.release();
    run();
    EXPECT_EQ(lines.size(), 1U);
}

TEST_F(Virtual, time_stands_still_while_the_ledger_is_behind) {
    may_go_on = false;
    schedule.wake(add(1_s, 1));
    io.restart();
    for (int i = 0; i < 3; ++i) {
        io.run_one();
    }
    EXPECT_TRUE(lines.empty());
    may_go_on = true;
    run();
    EXPECT_EQ(lines.size(), 1U);
}

TEST_F(Virtual, a_hurried_turn_comes_sooner_and_only_once) {
    const std::size_t task = add(10_s, 1);
    schedule.wake(task);
    schedule.hurry(task, 50_ms);
    run();
    EXPECT_EQ(lines, (std::vector<Line>{{0, {50'000}}}));
}

TEST_F(Virtual, nothing_comes_after_stop) {
    schedule.wake(add(1_s, 5));
    schedule.stop();
    run();
    EXPECT_TRUE(lines.empty());
}

TEST(VirtualClock, goes_on_from_where_a_run_was_and_its_label_never_goes_back) {
    VirtualClock clock(5'000'000);
    clock.go_on_from(Time{70'000'000}, 9'000'000);
    EXPECT_EQ(clock.now(), Time{70'000'000});
    EXPECT_EQ(clock.utc(), 9'000'000);
    clock.go_on_from(Time{1}, 1);
    EXPECT_EQ(clock.now(), Time{70'000'000}) << "never backwards";
    EXPECT_EQ(clock.utc(), 9'000'000);
}

TEST(MachineClock, goes_on_from_where_a_run_was) {
    MachineClock clock;
    const Time far = clock.now() + 1000_h;
    clock.go_on_from(far, 0);
    EXPECT_GE(clock.now(), far);
    EXPECT_LT(clock.now(), far + 1_h);
}

TEST_F(Virtual, what_is_only_looked_after_has_its_turns_at_its_own_period_and_holds_nobody_up) {
    const std::size_t number = schedule.add(1_s, [this]() -> std::optional<Schedule::Next> {
        lines.push_back({7, clock.now()});
        return lines.size() < 3 ? std::optional(Schedule::Next{5_s, false}) : std::nullopt;
    });
    schedule.wake(number);
    run();
    ASSERT_EQ(lines.size(), 3U);
    EXPECT_EQ(lines[1].at - lines[0].at, 5_s - 1_s) << "the next whole five seconds";
    EXPECT_EQ(lines[2].at - lines[1].at, 5_s);
}

TEST_F(Virtual, one_that_is_woken_while_it_is_only_looked_after_comes_at_its_next_period) {
    std::size_t turns = 0;
    const std::size_t number = schedule.add(1_s, [&]() -> std::optional<Schedule::Next> {
        lines.push_back({7, clock.now()});
        return ++turns < 3 ? std::optional(Schedule::Next{3600_s, false}) : std::nullopt;
    });
    schedule.wake(number);
    io.run_for(std::chrono::milliseconds(1));
    while (lines.empty()) {
        io.run_one();
    }
    const Time woken = clock.now();
    schedule.wake(number);
    while (lines.size() < 2) {
        io.run_one();
    }
    EXPECT_LE(lines[1].at - woken, 1_s);
    schedule.stop();
}

TEST(MachineSchedule, turns_come_at_their_phase_and_do_not_pile_up) {
    boost::asio::io_context io;
    MachineClock clock;
    Schedule schedule(io, clock);
    int turns = 0;
    const Duration period = 10_ms;
    std::vector<Time> at;
    const std::size_t task = schedule.add(period, [&]() -> std::optional<Schedule::Next> {
        at.push_back(clock.steady());
        // A turn that takes three periods: those that were missed are not made up for.
        while (clock.steady() < at.back() + period * 3) {
        }
        return ++turns < 3 ? std::optional(Schedule::Next{period}) : std::nullopt;
    });
    schedule.wake(task);
    io.run();
    ASSERT_EQ(at.size(), 3U);
    EXPECT_GE(at[1] - at[0], period * 3);
    EXPECT_GE(at[2] - at[1], period * 3);
}

}  // namespace
}  // namespace slowfilm::bench
