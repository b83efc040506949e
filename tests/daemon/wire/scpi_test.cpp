// Lines and replies of a SCPI instrument: nothing but a value is a value, whatever the pieces it came in.
#include "daemon/wire/scpi.hpp"

#include "tests/daemon/wire/pieces.hpp"
#include "tests/property.hpp"

#include <charconv>
#include <clocale>
#include <cmath>
#include <string>
#include <utility>
#include <vector>

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace slowfilm::wire::test {
namespace {

using testing::ElementsAre;
using testing::HasSubstr;
using namespace literals;

// --- Lines

TEST(ScpiLines, end_with_lf_or_crlf_and_an_empty_one_is_a_line) {
    LineReader reader;
    EXPECT_THAT(reader.push("4.2\n\r\n3\r\nha"), ElementsAre(Line{"4.2"}, Line{""}, Line{"3"}));
    EXPECT_EQ(reader.pending(), 2U);
    EXPECT_THAT(reader.push("lf\n"), ElementsAre(Line{"half"}));
    EXPECT_EQ(reader.pending(), 0U);
}

TEST(ScpiLines, end_with_cr_only_where_the_profile_says_so) {
    LineReader without;
    EXPECT_THAT(without.push("1\r2\n"), ElementsAre(Line{"1\r2"}));
    LineReader with{{.cr_ends = true}};
    EXPECT_THAT(with.push("1\r2\r\n3\n\n4\r"), ElementsAre(Line{"1"}, Line{"2"}, Line{"3"}, Line{""}, Line{"4"}));
    EXPECT_THAT(with.push("\n5\n"), ElementsAre(Line{"5"})) << "the LF after a CR that came before";
}

TEST(ScpiLines, too_long_a_line_is_dropped_to_its_end_and_told) {
    LineReader reader{{.longest = 4}};
    EXPECT_THAT(reader.push("12345678\n1234\n12345\n1234\r\n12345\r\nx\n"),
                ElementsAre(Line{"", true}, Line{"1234"}, Line{"", true}, Line{"1234"}, Line{"", true}, Line{"x"}));
    EXPECT_THAT(reader.push(std::string(1'000'000, 'x')), ElementsAre());
    EXPECT_LE(reader.pending(), 4U) << "what is dropped is not kept";
    EXPECT_THAT(reader.push("\n"), ElementsAre(Line{"", true}));
}

TEST(ScpiLines, carry_all_256_byte_values) {
    std::string bytes;
    for (int value = 0; value < 256; ++value) {
        if (value != '\n') {
            bytes += static_cast<char>(value);
        }
    }
    LineReader reader;
    EXPECT_THAT(reader.push(bytes + "\n"), ElementsAre(Line{bytes}));
}

TEST(ScpiLines, reset_forgets_half_a_line) {
    LineReader reader{{.cr_ends = true, .longest = 3}};
    EXPECT_THAT(reader.push("too long for it"), ElementsAre());
    reader.reset();
    EXPECT_THAT(reader.push("1\n"), ElementsAre(Line{"1"}));
    EXPECT_THAT(reader.push("2\r"), ElementsAre(Line{"2"}));
    reader.reset();
    EXPECT_THAT(reader.push("\n"), ElementsAre(Line{""}));
}

TEST(ScpiLines, are_the_same_however_the_bytes_are_cut) {
    slowfilm::test::holds([] {
        const std::string bytes = *rc::gen::oneOf(any_bytes(), any_lines());
        const LineRules rules{*rc::gen::arbitrary<bool>(), *rc::gen::inRange<std::size_t>(0, 12)};
        LineReader whole{rules};
        LineReader cut{rules};
        RC_ASSERT(whole.push(bytes) == all_of(cut, pieces_of(bytes, *any_cuts())));
        RC_ASSERT(whole.pending() == cut.pending());
    });
}

// --- Numbers

struct NumberCase {
    std::string text;
    double value;
};

TEST(ScpiNumbers, nr1_nr2_and_nr3_are_read) {
    // IEEE 488.2, 8.7: NR1 "-12", NR2 "-0.123", NR3 "+2.73E+2".
    for (const auto& [text, value] : std::vector<NumberCase>{{"-12", -12.0},
                                                             {"-0.123", -0.123},
                                                             {"+2.73E+2", 273.0},
                                                             {"4.2000", 4.2},
                                                             {" +4.2 ", 4.2},
                                                             {"-1.05e-03", -0.00105},
                                                             {".5", 0.5},
                                                             {"5.", 5.0},
                                                             {"-0", 0.0},
                                                             {"+000.10", 0.1}}) {
        const auto read = read_number(text);
        ASSERT_TRUE(read) << text << ' ' << describe(read.error());
        EXPECT_DOUBLE_EQ(*read, value) << text;
    }
}

TEST(ScpiNumbers, what_is_none_is_named_and_never_a_value) {
    using enum ReplyFault;
    for (const auto& [text, fault] :
         std::vector<std::pair<std::string, ReplyFault>>{{"9.9E37", over_range},
                                                         {"-9.9E37", over_range},
                                                         {"9.9000003E+37", over_range},  // 9.9E37 through a float32
                                                         {"1.99999E101", over_range},
                                                         {"9.8e37", over_range},
                                                         {"1E999", over_range},
                                                         {"-1E999", over_range},
                                                         {"*******", over_range},
                                                         {"**", over_range},
                                                         {"OVLD", over_range},
                                                         {"ol", over_range},
                                                         {"-inf", over_range},
                                                         {"9.91E37", not_a_number},
                                                         {"9.9099995E37", not_a_number},  // 9.91E37 through a float32
                                                         {"-9.91E+37", not_a_number},
                                                         {"nan", not_a_number},
                                                         {"NAN", not_a_number},
                                                         {"", empty},
                                                         {"   ", empty},
                                                         {"\t", empty},
                                                         {"+", garbage},
                                                         {"-", garbage},
                                                         {".", garbage},
                                                         {"1.2.3", garbage},
                                                         {"4,2", garbage},
                                                         {"0x10", garbage},
                                                         {"4.2 3.1", garbage},
                                                         {"--1", garbage},
                                                         {"+-1", garbage},
                                                         {"1E-999", garbage},
                                                         {"MEAS:VOLT?", garbage},
                                                         {"*", garbage},
                                                         {"1e", wrong_unit},
                                                         {"4.2V", wrong_unit},
                                                         {"4.2 mA", wrong_unit},
                                                         {std::string{"4.2\0", 4}, garbage},
                                                         {"4.2\r", garbage},
                                                         {"\xFF", garbage},
                                                         {"\xD9\xA3", garbage},  // an Arabic three
                                                         {std::string(65, '1'), too_long}}) {
        const auto read = read_number(text);
        ASSERT_FALSE(read) << text;
        EXPECT_EQ(read.error(), fault) << text;
        EXPECT_FALSE(describe(fault).empty());
    }
}

TEST(ScpiNumbers, prefix_and_unit_are_as_the_profile_says_and_no_other) {
    const ReplyRules rules{">", "V"};
    EXPECT_DOUBLE_EQ(read_number(">4.2V", rules).value(), 4.2);
    EXPECT_DOUBLE_EQ(read_number(" > 4.2 V ", rules).value(), 4.2);
    EXPECT_EQ(read_number("4.2V", rules).error(), ReplyFault::no_prefix);
    EXPECT_EQ(read_number(">4.2", rules).error(), ReplyFault::wrong_unit);
    EXPECT_EQ(read_number(">4.2v", rules).error(), ReplyFault::wrong_unit);
    EXPECT_EQ(read_number(">4.2mV", rules).error(), ReplyFault::wrong_unit);
    EXPECT_EQ(read_number(">9.9E37", rules).error(), ReplyFault::over_range);
    EXPECT_EQ(read_number(">", rules).error(), ReplyFault::empty);
    EXPECT_EQ(read_number(">4.2", {}).error(), ReplyFault::garbage);
}

TEST(ScpiNumbers, any_text_is_a_finite_value_or_a_fault) {
    slowfilm::test::holds([] {
        const std::string text = *rc::gen::oneOf(any_bytes(), any_lines());
        const ReplyRules rules{*rc::gen::element<std::string>("", ">"), *rc::gen::element<std::string>("", "V")};
        if (const auto number = read_number(text, rules)) {
            RC_ASSERT(std::fabs(*number) < 9.8e37);
        }
        const auto integer = read_integer(text, rules);
        RC_ASSERT(!integer || read_number(text, rules).has_value());
        RC_ASSERT(!read_boolean(text, rules) || text.size() >= 1);
        if (const auto identity = read_identity(text, rules)) {
            RC_ASSERT(identity->maker.size() + identity->model.size() <= 72);
        }
        if (const auto error = read_error(text, rules)) {
            RC_ASSERT(!describe(*error).empty());
        }
        RC_ASSERT(!read_event_status(text, rules) || read_integer(text, {rules.prefix, {}}));
    });
}

TEST(ScpiNumbers, whatever_was_printed_is_read_back) {
    slowfilm::test::holds([] {
        const double value = *rc::gen::map(rc::gen::arbitrary<std::int64_t>(),
                                           [](std::int64_t n) { return static_cast<double>(n) / 1e9; });
        std::array<char, 64> buffer{};
        const auto format = *rc::gen::element(std::chars_format::scientific, std::chars_format::fixed);
        const auto end = std::to_chars(buffer.data(), buffer.data() + buffer.size(), value, format).ptr;
        RC_ASSERT(read_number(std::string{buffer.data(), end}).value() == value);
    });
}

TEST(ScpiIntegers, are_nr1_alone) {
    EXPECT_EQ(read_integer("+0"), 0);
    EXPECT_EQ(read_integer(" 128 "), 128);
    EXPECT_EQ(read_integer("-350"), -350);
    for (const char* const text : {"1.0", "1E2", "99999999999999999999", "1 2", ""}) {
        EXPECT_FALSE(read_integer(text)) << text;
    }
}

TEST(ScpiBooleans, are_one_zero_on_off) {
    for (const char* const text : {"1", "+1", "ON", "on", " On "}) {
        EXPECT_EQ(read_boolean(text), true) << text;
    }
    for (const char* const text : {"0", "+0", "OFF", "off"}) {
        EXPECT_EQ(read_boolean(text), false) << text;
    }
    for (const char* const text : {"", "2", "-1", "ONN", "TRUE", "1.0", "9.91E37", "OUTP?", "01 "}) {
        const auto read = read_boolean(text);
        if (std::string{text} == "01 ") {
            EXPECT_EQ(read, true);
        } else {
            EXPECT_FALSE(read) << text;
        }
    }
}

// --- Identity, errors, status

TEST(ScpiIdentity, has_four_fields_and_72_bytes_at_most) {
    EXPECT_EQ(read_identity("Some Bench, SRC-20 ,0,1.02"), (Identity{"Some Bench", "SRC-20", "0", "1.02"}));
    EXPECT_EQ(read_identity("A,B,,"), (Identity{"A", "B", "", ""}));
    EXPECT_EQ(read_identity("A\x95,B\xFF,0,0"), (Identity{"A\x95", "B\xFF", "0", "0"})) << "bytes as they came";
    EXPECT_EQ(read_identity("A,B,0," + std::string(66, '1')).value().firmware.size(), 66U);
    for (const std::string& text : {std::string{"A,B,0"}, std::string{"A,B,0,1,2"}, std::string{",B,0,1"},
                                    std::string{"A,,0,1"}, std::string{"A;B,C,0,1"}, std::string{"*IDN?"}}) {
        EXPECT_EQ(read_identity(text).error(), ReplyFault::garbage) << text;
    }
    EXPECT_EQ(read_identity("A,B,0," + std::string(67, '1')).error(), ReplyFault::too_long);
    EXPECT_EQ(read_identity("").error(), ReplyFault::empty);
}

TEST(ScpiErrors, the_number_counts_and_not_the_text) {
    EXPECT_EQ(read_error("0,\"No error\""), (ErrorEntry{0, "No error"}));
    EXPECT_EQ(read_error("+0,\"No error\""), (ErrorEntry{0, "No error"}));
    EXPECT_EQ(read_error("+0,\"Kein Fehler\"").value().number, 0);
    EXPECT_EQ(read_error("0").value().number, 0);
    EXPECT_EQ(read_error("-113,\"Undefined header;VLOT 4,2\""), (ErrorEntry{-113, "Undefined header;VLOT 4,2"}));
    EXPECT_EQ(read_error("-350,Queue overflow"), (ErrorEntry{-350, "Queue overflow"}));
    for (const char* const text : {"No error", "\"0\"", "-113.5,\"x\"", "99999,\"x\"", ",", "9.91E37,\"x\""}) {
        EXPECT_FALSE(read_error(text)) << text;
    }
    EXPECT_EQ(read_error("").error(), ReplyFault::empty);
}

TEST(ScpiErrors, are_described_in_one_printable_line) {
    EXPECT_THAT(describe({-221, "Settings conflict"}), HasSubstr("-221 \"Settings conflict\": other settings"));
    EXPECT_EQ(describe({-113, "\n\x1b[2J"}).find_first_of("\n\x1b"), std::string::npos);
}

TEST(ScpiStatus, bits_are_those_of_the_standard) {
    EXPECT_TRUE(read_event_status("128").value().power_on);
    EXPECT_TRUE(read_event_status("+16").value().execution_error);
    const EventStatus all = read_event_status("255").value();
    EXPECT_TRUE(all.operation_complete && all.request_control && all.query_error && all.device_error &&
                all.command_error && all.user_request && all.any_error());
    EXPECT_EQ(read_event_status("0").value(), EventStatus{});
    EXPECT_FALSE(read_event_status("193").value().any_error());
    for (const char* const text : {"256", "-1", "1.5", "", "9.91E37"}) {
        EXPECT_FALSE(read_event_status(text)) << text;
    }
}

// --- Numbers to send

TEST(ScpiWriting, is_the_shortest_decimal_of_whole_steps) {
    EXPECT_EQ(write_number(Voltage{4'200'000'000}, 1_mV, Rounding::nearest).text, "4.2");
    EXPECT_EQ(write_number(Voltage{3'000'000'000}, 1_uV, Rounding::nearest).text, "3");
    EXPECT_EQ(write_number(-Current{1'250'000}, 1_uA, Rounding::nearest).text, "-0.00125");
    EXPECT_EQ(write_number(Current{0}, 1_uA, Rounding::nearest).text, "0");
    EXPECT_EQ(write_number(-Current{400}, 1_uA, Rounding::nearest).text, "0") << "no -0";
    EXPECT_EQ(write_number(1_uA, 1_uA, Rounding::nearest).text, "0.000001") << "no exponent";
    EXPECT_EQ(write_number(Duration{1'500'000}, 100_ms, Rounding::up).text, "1.5");
    EXPECT_EQ(write_number(25_degC, 100_mK, Rounding::nearest).text, "25");
    EXPECT_EQ(write_number(Temperature{263'200}, 100_mK, Rounding::nearest).text, "-10");
}

TEST(ScpiWriting, rounds_to_the_harmless_side) {
    const Voltage ceiling{4'200'999'999};
    EXPECT_EQ(write_number(ceiling, 1_mV, Rounding::down).text, "4.2");
    EXPECT_EQ(write_number(ceiling, 1_mV, Rounding::down).sent, 4'200_mV);
    EXPECT_EQ(write_number(Voltage{2'500'000'001}, 1_mV, Rounding::up).text, "2.501");
    EXPECT_EQ(write_number(-Voltage{1'500'000}, 1_mV, Rounding::down).text, "-0.002");
    EXPECT_EQ(write_number(-Voltage{1'500'000}, 1_mV, Rounding::up).text, "-0.001");
    EXPECT_EQ(write_number(-Current{1'999'999}, 1_mA, Rounding::toward_zero).text, "-0.001");
    EXPECT_EQ(write_number(Current{1'500'000}, 1_mA, Rounding::nearest).text, "0.002");
}

TEST(ScpiWriting, reads_back_as_what_was_sent_and_lies_within_a_step) {
    slowfilm::test::holds([] {
        const std::int64_t most = 100'000'000'000;
        const Voltage asked{*rc::gen::inRange<std::int64_t>(-most, most)};
        const Voltage step{*rc::gen::element<std::int64_t>(1, 1'000, 10'000, 250'000, 1'000'000, 10'000'000)};
        const auto rounding = *rc::gen::element(Rounding::nearest, Rounding::toward_zero, Rounding::down, Rounding::up);
        const Written<Voltage> written = write_number(asked, step, rounding);
        RC_ASSERT(std::llround(read_number(written.text).value() * 1e9) == written.sent.count);
        RC_ASSERT(written.sent.count % step.count == 0);
        RC_ASSERT(magnitude(written.sent - asked) < step);
        RC_ASSERT(rounding != Rounding::down || written.sent <= asked);
        RC_ASSERT(rounding != Rounding::up || written.sent >= asked);
        RC_ASSERT(rounding != Rounding::toward_zero || magnitude(written.sent) <= magnitude(asked));
        RC_ASSERT(written.text.find_first_of("eE+,") == std::string::npos);
    });
}

TEST(ScpiWriting, and_reading_do_not_look_at_the_locale) {
    const std::string before = std::setlocale(LC_ALL, nullptr);
    ASSERT_NE(std::setlocale(LC_ALL, "de_DE.UTF-8"), nullptr) << "tests/run.sh makes this locale";
    EXPECT_EQ(write_number(Voltage{4'250'000'000}, 1_mV, Rounding::nearest).text, "4.25");
    EXPECT_DOUBLE_EQ(read_number("4.25").value(), 4.25);
    EXPECT_FALSE(read_number("4,25"));
    std::setlocale(LC_ALL, before.c_str());
}

}  // namespace
}  // namespace slowfilm::wire::test
