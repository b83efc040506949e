#include "daemon/core/json.hpp"

#include "daemon/core/utf8.hpp"

#include <boost/json/array.hpp>
#include <boost/json/object.hpp>
#include <charconv>
#include <cmath>
#include <limits>

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <rapidcheck.h>

namespace slowfilm {
namespace {

using ::testing::HasSubstr;
namespace json = boost::json;

TEST(Json, every_kind_prints_on_one_line_in_the_order_it_was_put_in) {
    json::object object;
    object["z"] = 1;
    object["a"] = json::array{nullptr, true, false, -5, std::uint64_t{18'446'744'073'709'551'615U}, 0.1, "text"};
    object["empty"] = json::object{};
    object["none"] = json::array{};
    EXPECT_EQ(to_json_text(object),
              R"({"z":1,"a":[null,true,false,-5,18446744073709551615,0.1,"text"],"empty":{},"none":[]})");
}

TEST(Json, the_pretty_form_is_indented_and_ends_its_line) {
    EXPECT_EQ(to_json_pretty(json::object{{"a", json::array{1, json::object{{"b", 2}}}}, {"c", json::array{}}}),
              "{\n  \"a\": [\n    1,\n    {\n      \"b\": 2\n    }\n  ],\n  \"c\": []\n}\n");
    EXPECT_EQ(to_json_pretty(7), "7\n");
}

// RFC 8259, section 6: numbers that are not finite cannot be written.
TEST(Json, what_is_not_finite_is_null) {
    const double nan = std::numeric_limits<double>::quiet_NaN();
    const double inf = std::numeric_limits<double>::infinity();
    EXPECT_EQ(to_json_text(json::array{nan, inf, -inf, -0.0, 1e-310}), "[null,null,null,-0,1e-310]");
}

// RFC 8259, sections 7 and 8.1: control characters are escaped, the text is UTF-8.
TEST(Json, strings_are_escaped_and_made_valid) {
    EXPECT_EQ(to_json_text(json::string{"a\"b\\c\n\r\t\b\x01\x1F/"}), R"("a\"b\\c\n\r\t\u0008\u0001\u001f/")");
    EXPECT_EQ(to_json_text(json::string{"a\x95\xFF"}), "\"a\uFFFD\uFFFD\"");
    EXPECT_EQ(to_json_text(json::string(std::string_view("\0", 1))), "\"\\u0000\"");
    EXPECT_EQ(to_json_text(json::object{{std::string_view{"k\xFF\n"}, 1}}), "{\"k\uFFFD\\n\":1}");
    EXPECT_EQ(to_json_text(json::string{"µΩ日本"}), "\"µΩ日本\"");
}

TEST(Json, a_double_reads_back_to_the_same_bits) {
    EXPECT_TRUE(rc::check("shortest form, exact", [] {
        const double value = *rc::gen::arbitrary<double>();
        RC_PRE(std::isfinite(value));
        const std::string text = to_json_text(json::array{value});
        RC_LOG() << text << '\n';
        double exact = 0.0;
        const auto [end, error] = std::from_chars(text.data() + 1, text.data() + text.size() - 1, exact);
        RC_ASSERT(error == std::errc{});
        RC_ASSERT(end == text.data() + text.size() - 1);
        RC_ASSERT(exact == value);
        const auto parsed = parse_json(text);
        RC_ASSERT(parsed.has_value());
        // Boost.JSON 1.81 may read a double one step beside the nearest.
        const auto again = parsed->as_array()[0].to_number<double>();
        RC_ASSERT(std::abs(again - value) <= std::abs(value) * 4.5e-16);
    }));
}

TEST(Json, any_bytes_print_as_text_that_the_parser_takes) {
    EXPECT_TRUE(rc::check("strings survive when valid and are made valid when not", [] {
        const auto bytes = *rc::gen::arbitrary<std::string>();
        const auto parsed = parse_json(to_json_text(json::string{bytes}));
        RC_ASSERT(parsed.has_value());
        bool valid = true;
        for (std::size_t at = 0; at < bytes.size();) {
            const CodePoint point = code_point_at(bytes, at);
            valid = valid && point.valid;
            at += point.length;
        }
        if (valid) {
            RC_ASSERT(std::string_view{parsed->get_string()} == bytes);
        }
    }));
}

std::string fault_of(std::string_view text) {
    const auto parsed = parse_json(text);
    EXPECT_FALSE(parsed) << text;
    if (parsed) {
        return "(taken)";
    }
    EXPECT_EQ(parsed.error().failure, Failure::bad_data);
    return parsed.error().message;
}

TEST(Json, the_parser_takes_strict_json_only) {
    EXPECT_TRUE(parse_json(R"( {"a": [1, 2.5e3, "\u00e4", null]} )"));
    for (const std::string_view text :
         {"",     " ",    "{",    "[1,]",   "{\"a\":1,}", "NaN", "[Infinity]", "{a:1}", "'a'",    "// c\n1",    "[01]",
          "[+1]", "[.5]", "[1.]", "\"\n\"", "\"\x95\"",   "nul", "1 2",        "[1]]",  "[0x10]", "\"\\ud800\""}) {
        EXPECT_THAT(fault_of(text), HasSubstr("JSON")) << text;
    }
    EXPECT_THAT(fault_of(std::string_view("[1]\0", 4)), HasSubstr("at byte 4"));
}

TEST(Json, the_fault_says_at_which_byte) {
    EXPECT_THAT(fault_of("[1, x]"), HasSubstr("at byte 5: "));
}

TEST(Json, depth_is_bounded) {
    EXPECT_TRUE(parse_json(std::string(32, '[') + std::string(32, ']')));
    EXPECT_THAT(fault_of(std::string(33, '[') + std::string(33, ']')), HasSubstr("too deep"));
    EXPECT_THAT(fault_of(std::string(1'000'000, '[')), HasSubstr("too deep"));
}

TEST(Json, a_number_beyond_double_is_refused) {
    EXPECT_THAT(fault_of("[1e400]"), HasSubstr("JSON"));
}

}  // namespace
}  // namespace slowfilm
