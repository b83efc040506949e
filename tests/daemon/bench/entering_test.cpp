#include "daemon/bench/entering.hpp"

#include "daemon/core/utc.hpp"

#include <array>

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace slowfilm::bench {
namespace {

using testing::HasSubstr;

constexpr std::int64_t now = 1'780'000'000'000'000;  // 2026-05-28T20:26:40Z

TEST(HandValue, a_number_keeps_its_unit_and_its_text) {
    const auto reading = read_hand_value("mass", "68.31 g", now);
    ASSERT_TRUE(reading) << reading.error().message;
    EXPECT_EQ(reading->value, 68.31);
    EXPECT_EQ(reading->unit, "g");
    EXPECT_EQ(reading->text, "68.31 g");
    EXPECT_EQ(read_hand_value("resistance", "2.1mohm", now)->unit, "mohm");
    EXPECT_EQ(read_hand_value("blisters", "3 1", now)->unit, "1");
}

TEST(HandValue, a_known_name_is_above_zero_and_in_a_unit_of_its_own) {
    for (const auto& [name, value, says] :
         std::vector<std::array<const char*, 3>>{{"mass", "-5 g", "not above zero"},
                                                 {"mass", "0 g", "such as \"68.3 g\""},
                                                 {"mass", "68.3 mm", "in which no mass is measured"},
                                                 {"mass", "68.3 m", "in which no mass is measured"},
                                                 {"thickness", "5 g", "such as \"7.1 mm\""},
                                                 {"thickness", "-7.1 mm", "not above zero"},
                                                 {"resistance", "2.1 V", "such as \"2.1 mohm\""},
                                                 {"resistance", "-2.1 mohm", "not above zero"}}) {
        const auto reading = read_hand_value(name, value, now);
        ASSERT_FALSE(reading) << name << " " << value;
        EXPECT_THAT(reading.error().message, HasSubstr(says)) << name << " " << value;
        EXPECT_THAT(reading.error().message, HasSubstr("'" + std::string(value) + "'"));
    }
    EXPECT_TRUE(read_hand_value("thickness", "7.1 mm", now));
    EXPECT_TRUE(read_hand_value("mass", "68310 mg", now));
    EXPECT_EQ(read_hand_value("offset", "-5 um", now)->value, -5.0) << "a name of the house's own";
}

TEST(HandValue, a_filling_time_is_a_time_that_has_been) {
    const auto reading = read_hand_value("filled", "2026-05-28T20:00:00+02:00", now);
    ASSERT_TRUE(reading) << reading.error().message;
    EXPECT_FALSE(reading->value);
    EXPECT_EQ(parse_utc(reading->text), parse_utc("2026-05-28T18:00:00Z"));
    EXPECT_THAT(read_hand_value("filled", "2026-05-28T20:26:41Z", now).error().message, HasSubstr("still to come"));
    EXPECT_THAT(read_hand_value("filled", "12 h ago", now).error().message, HasSubstr("RFC 3339"));
}

TEST(HandValue, a_lot_is_a_word) {
    EXPECT_EQ(read_hand_value("lot", "2026-47", now)->text, "2026-47");
    for (const std::string& lot : {std::string(), std::string(" a"), std::string("a\nb"), std::string(101, 'x')}) {
        EXPECT_FALSE(read_hand_value("lot", lot, now)) << lot;
    }
}

TEST(HandValue, what_has_no_unit_or_is_no_number_is_refused_with_what_would_be_right) {
    for (const char* value : {"", "68.31", "68,31 g", "heavy", "nan g", "0x12 g", "1e g", "68.31 g\n", "68.31  "}) {
        const auto reading = read_hand_value("mass", value, now);
        ASSERT_FALSE(reading) << value;
        EXPECT_EQ(reading.error().failure, Failure::bad_data);
        EXPECT_THAT(reading.error().message, HasSubstr("mass '")) << value;
    }
    for (const char* name : {"", "Mass", "mass of cell", "1st", "mass;", "x\n"}) {
        EXPECT_THAT(read_hand_value(name, "1 g", now).error().message, HasSubstr("small letters")) << name;
    }
}

const std::vector<protocol::EnterField>& fields() {
    static const std::vector<protocol::EnterField> all{{"mass", "g", 60.0, 80.0}, {"gap", "mm", std::nullopt, 0.5}};
    return all;
}

TEST(Entered, all_that_is_asked_is_taken_with_or_without_its_unit) {
    const auto readings = read_entered(fields(), {{"gap", "0.5 mm"}, {"mass", "68.31"}});
    ASSERT_TRUE(readings) << readings.error().message;
    ASSERT_EQ(readings->size(), 2U);
    EXPECT_EQ((*readings)[0].name, "mass");
    EXPECT_EQ((*readings)[0].text, "68.31 g");
    EXPECT_EQ((*readings)[1].value, 0.5);
    EXPECT_TRUE(read_entered({}, {})->empty());
}

TEST(Entered, each_refusal_names_the_field_and_its_bounds) {
    struct Case {
        boost::json::object entered;
        const char* says;
    };
    for (const Case& one : std::vector<Case>{
             {{{"mass", "68.31"}}, "asks for gap (mm, at most 0.5)"},
             {{}, "asks for mass (g, 60 to 80)"},
             {{{"mass", "59.99"}, {"gap", "0"}}, "'59.99' is outside what the step takes for mass (g, 60 to 80)"},
             {{{"mass", "68.31 kg"}, {"gap", "0"}}, "'68.31 kg' is not in the unit"},
             {{{"mass", "much"}, {"gap", "0"}}, "'much' for mass (g, 60 to 80)"},
             {{{"mass", "68.31"}, {"gap", ""}}, "'' for gap (mm, at most 0.5) is empty"},
             {{{"mass", 68.31}, {"gap", "0"}}, "asks for mass"},
             {{{"mass", "68.31"}, {"gap", "0"}, {"colour", "1"}}, "does not ask for 'colour'"}}) {
        const auto readings = read_entered(fields(), one.entered);
        ASSERT_FALSE(readings) << one.says;
        EXPECT_EQ(readings.error().failure, Failure::bad_data);
        EXPECT_THAT(readings.error().message, HasSubstr(one.says));
    }
    EXPECT_THAT(read_entered({}, {{"mass", "1"}}).error().message, HasSubstr("it asks for no value"));
}

}  // namespace
}  // namespace slowfilm::bench
