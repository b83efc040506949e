#include "daemon/core/diagnostic.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace slowfilm {
namespace {

using ::testing::EndsWith;
using ::testing::HasSubstr;

std::string rendered(std::string_view source, Place place, std::string message = "is wrong") {
    Diagnostics diagnostics{"night.toml", {}};
    diagnostics.error(place, std::move(message));
    return render(diagnostics, source);
}

// The columns of `^` and of the character it stands under, in code points of the two last lines.
char under_caret(const std::string& text) {
    const std::size_t second = text.rfind('\n', text.size() - 2);
    const std::size_t first = text.rfind('\n', second - 1);
    const std::size_t caret = text.size() - 2 - second - 1;
    std::size_t at = first + 1;
    for (std::size_t i = 0; i < caret; ++i) {
        ++at;
        while (at < text.size() && (static_cast<unsigned char>(text[at]) & 0xC0U) == 0x80U) {
            ++at;
        }
    }
    return text.at(at);
}

TEST(Diagnostics, a_complaint_prints_as_a_compiler_does) {
    EXPECT_EQ(rendered("# a\nrate = 5\n", {2, 8}, "needs a unit"),
              "night.toml:2:8: error: needs a unit\n"
              "    2 | rate = 5\n"
              "      |        ^\n");
}

TEST(Diagnostics, warnings_say_so_and_are_no_errors) {
    Diagnostics diagnostics{"night.toml", {}};
    diagnostics.warning({1, 1}, "is long");
    EXPECT_FALSE(diagnostics.has_errors());
    EXPECT_THAT(render(diagnostics, "x"), HasSubstr("night.toml:1:1: warning: is long\n"));
    diagnostics.error({1, 1}, "is wrong");
    EXPECT_TRUE(diagnostics.has_errors());
}

TEST(Diagnostics, complaints_are_sorted_by_place_and_stay_in_order_within_one) {
    Diagnostics diagnostics{"night.toml", {}};
    diagnostics.error({3, 1}, "third");
    diagnostics.warning({1, 9}, "second");
    diagnostics.error({1, 2}, "first");
    diagnostics.error({3, 1}, "fourth");
    diagnostics.sort();
    EXPECT_EQ(diagnostics.items[0].message, "first");
    EXPECT_EQ(diagnostics.items[1].message, "second");
    EXPECT_EQ(diagnostics.items[2].message, "third");
    EXPECT_EQ(diagnostics.items[3].message, "fourth");
}

TEST(Diagnostics, the_caret_counts_code_points_and_not_bytes) {
    EXPECT_EQ(under_caret(rendered("näme = \"日本\" X", {1, 13})), 'X');
}

TEST(Diagnostics, a_tab_takes_one_column) {
    const std::string text = rendered("\t\trate = 5", {1, 3});
    EXPECT_EQ(under_caret(text), 'r');
    EXPECT_EQ(text.find('\t'), std::string::npos);
}

TEST(Diagnostics, line_ends_of_another_system_are_not_shown) {
    EXPECT_EQ(rendered("a = 1\r\nrate = 5\r\n", {2, 8}),
              "night.toml:2:8: error: is wrong\n    2 | rate = 5\n      |        ^\n");
}

TEST(Diagnostics, a_byte_order_mark_takes_no_column) {
    EXPECT_EQ(under_caret(rendered("\xEF\xBB\xBFrate = 5", {1, 1})), 'r');
}

TEST(Diagnostics, escaped_characters_push_the_caret_along) {
    const std::string text = rendered("a\x1B\xFFZ", {1, 4});
    EXPECT_THAT(text, HasSubstr("a\\x1b\\xffZ"));
    EXPECT_EQ(under_caret(text), 'Z');
}

TEST(Diagnostics, a_long_line_is_cut_around_the_caret) {
    std::string line(1'001, 'a');
    line[500] = 'X';
    line.replace(501, 500, 500, 'b');
    const std::string middle = rendered(line, {1, 501});
    EXPECT_EQ(under_caret(middle), 'X');
    EXPECT_LT(middle.size(), 400U);
    EXPECT_THAT(middle, HasSubstr("| ...aaa"));
    EXPECT_THAT(middle, HasSubstr("bbb...\n"));
    const std::string first = rendered(line, {1, 1});
    EXPECT_EQ(under_caret(first), 'a');
    EXPECT_THAT(first, HasSubstr("| aaa"));
    const std::string last = rendered(line, {1, 1001});
    EXPECT_EQ(under_caret(last), 'b');
    EXPECT_LT(rendered(std::string(1'000'000, 'a'), {1, 900'000}).size(), 400U);
}

TEST(Diagnostics, a_place_behind_the_text_is_shown_and_not_read) {
    EXPECT_THAT(rendered("ab", {1, 3}), EndsWith("    1 | ab\n      |   ^\n"));
    EXPECT_THAT(rendered("ab", {1, 4'000'000'000}), EndsWith("    1 | ab\n      |   ^\n"));
    EXPECT_THAT(rendered("ab\n", {9, 4}), EndsWith("    9 |\n      | ^\n"));
    EXPECT_THAT(rendered("", {1, 1}), EndsWith("    1 |\n      | ^\n"));
    EXPECT_THAT(rendered("ab", {0, 0}), EndsWith("    0 |\n      | ^\n"));
}

TEST(Diagnostics, wide_line_numbers_keep_the_gutter_aligned) {
    std::string source;
    for (int i = 0; i < 1'234'567; ++i) {
        source += '\n';
    }
    EXPECT_THAT(rendered(source + "rate", {1'234'568, 1}), EndsWith("1234568 | rate\n        | ^\n"));
}

TEST(Diagnostics, a_message_and_a_file_name_stay_on_one_line) {
    Diagnostics diagnostics{"a\nb.toml", {}};
    diagnostics.error({1, 1}, "has\na break");
    EXPECT_THAT(render(diagnostics, "x"), HasSubstr("a\\x0ab.toml:1:1: error: has\\x0aa break\n"));
}

}  // namespace
}  // namespace slowfilm
