// What is refused, and that the sentence says what would be right.
#include "daemon/core/quantity.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace slowfilm {
namespace {

using ::testing::HasSubstr;

template <Dimension D>
std::string fault_of(std::string_view text) {
    const auto parsed = parse_quantity<D>(text);
    EXPECT_FALSE(parsed) << '"' << text << "\" was taken as " << (parsed ? parsed->count : 0);
    return parsed ? "(taken)" : parsed.error();
}

constexpr auto voltage_fault = fault_of<Dimension::voltage>;
constexpr auto current_fault = fault_of<Dimension::current>;
constexpr auto time_fault = fault_of<Dimension::time>;
constexpr auto charge_fault = fault_of<Dimension::charge>;
constexpr auto temperature_fault = fault_of<Dimension::temperature>;

std::string rate_fault(std::string_view text) {
    const auto parsed = parse_rate(text);
    EXPECT_FALSE(parsed) << text;
    return parsed ? "(taken)" : parsed.error();
}

TEST(QuantityFaults, a_bare_number_is_refused) {
    EXPECT_EQ(voltage_fault("4.2"), "needs a unit, such as \"4.20 V\"");
    EXPECT_EQ(current_fault("350"), "needs a unit, such as \"350 mA\"");
    EXPECT_EQ(time_fault("1e3"), "needs a unit, such as \"90 s\"");
    EXPECT_EQ(fault_of<Dimension::ratio>("0.35"), "needs a unit, such as \"35 %\"");
}

TEST(QuantityFaults, a_value_of_another_dimension_is_named) {
    EXPECT_EQ(current_fault("4.2 V"), "is a voltage; a current is needed, such as \"350 mA\"");
    EXPECT_EQ(voltage_fault("350 mA"), "is a current; a voltage is needed, such as \"4.20 V\"");
    EXPECT_EQ(charge_fault("350 mA"), "is a current; a charge is needed, such as \"0.5 Ah\"");
    EXPECT_EQ(current_fault("350 mAh"), "is a charge; a current is needed, such as \"350 mA\"");
    EXPECT_EQ(temperature_fault("45 K"), "is a temperature difference; a temperature is needed, such as \"45 degC\"");
    EXPECT_EQ(fault_of<Dimension::temperature_difference>("2 degC"),
              "is a temperature; a temperature difference is needed, such as \"2 K\"");
    EXPECT_EQ(fault_of<Dimension::temperature_slope>("2 K"),
              "is a temperature difference; a temperature slope is needed, such as \"2 K/min\"");
    EXPECT_EQ(current_fault("C/20"), "is a rate; a current is needed, such as \"350 mA\"");
    EXPECT_EQ(current_fault("0.1C"), "is a rate; a current is needed, such as \"350 mA\"");
    EXPECT_EQ(time_fault("10 %"), "is a ratio; a time is needed, such as \"90 s\"");
    EXPECT_EQ(voltage_fault("2 mohm"), "is a resistance; a voltage is needed, such as \"4.20 V\"");
    EXPECT_EQ(rate_fault("250 mA"), "is a current; a rate is needed, such as \"C/20\"");
}

TEST(QuantityFaults, the_case_of_a_unit_matters) {
    EXPECT_EQ(voltage_fault("4.2 v"), "has the unit \"v\", which is written \"V\"");
    EXPECT_EQ(current_fault("350 ma"), "has the unit \"ma\", which is written \"mA\"");
    EXPECT_EQ(charge_fault("120 MAH"),
              "has \"MAH\", which is no unit of a charge; its units are Ah, mAh, uAh, As, mAs "
              "and uAs");  // a million, not a thousandth: never guessed
    EXPECT_THAT(voltage_fault("1 MV"), HasSubstr("its units are V, mV, uV and nV"));
    EXPECT_THAT(time_fault("5 MIN"), HasSubstr("written \"min\""));
    EXPECT_THAT(time_fault("5 Min"), HasSubstr("written \"min\""));
    EXPECT_THAT(temperature_fault("45 DEGC"), HasSubstr("written \"degC\""));
    EXPECT_THAT(fault_of<Dimension::temperature_difference>("2 k"), HasSubstr("written \"K\""));
}

TEST(QuantityFaults, common_long_spellings_are_answered_with_the_unit) {
    EXPECT_THAT(time_fault("36 hours"), HasSubstr("written \"h\""));
    EXPECT_THAT(time_fault("90 sec"), HasSubstr("written \"s\""));
    EXPECT_THAT(time_fault("5 m"), HasSubstr("written \"min\""));
    EXPECT_THAT(temperature_fault("45 C"), HasSubstr("written \"degC\""));
    EXPECT_THAT(charge_fault("120 mA h"), HasSubstr("written \"mAh\""));
    EXPECT_THAT(fault_of<Dimension::ratio>("10 percent"), HasSubstr("written \"%\""));
    EXPECT_THAT(voltage_fault("4 bananas"), HasSubstr("\"bananas\", which is no unit of a voltage"));
    EXPECT_THAT(voltage_fault("4.2 V x"), HasSubstr("no unit of a voltage"));
}

TEST(QuantityFaults, a_decimal_comma_is_refused_and_never_half_read) {
    EXPECT_THAT(voltage_fault("4,2 V"), HasSubstr("has a comma; a decimal point is written \".\""));
    EXPECT_THAT(voltage_fault("4.200,5 V"), HasSubstr("has a comma"));
    EXPECT_THAT(current_fault("1,200 mA"), HasSubstr("has a comma"));
}

TEST(QuantityFaults, typographic_characters_are_named) {
    EXPECT_THAT(current_fault("50 µA"), HasSubstr("write \"u\""));
    EXPECT_THAT(current_fault("50 μA"), HasSubstr("write \"u\""));
    EXPECT_THAT(temperature_fault("45 °C"), HasSubstr("write \"degC\""));
    EXPECT_THAT(fault_of<Dimension::resistance>("2 mΩ"), HasSubstr("write \"ohm\""));
    EXPECT_THAT(voltage_fault("\u22120.1 V"), HasSubstr("typographic minus"));
    EXPECT_THAT(voltage_fault("4.2\u00A0V"), HasSubstr("no-break space"));
    EXPECT_THAT(voltage_fault("4.2 \u201DV"), HasSubstr("plain ASCII"));
    EXPECT_THAT(voltage_fault("４.2 V"), HasSubstr("plain ASCII"));
    EXPECT_THAT(voltage_fault("4.2 V\xFF"), HasSubstr("not UTF-8"));
}

TEST(QuantityFaults, only_one_plain_space_may_stand_before_the_unit) {
    EXPECT_THAT(voltage_fault("4.2  V"), HasSubstr("more than one space"));
    EXPECT_THAT(voltage_fault("4.2\tV"), HasSubstr("a tab"));
    EXPECT_THAT(voltage_fault("4.2 V\n"), HasSubstr("line break"));
    EXPECT_THAT(voltage_fault(" 4.2 V"), HasSubstr("begins or ends with a space"));
    EXPECT_THAT(voltage_fault("4.2 V "), HasSubstr("begins or ends with a space"));
    EXPECT_THAT(current_fault("1 200 mA"), HasSubstr("space among its digits"));
    EXPECT_THAT(voltage_fault(std::string_view("4.2 V\0", 6)), HasSubstr("control character"));
}

TEST(QuantityFaults, the_grammar_of_numbers_is_ours) {
    EXPECT_THAT(voltage_fault(""), HasSubstr("is empty; a voltage is needed"));
    EXPECT_THAT(voltage_fault("V"), HasSubstr("does not begin with a number"));
    EXPECT_THAT(voltage_fault("-"), HasSubstr("has no number"));
    EXPECT_THAT(voltage_fault("--1 V"), HasSubstr("two signs"));
    EXPECT_THAT(voltage_fault("- 1 V"), HasSubstr("does not begin with a number"));
    EXPECT_THAT(voltage_fault("+4.2 V"), HasSubstr("begins with \"+\""));
    EXPECT_THAT(voltage_fault(".5 V"), HasSubstr("no digit before its point; write \"0.5 V\""));
    EXPECT_THAT(voltage_fault("4. V"), HasSubstr("no digit after its point"));
    EXPECT_THAT(voltage_fault("4.2.1 V"), HasSubstr("two points"));
    EXPECT_THAT(voltage_fault("4_200 mV"), HasSubstr("\"_\" among its digits"));
    EXPECT_THAT(voltage_fault("4'200 mV"), HasSubstr("apostrophe"));
    EXPECT_THAT(voltage_fault("0x10 V"), HasSubstr("hexadecimal"));
    EXPECT_THAT(voltage_fault("1E3 mV"), HasSubstr("capital \"E\""));
    EXPECT_THAT(voltage_fault("1e+3 mV"), HasSubstr("\"e+\""));
    EXPECT_THAT(voltage_fault("1e mV"), HasSubstr("no digits after \"e\""));
    EXPECT_THAT(voltage_fault("1e1.5 mV"), HasSubstr("fraction in its exponent"));
    EXPECT_THAT(voltage_fault("3.0-4.2 V"), HasSubstr("not a range"));
    for (const std::string_view text : {"nan", "NaN V", "inf V", "-inf V", "Infinity V", "INF"}) {
        EXPECT_THAT(voltage_fault(text), HasSubstr("not a finite number")) << text;
    }
}

TEST(QuantityFaults, signs_are_refused_where_a_direction_is_told_otherwise) {
    EXPECT_EQ(current_fault("-350 mA"), "is negative; a current is written without a sign");
    EXPECT_THAT(charge_fault("-1 Ah"), HasSubstr("is negative"));
    EXPECT_THAT(time_fault("-1 s"), HasSubstr("is negative"));
    EXPECT_THAT(fault_of<Dimension::resistance>("-1 ohm"), HasSubstr("is negative"));
    EXPECT_THAT(fault_of<Dimension::ratio>("-5 %"), HasSubstr("is negative"));
    EXPECT_THAT(rate_fault("-0.1C"), HasSubstr("is negative"));
}

TEST(QuantityFaults, what_is_finer_than_the_stored_unit_is_refused) {
    EXPECT_EQ(voltage_fault("0.1 nV"), "is finer than 1 nV, the smallest step of a voltage");
    EXPECT_EQ(voltage_fault("4.2000000001 V"), "is finer than 1 nV, the smallest step of a voltage");
    EXPECT_EQ(time_fault("0.5 us"), "is finer than 1 us, the smallest step of a time");
    EXPECT_EQ(temperature_fault("45.0001 degC"), "is finer than 0.001 degC, the smallest step of a temperature");
    EXPECT_THAT(voltage_fault("1e-9999999999 V"), HasSubstr("is finer than"));
    EXPECT_THAT(rate_fault("0.0000001C"), HasSubstr("is finer than 0.000001C"));
}

TEST(QuantityFaults, what_is_out_of_range_is_refused) {
    EXPECT_EQ(time_fault("3651 d"), "is out of range; a time may be at most 3650 d (ten years)");
    EXPECT_THAT(time_fault("9999999 h"), HasSubstr("out of range"));
    EXPECT_EQ(voltage_fault("1000000.000000001 V"), "is out of range; a voltage may be at most 1000000 V");
    EXPECT_THAT(voltage_fault("-1000001 V"), HasSubstr("out of range"));
    EXPECT_THAT(voltage_fault("1e400 V"), HasSubstr("out of range"));
    EXPECT_THAT(voltage_fault("1e99999999999999999999 V"), HasSubstr("out of range"));
    EXPECT_THAT(voltage_fault("9223372036854775808 nV"), HasSubstr("out of range"));
    EXPECT_THAT(voltage_fault("18446744073709551617 nV"), HasSubstr("out of range"));
    EXPECT_THAT(voltage_fault(std::string(300, '9').append(" V")), HasSubstr("more digits"));
    EXPECT_THAT(charge_fault("1001 Ah"), HasSubstr("at most 1000 Ah"));
    EXPECT_EQ(temperature_fault("-273.15 degC"), "is not above absolute zero, -273.15 degC");
    EXPECT_THAT(temperature_fault("-300 degC"), HasSubstr("absolute zero"));
}

TEST(QuantityFaults, rates_have_their_own_sentences) {
    EXPECT_THAT(rate_fault("C/0"), HasSubstr("divides by zero"));
    EXPECT_THAT(rate_fault("0C"), HasSubstr("is zero; a rate is above zero"));
    EXPECT_THAT(rate_fault("C/"), HasSubstr("nothing after \"C/\""));
    EXPECT_THAT(rate_fault("c/20"), HasSubstr("write \"C/20\""));
    EXPECT_THAT(rate_fault("C20"), HasSubstr("write \"C/20\""));
    EXPECT_THAT(rate_fault("0.1c"), HasSubstr("written \"0.1C\""));
    EXPECT_THAT(rate_fault("0.1"), HasSubstr("write \"0.1C\", or \"C/0.1\""));
    EXPECT_THAT(rate_fault("0.2 It"), HasSubstr("write \"0.2C\""));
    EXPECT_THAT(rate_fault("1/20"), HasSubstr("is a fraction; write \"C/20\""));
    EXPECT_THAT(rate_fault("C"), HasSubstr("write \"1C\""));
    EXPECT_THAT(rate_fault("C/2,5"), HasSubstr("has a comma"));
    EXPECT_THAT(rate_fault("C/20 h"), HasSubstr("after its number"));
    EXPECT_THAT(rate_fault("C/-20"), HasSubstr("is negative"));
    EXPECT_THAT(rate_fault("C/ 20"), HasSubstr("does not begin with a number"));
    EXPECT_THAT(rate_fault("C/0.0001"), HasSubstr("out of range"));
    EXPECT_THAT(rate_fault("1001C"), HasSubstr("at most 1000C"));
    EXPECT_THAT(rate_fault("0.1  C"), HasSubstr("write \"C/20\" or \"0.1C\""));
    EXPECT_THAT(rate_fault(""), HasSubstr("is empty; a rate is needed"));
}

TEST(QuantityFaults, where_two_forms_may_stand_both_are_offered) {
    EXPECT_EQ(parse_current_or_rate("4.2 V").error(),
              "is a voltage; a current or a rate is needed, such as \"350 mA\" or \"C/20\"");
    EXPECT_EQ(parse_current_or_rate("0.35").error(), "needs a unit, such as \"350 mA\" or \"C/20\"");
    EXPECT_THAT(parse_current_or_rate("c/20").error(), HasSubstr("write \"C/20\""));
    EXPECT_THAT(parse_current_or_rate("0.2 It").error(), HasSubstr("write \"0.2C\""));
    EXPECT_THAT(parse_current_or_rate("45 degC").error(), HasSubstr("is a temperature; a current or a rate is needed"));
    EXPECT_EQ(parse_charge_or_ratio("35").error(), "needs a unit, such as \"0.5 Ah\" or \"35 %\"");
    EXPECT_THAT(parse_charge_or_ratio("35 A").error(), HasSubstr("is a current; a charge or a ratio is needed"));
    EXPECT_THAT(parse_charge_or_ratio("-35 %").error(), HasSubstr("is negative"));
    EXPECT_THAT(parse_charge_or_ratio("%").error(), HasSubstr("does not begin with a number"));
}

TEST(QuantityFaults, a_hostile_text_is_quoted_short_and_escaped) {
    const std::string fault = voltage_fault("4 " + std::string(100'000, 'V'));
    EXPECT_LT(fault.size(), 200U);
}

}  // namespace
}  // namespace slowfilm
