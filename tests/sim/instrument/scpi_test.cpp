// Standards: IEEE 488.2-1992 and SCPI-1999, from memory where no source stands beside a check.
#include "tests/sim/instrument/world.hpp"

namespace slowfilm::sim::instrument {
namespace {

World one_source(std::string_view more = "") {
    return World{circuit_cell("c1") + scpi("s", "two-quadrant source", more)};
}

TEST(VirtualScpi, says_that_it_is_one_of_our_virtual_instruments) {
    World world = one_source();
    EXPECT_EQ(world.ask("s", "*IDN?"), "slowfilm,virtual two-quadrant source,s,1");
    const auto identity = wire::read_identity(world.ask("s", "*idn?"));
    ASSERT_TRUE(identity);
    EXPECT_EQ(identity->serial, "s");
    world.command("fault s wrong identity");
    EXPECT_FALSE(world.ask("s", "*IDN?").starts_with("slowfilm"));
}

TEST(VirtualScpi, takes_the_exact_short_and_long_forms_and_nothing_between) {
    World world = one_source();
    for (const char* line : {"VOLT 1.5", "VOLTAGE 1.5", "sour:volt:lev:imm:ampl 1.5", "SOURce1:VOLTage 1.5",
                             ":VOLT 1500 mV", "VOLT 1.5E0", "VOLT 1.5V", "VOLT\t1.5", " VOLT 1.5 ", "VOLT 1.5\r"}) {
        world.tell("s", "VOLT 0");
        world.tell("s", line);
        EXPECT_DOUBLE_EQ(world.number("s", "VOLT?"), 1.5) << line;
    }
    for (const char* line :
         {"VOLTA 1.5", "VOL 1.5", "SOURC:VOLT 1.5", "VOLT:LEVE 1.5", "VOLT:AMPL:LEV 1.5", "OUTPU ON"}) {
        EXPECT_EQ(world.ask("s", line), "");
        EXPECT_EQ(world.ask("s", "SYST:ERR?"), "-113,\"Undefined header\"") << line;
    }
}

TEST(VirtualScpi, goes_on_in_the_subtree_after_a_semicolon) {
    World world = one_source();
    world.tell("s", "SOUR:VOLT 2;CURR 0.5;:OUTP ON;*CLS");
    EXPECT_EQ(world.ask("s", "SOUR:VOLT?;CURR?;:OUTP?"), "+2.00000000E+00;+5.00000000E-01;1");
    world.tell("s", "VOLT:PROT 5;PROT:STAT ON");
    EXPECT_DOUBLE_EQ(world.number("s", "VOLT:PROT?"), 5.0);
}

// SCPI-1999 vol. 2, 21.8: numbers and their classes' bits of the event register.
TEST(VirtualScpi, puts_each_error_into_its_queue_and_its_class_into_the_event_register) {
    struct Case {
        const char* line;
        int number;
        int bit;
    };
    World world = one_source("cells = [\"c1\"]\n");
    EXPECT_EQ(world.ask("s", "*ESR?"), "128") << "it has just been switched on";
    for (const Case& one :
         {Case{"VOLT&5", -102, 32},       Case{"VOLT abc", -104, 32},    Case{"VOLT 1,2", -108, 32},
          Case{"VOLT? 1,2", -108, 32},    Case{"*RST 1", -108, 32},      Case{"VOLT", -109, 32},
          Case{"VOLT ,", -109, 32},       Case{"NONSENSE", -113, 32},    Case{"MEAS:VOLT", -113, 32},
          Case{"*RST?", -113, 32},        Case{"OUTP2 ON", -114, 32},    Case{"SOUR1:VOLT2 1", -114, 32},
          Case{"VOLT 1 A", -131, 32},     Case{"VOLT 6.1", -222, 16},    Case{"VOLT -1", -222, 16},
          Case{"CURR 1e30", -222, 16},    Case{"VOLT 9.9E37", -222, 16}, Case{"OUTP MAYBE", -224, 16},
          Case{"OUTP ON,(@2)", -224, 16}, Case{"OUTP ON,(@", -224, 16},  Case{"VOLT 1.2.3", -104, 32},
          Case{"VOLT nan", -104, 32},     Case{"ROUT:CLOS", -113, 32},   Case{"MEAS:TEMP?", -113, 32}}) {
        EXPECT_EQ(world.ask("s", one.line), "") << one.line;
        EXPECT_EQ(world.ask("s", "*ESR?"), std::to_string(one.bit)) << one.line;
        EXPECT_EQ(world.ask("s", "*STB?"), "4") << one.line;
        const auto error = wire::read_error(world.ask("s", "SYST:ERR?"));
        ASSERT_TRUE(error) << one.line;
        EXPECT_EQ(error->number, one.number) << one.line;
        EXPECT_EQ(world.ask("s", "SYST:ERR?"), "0,\"No error\"") << one.line;
    }
}

TEST(VirtualScpi, loses_the_newest_errors_when_its_queue_overflows) {
    World world = one_source();
    for (int count = 0; count < 30; ++count) {
        (void)world.ask("s", "NONSENSE");
    }
    (void)world.ask("s", "VOLT 99");
    EXPECT_EQ(world.ask("s", "SYST:ERR:COUN?"), "20");
    for (int count = 0; count < 19; ++count) {
        EXPECT_EQ(world.ask("s", "SYST:ERR?"), "-113,\"Undefined header\"");
    }
    EXPECT_EQ(world.ask("s", "SYST:ERR?"), "-350,\"Queue overflow\"");
    EXPECT_EQ(world.ask("s", "SYST:ERR?"), "0,\"No error\"");
}

TEST(VirtualScpi, keeps_its_registers_as_the_standard_says) {
    World world = one_source();
    EXPECT_EQ(world.ask("s", "*ESR?;*ESR?"), "128;0") << "reading clears";
    world.tell("s", "*OPC");
    EXPECT_EQ(world.ask("s", "*ESR?;*OPC?;*TST?;SYST:VERS?"), "1;1;0;1999.0");
    world.tell("s", "*ESE 32;*SRE 36");
    (void)world.ask("s", "NONSENSE");
    EXPECT_EQ(world.ask("s", "*STB?"), "100") << "error queue 4, event 32, and service asked for 64";
    EXPECT_EQ(world.ask("s", "*STB?"), "100") << "reading does not clear it";
    (void)world.ask("s", "*CLS");
    world.tell("s", "*RST;*WAI");
    (void)world.ask("s", "NONSENSE");
    EXPECT_EQ(world.ask("s", "*RST;*ESR?"), "32") << "*RST clears no register";
    (void)world.ask("s", "NONSENSE");
    EXPECT_EQ(world.ask("s", "*CLS;*ESR?;*STB?"), "0;0");
    EXPECT_EQ(world.ask("s", "*ESE?;*SRE?"), "32;36") << "*CLS clears no mask";
    EXPECT_EQ(world.ask("s", "*ESE 70000;SYST:ERR?"), "-222,\"Data out of range\"");
}

TEST(VirtualScpi, sets_what_it_can_resolve_and_reads_that_back) {
    World world = one_source();
    world.tell("s", "VOLT 4.20049;CURR 0.0016");
    EXPECT_EQ(world.ask("s", "VOLT?;CURR?"), "+4.20000000E+00;+2.00000000E-03");
    EXPECT_EQ(world.ask("s", "VOLT? MAX;CURR? MIN"), "+6.00000000E+00;+0.00000000E+00");
    world.tell("s", "CURR:SINK MAX");
    EXPECT_DOUBLE_EQ(world.number("s", "CURR:SINK?"), 6.0);
}

TEST(VirtualScpi, has_several_outputs_by_suffix_selection_and_channel_list) {
    World world{circuit_cell("c1") + circuit_cell("c2") +
                scpi("s", "two-quadrant source", "cells = [\"c1\", \"c2\"]\n")};
    world.tell("s", "SOUR2:VOLT 4;CURR2 0.3;:VOLT 3,(@1)");
    EXPECT_EQ(world.ask("s", "VOLT? (@1,2)"), "+3.00000000E+00,+4.00000000E+00");
    EXPECT_EQ(world.ask("s", "VOLT? (@1:2)"), "+3.00000000E+00,+4.00000000E+00");
    EXPECT_EQ(world.ask("s", "VOLT?;:INST:NSEL 2;NSEL?;:VOLT?"), "+3.00000000E+00;2;+4.00000000E+00");
    world.tell("s", "OUTP ON,(@1:2)");
    EXPECT_EQ(world.ask("s", "OUTP1?;OUTP2?;OUTP? (@2,1)"), "1;1;1,1");
    EXPECT_EQ(world.ask("s", "INST:NSEL 3;:SYST:ERR?"), "-222,\"Data out of range\"");
    world.tell("s", "*RST");
    EXPECT_EQ(world.ask("s", "OUTP? (@1,2);:INST:NSEL?"), "0,0;1");
}

TEST(VirtualScpi, takes_no_setting_in_local_where_it_must_be_remote) {
    World world = one_source("remote_needed = true\n");
    EXPECT_EQ(world.ask("s", "VOLT 3;SYST:ERR?;:VOLT?"), "-201,\"Invalid while in local\";+0.00000000E+00");
    world.tell("s", "SYST:REM;:VOLT 3");
    EXPECT_DOUBLE_EQ(world.number("s", "VOLT?"), 3.0);
    (void)world.ask("s", "SYST:LOC;:VOLT 4");
    EXPECT_EQ(world.ask("s", "VOLT?;SYST:ERR?"), "+3.00000000E+00;-201,\"Invalid while in local\"");
}

TEST(VirtualScpi, refuses_a_voltage_above_its_own_protection) {
    World world = one_source();
    world.tell("s", "VOLT:PROT 4.3;:VOLT 4.2");
    EXPECT_EQ(world.ask("s", "VOLT 4.4;SYST:ERR?;:VOLT?"), "-221,\"Settings conflict\";+4.20000000E+00");
    EXPECT_EQ(world.ask("s", "VOLT:PROT 0.4;:SYST:ERR?"), "-222,\"Data out of range\"");
    world.tell("s", "VOLT:PROT:STAT OFF;:VOLT 4.4");
}

TEST(VirtualScpi, drops_a_line_that_is_longer_than_its_buffer) {
    World world = one_source();
    EXPECT_EQ(world.ask("s", std::string(5'000, 'x')), "");
    EXPECT_EQ(world.ask("s", "SYST:ERR?"), "-363,\"Input buffer overrun\"");
}

TEST(VirtualScpi, a_supply_and_a_load_know_only_what_they_are) {
    World world{circuit_cell("c1") + scpi("p", "supply") + scpi("l", "load")};
    for (const char* line : {"CURR:SINK 1", "VOLT:LOW 3"}) {
        EXPECT_EQ(world.ask("p", line), "");
        EXPECT_EQ(world.ask("p", "SYST:ERR?"), "-113,\"Undefined header\"") << line;
    }
    for (const char* line : {"VOLT 1", "VOLT:PROT 3", "VOLT:PROT:STAT ON"}) {
        EXPECT_EQ(world.ask("l", line), "");
        EXPECT_EQ(world.ask("l", "SYST:ERR?"), "-113,\"Undefined header\"") << line;
    }
    EXPECT_EQ(world.ask("l", "FUNC VOLT;SYST:ERR?"), "-224,\"Illegal parameter value\"");
    EXPECT_EQ(world.ask("l", "FUNC CURR;FUNC?"), "CURR");
}

// The lines that the profiles of config/instruments send: none may be foreign to the instrument it is for.
TEST(VirtualScpi, understands_the_lines_of_the_shipped_profiles) {
    World world{circuit_cell("c1") + scpi("s", "two-quadrant source") + scpi("p", "supply") + scpi("l", "load")};
    for (const char* line : {"*CLS", "SYST:REM", "SYST:RWL", "SYST:RSEN ON", "SYST:RSEN OFF", "OUTP1 ON", "OUTP1 OFF",
                             "SOUR1:VOLT 4.2", "SOUR1:CURR 0.25", "SOUR1:CURR:SINK 0.25", "SOUR1:VOLT:PROT 4.3",
                             "SOUR1:VOLT:PROT:STAT ON", "SOUR1:CURR:PROT 0.5", "INST:NSEL 1;:VOLT 4.2"}) {
        world.tell("s", line);
    }
    for (const char* line : {"SYST:RSEN?", "OUTP1?", "SOUR1:VOLT?", "MEAS1:VOLT?", "SOUR1:CURR?", "MEAS1:CURR?",
                             "SOUR1:CURR:SINK?", "SOUR1:VOLT:PROT?", "SOUR1:VOLT:PROT:STAT?", "SOUR1:VOLT:PROT:TRIP?",
                             "SOUR1:CURR:PROT?", "SOUR1:MODE?", "*ESR?"}) {
        EXPECT_NE(world.ask("s", line), "") << line;
        EXPECT_EQ(world.ask("s", "SYST:ERR?"), "0,\"No error\"") << line;
    }
    for (const char* line : {"OUTP?", "VOLT?", "MEAS:VOLT?", "CURR?", "MEAS:CURR?", "VOLT:PROT?", "VOLT:PROT:STAT?",
                             "VOLT:PROT:TRIP?", "SOUR:MODE?"}) {
        EXPECT_NE(world.ask("p", line), "") << line;
    }
    for (const char* line : {"FUNC CURR", "INP ON", "INP OFF", "VOLT:LOW 2.5", "CURR 0.5"}) {
        world.tell("l", line);
    }
    for (const char* line : {"FUNC?", "INP?", "VOLT:LOW?", "MEAS:VOLT?", "CURR?", "MEAS:CURR?", "MODE?"}) {
        EXPECT_NE(world.ask("l", line), "") << line;
    }
}

}  // namespace
}  // namespace slowfilm::sim::instrument
