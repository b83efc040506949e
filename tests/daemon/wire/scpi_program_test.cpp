// The instrument's ear: program messages and headers.
#include "daemon/wire/scpi_program.hpp"

#include "daemon/wire/scpi.hpp"
#include "tests/daemon/wire/pieces.hpp"
#include "tests/property.hpp"

#include <cmath>
#include <limits>
#include <string>

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace slowfilm::wire::test {
namespace {

using testing::ElementsAre;
using testing::IsEmpty;

TEST(ScpiHeaders, take_the_exact_short_or_long_form_in_any_case) {
    for (const char* const header : {"VOLT", "volt", "VOLTAGE", "Voltage", "SOUR:VOLT", ":source:voltage:level",
                                     "VOLT:LEV:IMM:AMPL", "VOLT:AMPL", "SOURCE:VOLT:IMM"}) {
        EXPECT_TRUE(header_matches("[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]", header)) << header;
    }
    for (const char* const header : {"VOL", "VOLTAG", "VOLTAGES", "VOLT?", "VOLT:PROT", "SOURC:VOLT", "LEV", "", ":",
                                     "VOLT:", "::VOLT", "VOLT::LEV", "VOLT:IMM:LEV", "SOUR", "VOLT:LEV:LEV"}) {
        EXPECT_FALSE(header_matches("[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]", header)) << header;
    }
}

TEST(ScpiHeaders, queries_and_common_commands_are_their_own) {
    EXPECT_TRUE(header_matches("*IDN?", "*idn?"));
    EXPECT_FALSE(header_matches("*IDN?", "*IDN"));
    EXPECT_FALSE(header_matches("*IDN?", "IDN?"));
    EXPECT_TRUE(header_matches("OUTPut[:STATe]?", "OUTP?"));
    EXPECT_TRUE(header_matches("OUTPut[:STATe]?", "OUTPUT:STAT?"));
    EXPECT_FALSE(header_matches("OUTPut[:STATe]", "OUTP?"));
    EXPECT_TRUE(header_matches("MEASure[:SCALar][:VOLTage][:DC]?", "MEAS:VOLT?"));
    EXPECT_TRUE(header_matches("MEASure[:SCALar]:CURRent[:DC]?", "meas:curr:dc?"));
    EXPECT_FALSE(header_matches("MEASure[:SCALar]:CURRent[:DC]?", "MEAS?"));
}

TEST(ScpiHeaders, of_too_many_words_match_nothing) {
    std::string header = "A";
    for (int word = 1; word < 16; ++word) {
        header += ":A";
    }
    EXPECT_TRUE(header_matches(header, header));
    header += ":A";
    EXPECT_FALSE(header_matches(header, header));
}

TEST(ScpiPrograms, are_split_and_keep_to_their_subtree) {
    EXPECT_THAT(split_program("VOLT:PROT 5;LEV 4;:OUTP ON;*CLS;STAT?"),
                ElementsAre(ProgramCommand{"VOLT:PROT", {"5"}}, ProgramCommand{"VOLT:LEV", {"4"}},
                            ProgramCommand{"OUTP", {"ON"}}, ProgramCommand{"*CLS", {}}, ProgramCommand{"STAT?", {}}));
    EXPECT_THAT(split_program("SOUR:VOLT:PROT 5;*WAI;DEL 0.1"),
                ElementsAre(ProgramCommand{"SOUR:VOLT:PROT", {"5"}}, ProgramCommand{"*WAI", {}},
                            ProgramCommand{"SOUR:VOLT:DEL", {"0.1"}}));
    EXPECT_THAT(split_program(" :LIST 1 , 2,\"a;b,c\" ;; "),
                ElementsAre(ProgramCommand{"LIST", {"1", "2", "\"a;b,c\""}}));
    EXPECT_THAT(split_program(""), IsEmpty());
    EXPECT_THAT(split_program(" ; : "), IsEmpty());
}

TEST(ScpiPrograms, take_any_bytes) {
    slowfilm::test::holds([] {
        const std::string text = *rc::gen::oneOf(any_bytes(), any_lines());
        for (const ProgramCommand& command : split_program(text)) {
            RC_ASSERT(!command.header.empty());
            RC_ASSERT(!header_matches("VOLTage", command.header) || command.header.size() <= 7U);
        }
        RC_ASSERT(!header_matches(text, text + "X") || text.empty());
    });
}

TEST(ScpiPrograms, what_an_instrument_says_is_what_a_driver_reads) {
    EXPECT_EQ(print_nr3(4.2), "+4.20000000E+00");
    EXPECT_EQ(print_nr3(-0.05, 4), "-5.0000E-02");
    EXPECT_EQ(read_number(print_nr3(std::nan(""))).error(), ReplyFault::not_a_number);
    EXPECT_EQ(read_number(print_nr3(-std::numeric_limits<double>::infinity())).error(), ReplyFault::over_range);
    slowfilm::test::holds([] {
        const double value = static_cast<double>(*rc::gen::arbitrary<std::int64_t>()) / 1e12;
        RC_ASSERT(read_number(print_nr3(value, 17)).value() == value);
    });
}

}  // namespace
}  // namespace slowfilm::wire::test
