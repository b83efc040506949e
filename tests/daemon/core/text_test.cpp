#include "daemon/core/text.hpp"

#include "daemon/core/utf8.hpp"

#include <array>
#include <cmath>
#include <limits>

#include <gtest/gtest.h>
#include <rapidcheck.h>

namespace slowfilm {
namespace {

TEST(PlainText, is_of_visible_characters_and_single_spaces) {
    for (const char* good : {"K-04", "Zelle für 04", "電池 7", "a b c", "\u00e9", "\U0001F50B"}) {
        EXPECT_TRUE(is_plain(good)) << good;
    }
    // Every space of Unicode (category Zs but U+0020), and what is shown as nothing (the lists of Unicode 15, from
    // memory).
    for (const char* bad :
         {"",        " ",       " a",          "a ",          "a  b",        "a\tb",        "a\u00A0", "a\u1680",
          "a\u2000", "a\u2001", "a\u2002",     "a\u2003",     "a\u2004",     "a\u2005",     "a\u2006", "a\u2007",
          "a\u2008", "a\u2009", "a\u200A",     "a\u202F",     "a\u205F",     "a\u3000",     "a\u00AD", "a\u034F",
          "a\u061C", "a\u115F", "a\u1160",     "a\u17B4",     "a\u180E",     "a\u200B",     "a\u200D", "a\u2028",
          "a\u2060", "a\u2064", "a\u2800",     "a\u3164",     "a\uFE0F",     "a\uFEFF",     "a\uFFA0", "a\uFFF9",
          "a\uFFFD", "a\uE000", "a\U0001D173", "a\U000E0001", "a\U000E0100", "a\U00100000", "a\xFF"}) {
        EXPECT_FALSE(is_plain(bad)) << escaped(bad);
    }
}

TEST(Text, escaping_leaves_plain_text_alone) {
    EXPECT_EQ(escaped("cell 7, lot B"), "cell 7, lot B");
    EXPECT_EQ(escaped("für Zelle 日本"), "für Zelle 日本");
    EXPECT_EQ(escaped(""), "");
}

TEST(Text, escaping_shows_what_could_forge_a_line) {
    EXPECT_EQ(escaped("a\nb\x1B[31m\x7F"), "a\\x0ab\\x1b[31m\\x7f");
    EXPECT_EQ(escaped("a\xFF\xC3"), "a\\xff\\xc3");
    EXPECT_EQ(escaped("\xC2\x9B"), "\\xc2\\x9b");           // a C1 control, "CSI" to some terminals
    EXPECT_EQ(escaped("\u202Egnp"), "\\xe2\\x80\\xaegnp");  // would reverse what follows
    EXPECT_EQ(escaped(std::string_view("\0x", 2)), "\\x00x");
    EXPECT_EQ(escaped("{} %s %n"), "{} %s %n");
}

TEST(Text, escaping_cuts_and_never_inside_a_character) {
    EXPECT_EQ(escaped("abcdefghij", 10), "abcdefghij");
    EXPECT_EQ(escaped("abcdefghijk", 10), "abcdefg...");
    EXPECT_EQ(escaped("äöüäöü", 8), "äö...");
    EXPECT_EQ(escaped("\n\n\n", 8), "\\x0a...");
    EXPECT_EQ(escaped("abcdef", 2), "..");
    EXPECT_EQ(escaped(std::string(1'000'000, 'x')).size(), 256U);
}

TEST(Text, escaping_gives_one_printable_line_of_bounded_length_for_any_bytes) {
    EXPECT_TRUE(rc::check("no control character is left, no more bytes than asked for", [] {
        const auto bytes = *rc::gen::arbitrary<std::string>();
        const auto most = *rc::gen::inRange<std::size_t>(3, 80);
        const std::string text = escaped(bytes, most);
        RC_ASSERT(text.size() <= most);
        for (std::size_t at = 0; at < text.size();) {
            const CodePoint point = code_point_at(text, at);
            RC_ASSERT(point.valid);
            RC_ASSERT(!is_unprintable(point.value));
            at += point.length;
        }
    }));
}

// RFC 3629, section 3 and 4: which sequences are well formed.
TEST(Text, utf8_is_judged_strictly) {
    for (const std::string_view good :
         {"a", "\u00E4", "\u20AC", "\U0001F50B", "\u07FF", "\u0800", "\uFFFF", "\U0010FFFF"}) {
        EXPECT_EQ(valid_utf8(good), good);
    }
    EXPECT_EQ(valid_utf8("\xC0\xAF"), "\uFFFD\uFFFD");                      // overlong "/"
    EXPECT_EQ(valid_utf8("\xED\xA0\x80"), "\uFFFD\uFFFD\uFFFD");            // a lone surrogate
    EXPECT_EQ(valid_utf8("\xF4\x90\x80\x80"), "\uFFFD\uFFFD\uFFFD\uFFFD");  // above U+10FFFF
    EXPECT_EQ(valid_utf8("\xE2\x82"), "\uFFFD\uFFFD");                      // cut
    EXPECT_EQ(valid_utf8("a\x95z"), "a\uFFFDz");
    EXPECT_EQ(valid_utf8("\xE0\x80\x80"), "\uFFFD\uFFFD\uFFFD");
}

TEST(Text, numbers_print_shortest_and_read_back) {
    EXPECT_EQ(print_number(0.1), "0.1");
    EXPECT_EQ(print_number(4.0), "4");
    EXPECT_EQ(print_number(-2.5e-7), "-2.5e-07");
    EXPECT_EQ(print_number(1e300), "1e+300");
    EXPECT_EQ(print_number(std::numeric_limits<double>::quiet_NaN()), "null");
    EXPECT_EQ(print_number(std::numeric_limits<double>::infinity()), "null");
    EXPECT_EQ(print_number(-std::numeric_limits<double>::infinity()), "null");
    EXPECT_EQ(print_number(std::numeric_limits<double>::denorm_min()), "5e-324");
}

TEST(Text, fixed_numbers_have_their_decimals_and_no_negative_zero) {
    EXPECT_EQ(print_fixed(4.2, 3), "4.200");
    EXPECT_EQ(print_fixed(-0.0004, 3), "0.000");
    EXPECT_EQ(print_fixed(-0.0006, 3), "-0.001");
    EXPECT_EQ(print_fixed(12.0, 0), "12");
    EXPECT_EQ(print_fixed(std::nan(""), 3), "-");
    EXPECT_EQ(print_fixed(1e308, 2).size(), 312U);
}

// 0 and 951782400 (the leap day of 2000) and 10^9 are well-known instants; 4102444800 is 2100-01-01.
TEST(Text, instants_print_as_rfc_3339) {
    EXPECT_EQ(print_utc(0), "1970-01-01T00:00:00.000Z");
    EXPECT_EQ(print_utc(951'782'400'000'000), "2000-02-29T00:00:00.000Z");
    EXPECT_EQ(print_utc(1'000'000'000'000'000), "2001-09-09T01:46:40.000Z");
    EXPECT_EQ(print_utc(4'102'444'800'000'000), "2100-01-01T00:00:00.000Z");
    EXPECT_EQ(print_utc(4'107'542'400'000'000), "2100-03-01T00:00:00.000Z");  // 2100 is no leap year
    EXPECT_EQ(print_utc(1'789'999), "1970-01-01T00:00:01.789Z");
    EXPECT_EQ(print_utc(-1), "1969-12-31T23:59:59.999Z");
}

TEST(Text, instants_outside_rfc_3339_are_held_at_its_ends) {
    EXPECT_EQ(print_utc(std::numeric_limits<std::int64_t>::max()), "9999-12-31T23:59:59.999Z");
    EXPECT_EQ(print_utc(std::numeric_limits<std::int64_t>::min()), "0000-01-01T00:00:00.000Z");
}

TEST(Text, spans_print_in_their_largest_parts) {
    const auto span = [](double seconds) { return print_span(Duration{static_cast<std::int64_t>(seconds * 1e6)}); };
    EXPECT_EQ(span(0), "0 s");
    EXPECT_EQ(span(0.000012), "12 us");
    EXPECT_EQ(span(0.5), "500 ms");
    EXPECT_EQ(span(4.25), "4.25 s");
    EXPECT_EQ(span(59.9999), "59.999 s");
    EXPECT_EQ(span(184), "3 min 04 s");
    EXPECT_EQ(span(180), "3 min");
    EXPECT_EQ(span(26 * 3600 + 184), "26 h 03 min 04 s");
    EXPECT_EQ(span(36 * 3600), "36 h");
    EXPECT_EQ(span(36 * 3600 + 1), "36 h 00 min 01 s");
    EXPECT_EQ(span(14 * 86400), "14 d");
    EXPECT_EQ(span(14 * 86400 + 7200 + 61), "14 d 02 h 01 min");
    EXPECT_EQ(span(-90), "-1 min 30 s");
    EXPECT_EQ(print_span(Duration{std::numeric_limits<std::int64_t>::min()}), "-106751991 d 04 h");
}

TEST(Text, the_nearest_known_word_is_found) {
    constexpr std::array<std::string_view, 5> known{"charge", "discharge", "hold", "rest", "repeat"};
    EXPECT_EQ(nearest("chrage", known), "charge");
    EXPECT_EQ(nearest("discharg", known), "discharge");
    EXPECT_EQ(nearest("dischrage", known), "discharge");
    EXPECT_EQ(nearest("hodl", known), "hold");
    EXPECT_EQ(nearest("hold", known), "hold");
    EXPECT_EQ(nearest("confirm", known), "");
    EXPECT_EQ(nearest("x", known), "");
    EXPECT_EQ(nearest("", known), "");
    EXPECT_EQ(nearest("rest", {}), "");
    EXPECT_EQ(nearest(std::string(100'000, 'r'), known), "");
}

// FIPS 180-4 example messages, as published with the standard's worked examples (from memory).
TEST(Text, sha256_gives_the_standards_digests) {
    EXPECT_EQ(sha256_hex("abc"), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    EXPECT_EQ(sha256_hex(""), "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
    EXPECT_EQ(sha256_hex("abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq"),
              "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1");
    EXPECT_EQ(sha256_hex(std::string(1'000'000, 'a')),
              "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0");
}

}  // namespace
}  // namespace slowfilm
