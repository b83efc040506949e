#include "tests/daemon/engine/harness.hpp"

#include <gtest/gtest.h>

namespace slowfilm::engine {
namespace {

using namespace literals;
using namespace test;

Protocol ageing() {
    Protocol p = charging();
    Step rest = rest_step(4_h);
    rest.keep = protocol::Keep{.at = {1_h, 3_h}, .mean_of = 60_s};
    p.steps = {rest, rest_step(1_min)};
    return p;
}

// 1 mV an hour with a ripple that the mean takes out.
void go_through(Bench& bench, Duration span) {
    for (std::int64_t i = 0; i < span.count / 1'000'000; ++i) {
        const std::int64_t lost = (bench.now - bench.run.started).count / 3600;  // nV of 1 mV/h
        bench.voltage = 4000_mV - Voltage{lost} + Voltage{i % 2 == 0 ? 100'000 : -100'000};
        bench.step();
    }
}

TEST(Marks, the_mean_of_the_span_before_each_time_is_kept) {
    Bench bench{ageing(), formed()};
    bench.voltage = 4000_mV;
    bench.start();
    go_through(bench, Duration{(4_h).count + 60'000'000});
    ASSERT_EQ(bench.count(EventKind::mark), 2);
    ASSERT_EQ(bench.run.mark_count, 2);
    const Mark& first = bench.run.marks[0];
    EXPECT_EQ(first.at, 1_h);
    EXPECT_NEAR(first.readings, 60, 1);
    EXPECT_NEAR(volts(first.mean), 4.0 - 0.001 * (3570.0 / 3600.0), 5e-6);
    EXPECT_NEAR(volts(first.deviation), 1e-4, 2e-5);
    EXPECT_EQ(first.temperature, 25_degC);
    EXPECT_FALSE(first.of_run);
}

TEST(Marks, the_decay_between_two_marks_is_the_k_value) {
    Bench bench{ageing(), formed()};
    bench.voltage = 4000_mV;
    bench.start();
    go_through(bench, Duration{(4_h).count + 60'000'000});
    const FigureValue& k = bench.run.figures[static_cast<std::size_t>(FigureId::k_value)];
    ASSERT_TRUE(k.defined);
    EXPECT_NEAR(static_cast<double>(k.value), 24e6, 24e4) << "1 mV/h is 24 mV a day; in nV/d";
}

TEST(Marks, there_is_no_k_value_without_isolation_or_at_another_temperature) {
    ChannelTraits leaky = ideal_traits();
    leaky.has_contactor = false;
    leaky.off_state = OffState::high_impedance;
    Bench bench{ageing(), formed(), leaky};
    bench.voltage = 4000_mV;
    bench.start();
    go_through(bench, Duration{(4_h).count + 60'000'000});
    EXPECT_FALSE(bench.run.figures[static_cast<std::size_t>(FigureId::k_value)].defined);

    Bench warm{ageing(), formed()};
    warm.voltage = 4000_mV;
    warm.start();
    go_through(warm, 2_h);
    warm.temperature = 27_degC;
    go_through(warm, Duration{(2_h).count + 60'000'000});
    EXPECT_FALSE(warm.run.figures[static_cast<std::size_t>(FigureId::k_value)].defined);
}

TEST(Marks, those_of_the_run_count_from_its_start) {
    Protocol p = charging();
    p.keep.at = {30_min};
    p.steps = {rest_step(20_min), rest_step(20_min)};
    Bench bench{p, formed()};
    bench.voltage = 4000_mV;
    bench.start();
    go_through(bench, 41_min);
    ASSERT_EQ(bench.count(EventKind::mark), 1);
    EXPECT_TRUE(bench.run.last_mark.of_run);
    EXPECT_EQ(bench.run.last_mark.readings, 1U);
}

// IEC 61434: It is the rated capacity over one hour; 0.2 It of a 2.5 Ah cell is 0.5 A, 1 It 2.5 A.
TEST(Rates, are_multiples_of_it_as_iec_61434_writes_them) {
    EXPECT_EQ(current_of(Rate{1, 5}, 2500_mAh), 500_mA);
    EXPECT_EQ(current_of(Rate{1, 1}, 2500_mAh), 2500_mA);
}

}  // namespace
}  // namespace slowfilm::engine
