#include "daemon/core/quantity.hpp"

#include "daemon/core/unit.hpp"

#include <gtest/gtest.h>

namespace slowfilm {
namespace {

using namespace slowfilm::literals;

template <Dimension D>
std::int64_t count_of(std::string_view text) {
    const auto parsed = parse_quantity<D>(text);
    EXPECT_TRUE(parsed) << text << ": " << (parsed ? "" : parsed.error());
    return parsed ? parsed->count : -999;
}

struct Row {
    std::string_view text;
    std::int64_t count;
    std::string_view printed;
};

template <Dimension D>
void expect_rows(std::initializer_list<Row> rows) {
    for (const Row& row : rows) {
        EXPECT_EQ(count_of<D>(row.text), row.count) << row.text;
        EXPECT_EQ(print(Quantity<D>{row.count}), row.printed) << row.text;
    }
}

// Expected counts are the SI prefixes and 60, 3600, 86400 s, by hand.
TEST(Quantity, times_are_whole_microseconds) {
    expect_rows<Dimension::time>({{"90 s", 90'000'000, "90 s"},
                                  {"10 min", 600'000'000, "10 min"},
                                  {"36 h", 129'600'000'000, "36 h"},
                                  {"14 d", 1'209'600'000'000, "14 d"},
                                  {"500 ms", 500'000, "500 ms"},
                                  {"0.5 h", 1'800'000'000, "30 min"},
                                  {"1.5 s", 1'500'000, "1500 ms"},
                                  {"24 h", 86'400'000'000, "1 d"},
                                  {"7 us", 7, "7 us"},
                                  {"0 s", 0, "0 s"},
                                  {"3650 d", 315'360'000'000'000, "3650 d"}});
}

TEST(Quantity, voltages_are_whole_nanovolts) {
    expect_rows<Dimension::voltage>({{"4.20 V", 4'200'000'000, "4.2 V"},
                                     {"4200 mV", 4'200'000'000, "4.2 V"},
                                     {"4.2e3 mV", 4'200'000'000, "4.2 V"},
                                     {"2 mV", 2'000'000, "2 mV"},
                                     {"0.24 V", 240'000'000, "240 mV"},
                                     {"-0.10 V", -100'000'000, "-100 mV"},
                                     {"999.999999 mV", 999'999'999, "999.999999 mV"},
                                     {"1 uV", 1'000, "1 uV"},
                                     {"-3 nV", -3, "-3 nV"},
                                     {"-0 V", 0, "0 V"},
                                     {"0.0 mV", 0, "0 V"}});
}

TEST(Quantity, currents_are_whole_nanoamperes) {
    expect_rows<Dimension::current>({{"1.2 A", 1'200'000'000, "1.2 A"},
                                     {"350 mA", 350'000'000, "350 mA"},
                                     {"0.35 A", 350'000'000, "350 mA"},
                                     {"50 uA", 50'000, "50 uA"},
                                     {"1500 nA", 1'500, "1.5 uA"},
                                     {"0 A", 0, "0 A"}});
}

TEST(Quantity, charges_are_whole_picocoulombs) {
    expect_rows<Dimension::charge>({{"0.5 Ah", 1'800'000'000'000'000, "500 mAh"},
                                    {"120 mAh", 432'000'000'000'000, "120 mAh"},
                                    {"2.5 Ah", 9'000'000'000'000'000, "2.5 Ah"},
                                    {"1 uAh", 3'600'000'000, "1 uAh"},
                                    {"1 As", 1'000'000'000'000, "1 As"},
                                    {"3600 As", 3'600'000'000'000'000, "1 Ah"},
                                    {"20 mAs", 20'000'000'000, "20 mAs"},
                                    {"0.000001 uAs", 1, "0.000001 uAs"},
                                    {"0 mAh", 0, "0 Ah"}});
}

TEST(Quantity, temperatures_are_whole_millikelvin) {
    expect_rows<Dimension::temperature>({{"45 degC", 318'150, "45 degC"},
                                         {"0 degC", 273'150, "0 degC"},
                                         {"-10 degC", 263'150, "-10 degC"},
                                         {"-273.149 degC", 1, "-273.149 degC"},
                                         {"22.5 degC", 295'650, "22.5 degC"}});
    expect_rows<Dimension::temperature_difference>(
        {{"2 K", 2'000, "2 K"}, {"-0.5 K", -500, "-0.5 K"}, {"0 K", 0, "0 K"}});
}

TEST(Quantity, slopes_are_whole_and_print_in_the_unit_where_they_end) {
    expect_rows<Dimension::temperature_slope>({{"2 K/min", 120'000, "2 K/min"},
                                               {"1 K/s", 3'600'000, "60 K/min"},
                                               {"5 K/h", 5'000, "5 K/h"},
                                               {"6 K/h", 6'000, "0.1 K/min"},
                                               {"-3 K/h", -3'000, "-0.05 K/min"}});
    expect_rows<Dimension::voltage_slope>({{"0.5 mV/h", 12'000'000, "0.5 mV/h"},
                                           {"2 mV/d", 2'000'000, "2 mV/d"},
                                           {"3 mV/d", 3'000'000, "0.125 mV/h"},
                                           {"1 V/h", 24'000'000'000, "1000 mV/h"},
                                           {"50 uV/h", 1'200'000, "0.05 mV/h"},
                                           {"100 uV/d", 100'000, "0.1 mV/d"}});
}

TEST(Quantity, resistances_and_ratios_are_whole) {
    expect_rows<Dimension::resistance>(
        {{"2.1 mohm", 2'100'000, "2.1 mohm"}, {"40 ohm", 40'000'000'000, "40 ohm"}, {"300 uohm", 300'000, "300 uohm"}});
    expect_rows<Dimension::ratio>({{"35 %", 350'000, "35 %"},
                                   {"10%", 100'000, "10 %"},
                                   {"0.05 %", 500, "0.05 %"},
                                   {"120 %", 1'200'000, "120 %"}});
}

TEST(Quantity, a_space_before_the_unit_is_free) {
    EXPECT_EQ(count_of<Dimension::voltage>("4.2V"), count_of<Dimension::voltage>("4.2 V"));
    EXPECT_EQ(count_of<Dimension::time>("10min"), count_of<Dimension::time>("10 min"));
}

TEST(Quantity, exponents_and_many_digits_are_exact) {
    EXPECT_EQ(count_of<Dimension::voltage>("1e-9 V"), 1);
    EXPECT_EQ(count_of<Dimension::voltage>("0.0000000010 V"), 1);
    EXPECT_EQ(count_of<Dimension::voltage>("1000000000000000e-15 V"), 1'000'000'000);
    EXPECT_EQ(count_of<Dimension::voltage>("4.199999999 V"), 4'199'999'999);
    EXPECT_EQ(count_of<Dimension::charge>("999.9999999999999975 Ah"), 3'599'999'999'999'999'991);
    EXPECT_EQ(count_of<Dimension::current>("0e9999999 A"), 0);
}

TEST(Quantity, rates_are_fractions_in_lowest_terms) {
    struct RateRow {
        std::string_view text;
        Rate rate;
        std::string_view printed;
    };
    for (const RateRow& row : std::initializer_list<RateRow>{{"C/20", {1, 20}, "C/20"},
                                                             {"0.1C", {1, 10}, "C/10"},
                                                             {"0.1 C", {1, 10}, "C/10"},
                                                             {"C/2.5", {2, 5}, "0.4C"},
                                                             {"0.3C", {3, 10}, "0.3C"},
                                                             {"1C", {1, 1}, "1C"},
                                                             {"2.5C", {5, 2}, "2.5C"},
                                                             {"C/3", {1, 3}, "C/3"},
                                                             {"C/3.5", {2, 7}, "C/3.5"},
                                                             {"C/20.48", {25, 512}, "C/20.48"},
                                                             {"0.000001C", {1, 1'000'000}, "C/1000000"},
                                                             {"C/0.001", {1'000, 1}, "1000C"}}) {
        const auto parsed = parse_rate(row.text);
        ASSERT_TRUE(parsed) << row.text << ": " << parsed.error();
        EXPECT_EQ(*parsed, row.rate) << row.text;
        EXPECT_EQ(print(*parsed), row.printed) << row.text;
    }
}

TEST(Quantity, a_rate_no_text_gives_prints_as_its_fraction) {
    EXPECT_EQ(print(Rate{3, 7}), "3C/7");
}

// IEC 61434: It = C / 1 h, so 0.2 It of a cell rated 2.5 Ah is 0.5 A. (The relation is the standard's; from memory.)
TEST(Quantity, a_rate_means_a_current_of_the_rated_capacity) {
    EXPECT_EQ(current_of(*parse_rate("0.2C"), 2500_mAh), 500_mA);
    EXPECT_EQ(current_of(*parse_rate("C/20"), 5000_mAh), 250_mA);
    EXPECT_EQ(current_of(*parse_rate("1C"), 1_mAh), 1_mA);
    EXPECT_EQ(current_of(*parse_rate("1000C"), Charge{3'600'000'000'000'000'000}).count, 1'000'000'000'000'000);
}

TEST(Quantity, a_rate_rounds_half_away_from_zero) {
    EXPECT_EQ(current_of(Rate{1, 2}, Charge{3'600'000}), Current{1});  // half a nanoampere
    EXPECT_EQ(current_of(Rate{1, 2}, Charge{-3'600'000}), Current{-1});
    EXPECT_EQ(current_of(Rate{1, 3}, Charge{3'600'000}), Current{0});
    EXPECT_EQ(current_of(Rate{2, 3}, Charge{3'600'000}), Current{1});
}

TEST(Quantity, where_a_rate_may_stand_both_forms_are_taken) {
    EXPECT_EQ(std::get<Rate>(*parse_current_or_rate("C/10")), (Rate{1, 10}));
    EXPECT_EQ(std::get<Current>(*parse_current_or_rate("250 mA")), 250_mA);
    EXPECT_EQ(current_of(CurrentOrRate{Rate{1, 20}}, 5000_mAh), 250_mA);
    EXPECT_EQ(current_of(CurrentOrRate{70_mA}, 5000_mAh), 70_mA);
    EXPECT_EQ(std::get<Ratio>(*parse_charge_or_ratio("35 %")), 35_percent);
    EXPECT_EQ(std::get<Charge>(*parse_charge_or_ratio("120 mAh")), 120_mAh);
    EXPECT_EQ(charge_of(ChargeOrRatio{35_percent}, 2000_mAh), 700_mAh);
    EXPECT_EQ(charge_of(ChargeOrRatio{120_mAh}, 2000_mAh), 120_mAh);
    EXPECT_EQ(print(CurrentOrRate{Rate{1, 20}}), "C/20");
    EXPECT_EQ(print(CurrentOrRate{250_mA}), "250 mA");
    EXPECT_EQ(print(ChargeOrRatio{35_percent}), "35 %");
    EXPECT_EQ(print(ChargeOrRatio{Charge{9}}), "0.0000000025 uAh");
}

TEST(Quantity, negative_values_print_though_some_are_never_written) {
    EXPECT_EQ(print(-350_mA), "-350 mA");
    EXPECT_EQ(print(-90_s), "-90 s");
    EXPECT_EQ(magnitude(-350_mA), 350_mA);
}

// Equal, not near: an answer that is one bit off prints as 0.35000000000000003.
TEST(Quantity, answers_are_in_the_unit_of_their_dimension) {
    EXPECT_EQ(unit_of(Dimension::charge).of((500_mAh).count), 0.5);
    EXPECT_EQ(unit_of(Dimension::temperature).of((45_degC).count), 45.0);
    EXPECT_EQ(unit_of(Dimension::voltage_slope).of(12'000'000), 0.5);
    EXPECT_EQ(unit_of(Dimension::temperature_slope).of(120'000), 2.0);
    EXPECT_EQ(unit_of(Dimension::ratio).of((35_percent).count), 0.35);
    EXPECT_EQ(ampere_hours(500_mAh), 0.5);
    EXPECT_EQ(celsius(45_degC), 45.0);
    EXPECT_EQ(volts(4200_mV), 4.2);
    EXPECT_EQ(amperes(350_mA), 0.35);
    EXPECT_EQ(seconds(90_s), 90.0);
}

}  // namespace
}  // namespace slowfilm
