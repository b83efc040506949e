// What instruments do to the cell between them: as one would see it with a voltmeter and an ammeter.
#include "tests/sim/instrument/world.hpp"

namespace slowfilm::sim::instrument {
namespace {

World supply_and_load() {
    return World{circuit_cell("c1") + scpi("p", "supply") + scpi("l", "load")};
}

TEST(VirtualWiring, a_source_charges_holds_and_discharges_and_says_which) {
    World world{circuit_cell("c1") + scpi("s", "two-quadrant source")};
    const double before = world.number("s", "MEAS:VOLT?");
    world.tell("s", "VOLT 4.2;CURR 1;CURR:SINK 0.5;:OUTP ON");
    EXPECT_NEAR(world.number("s", "MEAS:CURR?"), 1.0, 1e-4);
    EXPECT_GT(world.number("s", "MEAS:VOLT?"), before);
    EXPECT_EQ(world.ask("s", "SOUR:MODE?"), "CC");
    world.tell("s", "VOLT 2.8");
    EXPECT_NEAR(world.number("s", "MEAS:CURR?"), -0.5, 1e-4);
    EXPECT_EQ(world.ask("s", "SOUR:MODE?"), "CC");
    world.tell("s", "VOLT 4.2;CURR 2");
    world.pass(3_h);
    EXPECT_NEAR(world.number("s", "MEAS:VOLT?"), 4.2, 1e-4);
    EXPECT_EQ(world.ask("s", "SOUR:MODE?"), "CV");
    EXPECT_LT(world.number("s", "MEAS:CURR?"), 1.9);
    world.tell("s", "OUTP OFF");
    EXPECT_EQ(world.ask("s", "SOUR:MODE?;:MEAS:CURR?"), "OFF;+0.00000000E+00");
}

TEST(VirtualWiring, a_supply_gives_and_takes_nothing) {
    World world = supply_and_load();
    world.tell("p", "VOLT 3;CURR 1;:OUTP ON");  // below the cell
    EXPECT_NEAR(world.number("p", "MEAS:CURR?"), 0.0, 1e-4);
}

TEST(VirtualWiring, supply_and_load_see_the_same_cell_and_each_its_own_current) {
    World world = supply_and_load();
    EXPECT_EQ(world.ask("p", "MEAS:VOLT?"), world.ask("l", "MEAS:VOLT?"));
    const double rest = world.number("p", "MEAS:VOLT?");
    world.tell("p", "VOLT 4.2;CURR 1;:OUTP ON");
    EXPECT_NEAR(world.number("l", "MEAS:CURR?"), 0.0, 1e-4);
    world.tell("l", "VOLT:LOW 2.5;:CURR 0.4;:INP ON");
    EXPECT_NEAR(world.number("p", "MEAS:CURR?"), 1.0, 1e-4);
    EXPECT_NEAR(world.number("l", "MEAS:CURR?"), 0.4, 1e-4);
    world.tell("l", "CURR 2");
    world.pass(1_min);
    EXPECT_LT(world.number("p", "MEAS:VOLT?"), rest) << "more is taken than given";
    EXPECT_EQ(world.ask("l", "MODE?"), "CC");
    EXPECT_EQ(world.ask("p", "SOUR:MODE?"), "CC");
}

TEST(VirtualWiring, a_supply_that_holds_gives_what_the_load_takes) {
    World world = supply_and_load();
    world.tell("p", "VOLT 3.9;CURR 4;:OUTP ON");
    world.pass(5_h);
    const double alone = world.number("p", "MEAS:CURR?");
    world.tell("l", "VOLT:LOW 2.5;:CURR 1.5;:INP ON");
    world.pass(1_s);
    EXPECT_NEAR(world.number("p", "MEAS:CURR?"), alone + 1.5, 0.02);
    EXPECT_NEAR(world.number("l", "MEAS:CURR?"), 1.5, 1e-4);
    EXPECT_EQ(world.ask("p", "SOUR:MODE?"), "CV");
}

TEST(VirtualWiring, a_load_stops_at_its_own_cut_off) {
    World world = supply_and_load();
    world.tell("l", "VOLT:LOW 3.3;:CURR 5;:INP ON");
    world.pass(2_h);
    EXPECT_EQ(world.ask("l", "MODE?"), "LOW");
    EXPECT_NEAR(world.number("l", "MEAS:VOLT?"), 3.3, 2e-3);
    EXPECT_LT(world.number("l", "MEAS:CURR?"), 1.0);
}

TEST(VirtualWiring, a_supply_set_below_a_load_that_pulls_the_cell_down_takes_over) {
    World world = supply_and_load();
    world.tell("p", "VOLT 3.4;CURR 3;:OUTP ON");
    world.tell("l", "VOLT:LOW 2.8;:CURR 2;:INP ON");
    EXPECT_NEAR(world.number("p", "MEAS:CURR?"), 0.0, 1e-4) << "the cell is still above";
    world.pass(2_h);
    EXPECT_NEAR(world.number("p", "MEAS:VOLT?"), 3.4, 2e-3);
    EXPECT_NEAR(world.number("p", "MEAS:CURR?"), 2.0, 0.1) << "it now feeds the load";
}

TEST(VirtualWiring, off_may_sink_through_a_resistor_that_its_own_ammeter_does_not_see) {
    World world{circuit_cell("c1") + scpi("s", "supply", "off_state = \"sinks\"\noff_resistance = \"10 ohm\"\n")};
    const double before = world.number("s", "MEAS:VOLT?");
    world.pass(1_h);
    EXPECT_LT(world.number("s", "MEAS:VOLT?"), before - 0.01);
    EXPECT_DOUBLE_EQ(world.number("s", "MEAS:CURR?"), 0.0);
}

TEST(VirtualWiring, off_may_go_to_zero_volts) {
    World world{circuit_cell("c1") + scpi("s", "supply", "off_state = \"goes to 0 V\"\n")};
    world.pass(4_h);
    EXPECT_LT(world.number("s", "MEAS:VOLT?"), 0.1);
    EXPECT_DOUBLE_EQ(world.number("s", "MEAS:CURR?"), 0.0);
}

TEST(VirtualWiring, a_contactor_isolates_until_it_welds) {
    World world{circuit_cell("c1") + scpi("s", "supply", "off_state = \"goes to 0 V\"\ncontactor = true\n")};
    const double before = world.number("s", "MEAS:VOLT?");
    world.pass(1_h);
    EXPECT_NEAR(world.number("s", "MEAS:VOLT?"), before, 0.01);
    world.tell("s", "ROUT:CLOS");
    EXPECT_EQ(world.ask("s", "ROUT:CLOS?;OPEN?"), "1;0");
    world.command("fault s contactor welded");
    world.tell("s", "ROUT:OPEN");
    EXPECT_EQ(world.ask("s", "ROUT:CLOS?"), "0");
    world.pass(10_min);
    EXPECT_LT(world.number("s", "MEAS:VOLT?"), before - 0.02);
}

TEST(VirtualWiring, its_own_protection_opens_it_and_stays_open) {
    World world{circuit_cell("c1") + scpi("s", "two-quadrant source")};
    world.tell("s", "VOLT:PROT 3.5;:VOLT 3.5;CURR 3;:OUTP ON;:VOLT:PROT 3.4");
    world.pass(1_min);
    EXPECT_EQ(world.ask("s", "OUTP?;VOLT:PROT:TRIP?;:STAT:QUES:COND?"), "0;1;1");
    world.tell("s", "OUTP ON");
    EXPECT_EQ(world.ask("s", "OUTP?"), "0");
    world.tell("s", "VOLT:PROT 6;:OUTP:PROT:CLE;:OUTP ON");
    EXPECT_EQ(world.ask("s", "OUTP?;VOLT:PROT:TRIP?"), "1;0");
}

TEST(VirtualWiring, a_crowbar_shorts_the_cell) {
    World world{circuit_cell("c1") + scpi("s", "supply", "own_protection = \"crowbar\"\n")};
    const double before = world.number("s", "MEAS:VOLT?");
    world.tell("s", "VOLT 4;CURR 3;:OUTP ON");
    world.command("fault s protection opened");
    world.pass(5_s);
    EXPECT_LT(world.number("s", "MEAS:VOLT?"), before - 0.2) << "20 A through the cell's own resistance";
    EXPECT_DOUBLE_EQ(world.number("s", "MEAS:CURR?"), 0.0);
    World other{circuit_cell("c1") + scpi("s", "supply")};
    other.command("fault s crowbar");
    other.pass(5_s);
    const double down = other.number("s", "MEAS:VOLT?");
    other.command("clear s");
    other.pass(5_s);
    EXPECT_GT(other.number("s", "MEAS:VOLT?"), down + 0.1);
}

TEST(VirtualWiring, a_short_across_the_cell_is_no_instruments_current) {
    World world = supply_and_load();
    const double before = world.number("p", "MEAS:VOLT?");
    world.command("cell c1 short 0.5");
    world.pass(2_s);
    const double down = world.number("p", "MEAS:VOLT?");
    EXPECT_LT(down, before - 0.05);
    EXPECT_DOUBLE_EQ(world.number("p", "MEAS:CURR?"), 0.0);
    world.command("cell c1 clear");
    world.pass(10_min);
    EXPECT_GT(world.number("p", "MEAS:VOLT?"), down + 0.05);
}

TEST(VirtualWiring, swapped_sense_leads_read_negative_and_drive_the_cell_up) {
    World world{circuit_cell("c1") + scpi("s", "two-quadrant source", "sense_leads = \"swapped\"\nterminals = true\n")};
    EXPECT_LT(world.number("s", "MEAS:VOLT?"), -3.0);
    world.tell("s", "VOLT:PROT 4.3;:VOLT 3.6;CURR 2;:OUTP ON");
    world.pass(1_h);
    EXPECT_GT(world.number("s", "MEAS:VOLT:TERM?"), 3.7) << "past what it was set to";
    world.pass(5_h);
    EXPECT_EQ(world.ask("s", "OUTP?;VOLT:PROT:TRIP?"), "0;1") << "its protection watches its terminals";
}

TEST(VirtualWiring, a_lifted_sense_lead_reads_nothing_and_its_terminals_tell) {
    World world{circuit_cell("c1") + scpi("s", "two-quadrant source", "terminals = true\n")};
    world.tell("s", "VOLT 3.6;CURR 1;:OUTP ON");
    world.command("fault s sense lifted");
    EXPECT_NEAR(world.number("s", "MEAS:VOLT?"), 0.0, 1e-4);
    EXPECT_GT(world.number("s", "MEAS:VOLT:TERM?"), 3.3);
    world.command("clear s");
    EXPECT_GT(world.number("s", "MEAS:VOLT?"), 3.3);
}

TEST(VirtualWiring, sense_leads_at_a_neighbour_let_the_own_cell_climb_unseen) {
    World world{circuit_cell("c1") + circuit_cell("c2") +
                scpi("s", "two-quadrant source", "cell = \"c1\"\nsense_cell = \"c2\"\n") + scpi("v", "supply") +
                scpi("w", "supply", "cell = \"c2\"\n")};
    const double rest = world.number("w", "MEAS:VOLT?");
    world.tell("s", "VOLT:PROT 7;:VOLT 4.2;CURR 3;:OUTP ON");
    world.pass(2_h);
    EXPECT_EQ(world.ask("s", "MEAS:VOLT?"), world.ask("w", "MEAS:VOLT?"));
    EXPECT_NEAR(world.number("w", "MEAS:VOLT?"), rest, 2e-3) << "nothing flows in the cell that it reads";
    EXPECT_GT(world.number("v", "MEAS:VOLT?"), 4.3) << "past what it was set to";
    EXPECT_NEAR(world.number("s", "MEAS:CURR?"), 3.0, 1e-3);
    world.tell("s", "CURR:SINK 1;:VOLT 3");
    world.pass(1_s);
    EXPECT_NEAR(world.number("s", "MEAS:CURR?"), -1.0, 1e-3) << "the neighbour is above what it is set to";
}

TEST(VirtualWiring, an_electrochemical_cell_is_charged_through_its_port) {
    World world{"[[cell]]\nname = \"c1\"\nlike = \"NMC/graphite\"\ncapacity = \"5 Ah\"\nstate = \"pristine\"\n" +
                scpi("s", "two-quadrant source")};
    EXPECT_LT(world.number("s", "MEAS:VOLT?"), 0.6) << "a cell just filled";
    world.tell("s", "VOLT 4.2;CURR 0.25;:OUTP ON");
    world.pass(2_h);
    EXPECT_GT(world.number("s", "MEAS:VOLT?"), 3.0);
    EXPECT_NEAR(world.number("s", "MEAS:CURR?"), 0.25, 1e-4);
}

}  // namespace
}  // namespace slowfilm::sim::instrument
