#include "daemon/channel/timing.hpp"

namespace slowfilm::channel {
namespace {

using namespace literals;
using ::testing::ElementsAre;

TEST(VirtualTiming, rings_in_the_order_of_times_each_at_its_own) {
    VirtualTiming timing;
    std::vector<std::int64_t> rung;
    Alarm late(timing);
    Alarm early(timing);
    Alarm from_within(timing);
    late.set(Time{30}, [&] { rung.push_back(timing.steady().count); });
    early.set(Time{10}, [&] {
        rung.push_back(timing.steady().count);
        from_within.set(Time{20}, [&] { rung.push_back(timing.steady().count); });
    });
    EXPECT_EQ(timing.next(), Time{10});
    timing.set(Time{40});
    EXPECT_THAT(rung, ElementsAre(10, 20, 30));
    EXPECT_EQ(timing.steady(), Time{40});
    EXPECT_FALSE(timing.next());
}

TEST(VirtualTiming, what_was_cancelled_set_anew_or_dropped_does_not_ring) {
    VirtualTiming timing;
    int rung = 0;
    Alarm alarm(timing);
    alarm.set(Time{10}, [&] { rung += 1; });
    alarm.set(Time{20}, [&] { rung += 10; });
    {
        Alarm gone(timing);
        gone.set(Time{10}, [&] { rung += 100; });
    }
    timing.set(Time{10});
    EXPECT_EQ(rung, 0);
    EXPECT_TRUE(alarm.waiting());
    timing.set(Time{20});
    EXPECT_EQ(rung, 10);
    EXPECT_FALSE(alarm.waiting());
    alarm.set(Time{30}, [&] { rung += 1'000; });
    alarm.cancel();
    timing.set(Time{50});
    EXPECT_EQ(rung, 10);
}

TEST(VirtualTiming, an_alarm_may_be_the_end_of_itself) {
    VirtualTiming timing;
    auto alarm = std::make_unique<Alarm>(timing);
    alarm->set(Time{1}, [&alarm] { alarm.reset(); });
    timing.set(Time{2});
    EXPECT_EQ(alarm, nullptr);
}

TEST(MachineTiming, rings_on_the_io_context_and_not_before_its_time) {
    boost::asio::io_context io;
    MachineTiming timing(io);
    Alarm alarm(timing);
    Alarm cancelled(timing);
    bool rung = false;
    const Time at = timing.steady() + 5_ms;
    alarm.set(at, [&] {
        rung = true;
        EXPECT_GE(timing.steady(), at);
    });
    // Far beyond what a timer's nanoseconds hold; and cancelled it keeps nobody waiting.
    cancelled.set(Time{INT64_MAX}, [] { FAIL(); });
    cancelled.cancel();
    EXPECT_FALSE(rung);
    io.run();
    EXPECT_TRUE(rung);
}

}  // namespace
}  // namespace slowfilm::channel
