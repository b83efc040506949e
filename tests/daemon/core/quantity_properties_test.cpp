// parse(print(q)) == q over the whole range of every dimension, under any locale.
#include "daemon/core/quantity.hpp"
#include "daemon/core/text.hpp"
#include "daemon/core/unit_table.hpp"

#include <clocale>
#include <locale>
#include <random>

#include <gtest/gtest.h>
#include <rapidcheck.h>

namespace slowfilm {
namespace {

// Small, round and large values alike: a uniform draw over the range would never show "2 mV".
rc::Gen<std::int64_t> counts_of(Dimension dimension) {
    const DimensionWords& words = words_of(dimension);
    const std::int64_t most = words.most;
    const std::int64_t least = words.may_be_negative ? -most : 0;
    const auto any = rc::gen::inRange<std::int64_t>(least, most);
    const auto small = rc::gen::inRange<std::int64_t>(words.may_be_negative ? -1'000 : 0, 1'000);
    const auto round =
        rc::gen::map(rc::gen::pair(small, rc::gen::element<std::int64_t>(1, 10, 1'000, 60'000, 1'000'000)),
                     [](const auto& pair) { return pair.first * pair.second; });
    return rc::gen::suchThat(rc::gen::oneOf(any, small, round),
                             [=](std::int64_t count) { return count >= least && count <= most; });
}

template <Dimension D>
void round_trips() {
    EXPECT_TRUE(rc::check("what is printed reads back as the same value", [] {
        std::int64_t count = *counts_of(D);
        if (D == Dimension::temperature) {
            count = std::max<std::int64_t>(count + 273'150, 1);
        }
        const Quantity<D> quantity{count};
        const std::string text = print(quantity);
        const auto parsed = parse_quantity<D>(text);
        RC_LOG() << text << '\n';
        RC_ASSERT(parsed.has_value());
        RC_ASSERT(*parsed == quantity);
    }));
}

TEST(QuantityRoundTrip, times) {
    round_trips<Dimension::time>();
}
TEST(QuantityRoundTrip, voltages) {
    round_trips<Dimension::voltage>();
}
TEST(QuantityRoundTrip, currents) {
    round_trips<Dimension::current>();
}
TEST(QuantityRoundTrip, charges) {
    round_trips<Dimension::charge>();
}
TEST(QuantityRoundTrip, temperatures) {
    round_trips<Dimension::temperature>();
}
TEST(QuantityRoundTrip, temperature_differences) {
    round_trips<Dimension::temperature_difference>();
}
TEST(QuantityRoundTrip, temperature_slopes) {
    round_trips<Dimension::temperature_slope>();
}
TEST(QuantityRoundTrip, voltage_slopes) {
    round_trips<Dimension::voltage_slope>();
}
TEST(QuantityRoundTrip, resistances) {
    round_trips<Dimension::resistance>();
}
TEST(QuantityRoundTrip, ratios) {
    round_trips<Dimension::ratio>();
}

TEST(QuantityRoundTrip, the_ends_of_each_range_are_inside_it) {
    EXPECT_EQ(print(*parse_quantity<Dimension::time>("3650 d")), "3650 d");
    EXPECT_EQ(print(*parse_quantity<Dimension::voltage>("-1000000 V")), "-1000000 V");
    EXPECT_EQ(print(*parse_quantity<Dimension::charge>("1000 Ah")), "1000 Ah");
    EXPECT_EQ(print(*parse_quantity<Dimension::temperature_slope>("10000 K/s")), "600000 K/min");
    EXPECT_EQ(print(*parse_quantity<Dimension::voltage_slope>("-1000 V/h")), "-1000000 mV/h");
    EXPECT_EQ(print(*parse_quantity<Dimension::ratio>("1000000 %")), "1000000 %");
}

TEST(QuantityRoundTrip, rates_in_both_forms) {
    EXPECT_TRUE(rc::check("a rate that was read reads back as the same rate", [] {
        const auto micros = *rc::gen::oneOf(
            rc::gen::inRange<std::int64_t>(1'000, 1'000'000'000),
            rc::gen::map(rc::gen::inRange<std::int64_t>(1, 1'000), [](std::int64_t n) { return n * 100'000; }));
        const bool divides = *rc::gen::arbitrary<bool>();
        const std::string number = print_fixed(static_cast<double>(micros) / 1e6, 6);
        const auto rate = parse_rate(divides ? "C/" + number : number + "C");
        RC_ASSERT(rate.has_value());
        const auto again = parse_rate(print(*rate));
        RC_LOG() << number << ' ' << print(*rate) << '\n';
        RC_ASSERT(again.has_value());
        RC_ASSERT(*again == *rate);
    }));
}

TEST(QuantityRoundTrip, no_text_at_all_crashes_the_parser) {
    EXPECT_TRUE(rc::check("any bytes are refused in a phrase of bounded length or read", [] {
        const auto bytes = *rc::gen::container<std::string>(rc::gen::oneOf(
            rc::gen::arbitrary<char>(), rc::gen::elementOf(std::string{"0123456789.-+eE,_ CVAhmuK/%degin"})));
        const auto refused_well = [&](const auto& result) {
            return result || (!result.error().empty() && result.error().size() < 300);
        };
        RC_ASSERT(refused_well(parse_quantity<Dimension::voltage>(bytes)));
        RC_ASSERT(refused_well(parse_quantity<Dimension::charge>(bytes)));
        RC_ASSERT(refused_well(parse_current_or_rate(bytes)));
        RC_ASSERT(refused_well(parse_charge_or_ratio(bytes)));
        RC_ASSERT(refused_well(parse_rate(bytes)));
    }));
}

// Restores what it found, so that the order of tests never matters.
class UnderLocale : public ::testing::TestWithParam<const char*> {
  protected:
    void SetUp() override {
        before_ = std::setlocale(LC_ALL, nullptr);
        const std::string name = GetParam();
        ASSERT_NE(std::setlocale(LC_ALL, name.c_str()), nullptr)
            << "the locale " << name << " is missing; tests/run.sh makes it";
        classic_ = std::locale::global(std::locale{name});
    }
    void TearDown() override {
        std::locale::global(classic_);
        std::setlocale(LC_ALL, before_.c_str());
    }

  private:
    std::string before_;
    std::locale classic_;
};

TEST_P(UnderLocale, numbers_are_read_and_written_with_a_point) {
    EXPECT_EQ(parse_quantity<Dimension::voltage>("4.25 V")->count, 4'250'000'000);
    EXPECT_FALSE(parse_quantity<Dimension::voltage>("4,25 V"));
    EXPECT_EQ(print(Voltage{4'250'000'000}), "4.25 V");
    EXPECT_EQ(print(Charge{1'234'567'000'000'000}), "1234.567 As");
    EXPECT_EQ(print(*parse_rate("C/2.5")), "0.4C");
    EXPECT_EQ(print_number(1234567.5), "1234567.5");
    EXPECT_EQ(print_fixed(1.5, 2), "1.50");
    EXPECT_EQ(print_utc(0), "1970-01-01T00:00:00.000Z");
    EXPECT_EQ(print_span(Duration{93'784'000'000}), "26 h 03 min 04 s");
}

// In Turkish the capital of "i" is not "I": a unit compared through the locale would miss "MIN".
TEST_P(UnderLocale, units_are_compared_without_the_locale) {
    EXPECT_EQ(parse_quantity<Dimension::time>("5 MIN").error(), "has the unit \"MIN\", which is written \"min\"");
    EXPECT_EQ(parse_rate("0.2 IT").error(), "is in multiples of It; write \"0.2C\"");
}

INSTANTIATE_TEST_SUITE_P(Comma, UnderLocale, ::testing::Values("de_DE.UTF-8", "tr_TR.UTF-8", "C"));

}  // namespace
}  // namespace slowfilm
