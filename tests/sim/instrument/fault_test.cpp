// What an instrument itself may get wrong.
#include "tests/sim/instrument/world.hpp"

#include <set>

namespace slowfilm::sim::instrument {
namespace {

World one_source(std::string_view more = "thermometer = true\n") {
    return World{circuit_cell("c1") + scpi("s", "two-quadrant source", more)};
}
void charge(World& world) {
    world.tell("s", "VOLT 4.2;CURR 1;CURR:SINK 1;:OUTP ON");
}

TEST(VirtualFault, rebooted_has_lost_its_settings_and_says_so_once) {
    World world = one_source();
    charge(world);
    (void)world.ask("s", "*ESR?");
    world.command("fault s rebooted");
    EXPECT_EQ(world.ask("s", "OUTP?;VOLT?;*ESR?;*ESR?"), "0;+0.00000000E+00;128;0");
    EXPECT_DOUBLE_EQ(world.number("s", "MEAS:CURR?"), 0.0);
}

TEST(VirtualFault, a_reboot_may_take_its_time) {
    World world = one_source();
    charge(world);
    world.command("fault s rebooted value 3");
    world.pass(2_s);
    EXPECT_EQ(world.ask("s", "*IDN?"), "");
    world.pass(1_s);
    EXPECT_EQ(world.ask("s", "OUTP?;*ESR?"), "0;128");
}

TEST(VirtualFault, stale_readings_stay_what_they_were) {
    World world = one_source();
    charge(world);
    world.command("fault s stale");
    const std::string before = world.ask("s", "MEAS:VOLT?;CURR?");
    world.pass(1_h);
    EXPECT_EQ(world.ask("s", "MEAS:VOLT?;CURR?"), before);
    world.command("clear s");
    EXPECT_NE(world.ask("s", "MEAS:VOLT?;CURR?"), before);
}

TEST(VirtualFault, readings_beyond_the_meter_are_no_values) {
    World world = one_source();
    charge(world);
    world.command("fault s over range");
    EXPECT_EQ(world.ask("s", "MEAS:VOLT?;CURR?;TEMP?"), "9.9E37;9.9E37;9.9E37");
    world.command("clear s");
    world.command("fault s stars");
    EXPECT_EQ(world.ask("s", "MEAS:VOLT?"), "*****");
    world.command("clear s");
    world.command("fault s saturated");
    EXPECT_DOUBLE_EQ(world.number("s", "MEAS:VOLT?"), 6.0);
    world.command("clear s");
    world.command("fault s decimal comma");
    EXPECT_NE(world.ask("s", "MEAS:VOLT?").find(','), std::string::npos);
    EXPECT_EQ(world.ask("s", "VOLT?"), "+4,20000000E+00");
}

TEST(VirtualFault, errors_may_stand_in_its_queue) {
    World world = one_source();
    world.command("fault s error queued value -240");
    world.command("fault s error queued");
    EXPECT_EQ(world.ask("s", "SYST:ERR?"), "-240,\"Hardware error\"");
    EXPECT_EQ(world.ask("s", "SYST:ERR?"), "-300,\"Device-specific error\"");
}

TEST(VirtualFault, a_settings_conflict_changes_another_setting_by_itself) {
    World world = one_source();
    charge(world);
    world.command("fault s settings conflict");
    EXPECT_EQ(world.ask("s", "VOLT 4;SYST:ERR?;:VOLT?;CURR?"),
              "-221,\"Settings conflict\";+4.20000000E+00;+5.00000000E-01");
    world.tell("s", "VOLT 4");
}

TEST(VirtualFault, a_stuck_output_is_told_as_off_and_goes_on) {
    World world = one_source();
    charge(world);
    world.command("fault s output stuck on");
    world.tell("s", "OUTP OFF");
    EXPECT_EQ(world.ask("s", "OUTP?"), "0");
    EXPECT_NEAR(world.number("s", "MEAS:CURR?"), 1.0, 1e-3);
    world.command("clear s");
    EXPECT_DOUBLE_EQ(world.number("s", "MEAS:CURR?"), 0.0);
}

TEST(VirtualFault, off_is_ignored_as_often_as_is_said) {
    World world = one_source();
    charge(world);
    world.command("fault s off ignored value 3");
    for (int count = 0; count < 3; ++count) {
        world.tell("s", "OUTP OFF");
        EXPECT_EQ(world.ask("s", "OUTP?"), "1");
    }
    world.tell("s", "OUTP OFF");
    EXPECT_EQ(world.ask("s", "OUTP?"), "0");
}

TEST(VirtualFault, its_protection_may_open_by_itself_and_may_stand_wrong) {
    World world = one_source();
    charge(world);
    world.command("fault s protection opened");
    EXPECT_EQ(world.ask("s", "OUTP?;VOLT:PROT:TRIP?"), "0;1");
    world.command("fault s protection wrong value 5.5");
    world.tell("s", "VOLT:PROT 4.3");
    EXPECT_DOUBLE_EQ(world.number("s", "VOLT:PROT?"), 5.5);
}

TEST(VirtualFault, a_hand_on_the_front_panel_changes_what_is_set_unless_it_is_locked) {
    World world = one_source();
    charge(world);
    world.command("front s volt 4.1");
    EXPECT_DOUBLE_EQ(world.number("s", "VOLT?"), 4.1);
    world.command("fault s panel turned setting curr value 0.7");
    EXPECT_DOUBLE_EQ(world.number("s", "CURR?"), 0.7);
    world.command("front s output 0");
    EXPECT_EQ(world.ask("s", "OUTP?"), "0");
    world.tell("s", "SYST:RWL");
    EXPECT_NE(world.refused("front s volt 4.0").find("locked"), std::string::npos);
    EXPECT_DOUBLE_EQ(world.number("s", "VOLT?"), 4.1);
}

TEST(VirtualFault, off_may_begin_to_sink_or_to_pull_to_zero) {
    for (const char* fault : {"fault s off sinks value 0.5", "fault s off to zero"}) {
        World world = one_source();
        const double before = world.number("s", "MEAS:VOLT?");
        world.command(fault);
        world.pass(30_min);
        EXPECT_LT(world.number("s", "MEAS:VOLT?"), before - 0.02) << fault;
        EXPECT_DOUBLE_EQ(world.number("s", "MEAS:CURR?"), 0.0) << fault;
        world.command("clear s");
        world.pass(1_h);
        const double after = world.number("s", "MEAS:VOLT?");
        world.pass(1_h);
        EXPECT_NEAR(world.number("s", "MEAS:VOLT?"), after, 2e-3) << fault;
    }
}

TEST(VirtualFault, a_thermometer_may_read_a_legal_nonsense_or_nothing) {
    World world = one_source();
    EXPECT_NEAR(world.number("s", "MEAS:TEMP?"), 25.0, 0.01);
    world.command("fault s thermometer value 150");
    EXPECT_DOUBLE_EQ(world.number("s", "MEAS:TEMP?"), 150.0);
    world.command("clear s");
    world.command("fault s thermometer");
    EXPECT_EQ(world.ask("s", "MEAS:TEMP?"), "9.9E37");
}

TEST(VirtualFault, what_an_instrument_cannot_have_is_refused_with_a_sentence) {
    World world{circuit_cell("c1") + scpi("s", "supply") + scpi("l", "load")};
    EXPECT_NE(world.refused("fault s contactor welded").find("cannot have that"), std::string::npos);
    EXPECT_NE(world.refused("fault l protection opened").find("cannot have that"), std::string::npos);
    EXPECT_NE(world.refused("fault s thermometers swapped").find("cannot have that"), std::string::npos);
    EXPECT_NE(world.refused("fault nobody silent").find("there are s, l"), std::string::npos);
    EXPECT_NE(world.refused("fault s tired").find("output stuck on"), std::string::npos);
    EXPECT_NE(world.refused("fault s late for soon").find("no time in seconds"), std::string::npos);
    EXPECT_NE(world.refused("fault s late after -1").find("no time in seconds"), std::string::npos);
    EXPECT_NE(world.refused("fault s late value").find("SECONDS"), std::string::npos);
    EXPECT_NE(world.refused("front s nose 4").find("curr-prot"), std::string::npos);
    EXPECT_NE(world.refused("front s volt 99").find("does not go to"), std::string::npos);
    EXPECT_NE(world.refused("plug s as ../etc").find("is no name"), std::string::npos);
    EXPECT_NE(world.refused("plug s as l").find("another port"), std::string::npos);
    EXPECT_NE(world.refused("plug s as clock").find("socket"), std::string::npos);
    EXPECT_NE(world.refused("cell c9 short 1").find("there are c1"), std::string::npos);
    EXPECT_NE(world.refused("cell c1 short 0").find("0.01 ohm"), std::string::npos);
    EXPECT_NE(world.refused("dance").find("help"), std::string::npos);
}

TEST(VirtualFault, one_output_of_several_may_have_it_alone) {
    World world{circuit_cell("c1") + circuit_cell("c2") +
                scpi("s", "two-quadrant source", "cells = [\"c1\", \"c2\"]\n")};
    world.command("fault s sense swapped output 2");
    EXPECT_GT(world.number("s", "MEAS1:VOLT?"), 3.0);
    EXPECT_LT(world.number("s", "MEAS2:VOLT?"), -3.0);
    world.command("fault s panel turned setting volt value 1.5 output 2");
    EXPECT_EQ(world.ask("s", "VOLT? (@1:2)"), "+0.00000000E+00,+1.50000000E+00");
    world.command("clear s");
    EXPECT_GT(world.number("s", "MEAS2:VOLT?"), 3.0);
    EXPECT_NE(world.refused("fault s stale output 3").find("no output 3"), std::string::npos);
    EXPECT_NE(world.refused("fault s stale output 1.5").find("is no output"), std::string::npos);
}

// Every kind is one that some instrument of the shipped bench can have, so that none is a word without a meaning.
TEST(VirtualFault, each_kind_happens_to_something) {
    const auto text = shipped_bench();
    std::set<std::string_view> happened;
    for (const std::string_view kind : fault_names()) {
        for (const char* name : {"src1", "psu", "load", "board", "temps", "oven"}) {
            World world{text};
            const std::string more = kind == "panel turned" ? " setting volt value 1" : "";
            if (console(world.bench(), "fault " + std::string{name} + " " + std::string{kind} + more) == "ok\n") {
                happened.insert(kind);
                world.pass(1_s);
                world.command("clear " + std::string{name});
                world.pass(1_s);
            }
        }
    }
    EXPECT_EQ(happened.size(), fault_kinds);
}

}  // namespace
}  // namespace slowfilm::sim::instrument
