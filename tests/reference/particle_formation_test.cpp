// Whole formations of the electrochemical cell: against measured discharges, and against an independent statement of
// the same equations (equal shells, implicit Euler steps of 5 s, plain double precision) whose figures stand here.
#include "tests/sim/cell/formation.hpp"

#include <cmath>
#include <tuple>

#include <gtest/gtest.h>

namespace slowfilm {
namespace {

using test::Formation;
using test::Leg;
using test::pouch;

TEST(MeasuredDischarges, of_the_NMC_graphite_pouch_cell_have_their_capacity_within_a_hundredth) {
    // Public measurements of the cell behind the open standard's example parameters, 34 pairs, integrated: C/20 13.096
    // Ah, C/2 13.013 Ah, 1C 12.938 Ah (C = 12.5 A), at 25 degC from full to 2.7 V.
    for (const auto& [current, measured] : {std::pair{0.625, 13.096}, {6.25, 13.013}, {12.5, 12.938}}) {
        sim::ParticleParameters p = pouch();
        p.film.grows = false;
        p.leakage_resistance = 1e300;
        p.formed_charge = 1.0;
        p.cooling = 1e4;  // isothermal
        p = sim::scaled(p, 5.0 * 34.0 / 14.0);
        Formation run(p, CellState::formed);
        const Leg leg = run.current(-current, 2.7);
        EXPECT_NEAR(-leg.charge / measured, 1.0, 0.01) << current << " A: " << -leg.charge << " Ah";
    }
}

TEST(Formation, of_the_pouch_cell_has_the_efficiencies_of_the_independent_statement) {
    Formation run(pouch());
    const auto first = run.cycle(0.5, 4.2, 2.7, 0.1);
    const double thickness = run.cell.report().film_thickness;
    const auto second = run.cycle(0.5, 4.2, 2.7, 0.1);
    const auto third = run.cycle(0.5, 4.2, 2.7, 0.1);
    EXPECT_NEAR(first.efficiency(), 0.8825, 0.001);
    EXPECT_NEAR(second.efficiency(), 0.9930, 0.001);
    EXPECT_NEAR(third.efficiency(), 0.9964, 0.001);
    EXPECT_NEAR(first.in(), 5.6127, 0.002);
    EXPECT_NEAR(first.out(), 4.9533, 0.002);
    EXPECT_NEAR(first.charge.seconds, 40111.0, 5.0);
    EXPECT_NEAR(first.hold.charge, 0.04172, 0.0005);
    EXPECT_NEAR(first.rest.voltage, 4.1972, 2e-4);
    EXPECT_NEAR(first.last_rest.voltage, 2.8018, 5e-3);
    EXPECT_NEAR(thickness, 25.30e-9, 0.05e-9);
}

TEST(Formation, of_the_pouch_cell_follows_the_first_charge_within_2_mV) {
    Formation run(pouch());
    run.keep = true;
    const Leg charge = run.current(0.5, 4.2);
    EXPECT_NEAR(charge.charge, 5.5710, 1e-3);
    for (const auto& [ampere_hours, voltage] : {std::pair{0.10, 2.8757},
                                                {0.15, 2.9810},
                                                {0.20, 3.0638},
                                                {0.30, 3.1859},
                                                {0.40, 3.2813},
                                                {0.50, 3.3642},
                                                {0.75, 3.4755},
                                                {1.00, 3.5070},
                                                {1.50, 3.5631},
                                                {2.00, 3.6181},
                                                {2.50, 3.6510},
                                                {3.00, 3.6925},
                                                {3.50, 3.7530},
                                                {4.00, 3.8346},
                                                {4.50, 3.9355},
                                                {5.00, 4.0525},
                                                {5.25, 4.1156}}) {
        const auto second = static_cast<std::size_t>(std::lround(ampere_hours / 0.5 * 3600.0)) - 1;
        EXPECT_NEAR(run.voltage_by_charge[second].first, ampere_hours, 1e-4);
        EXPECT_NEAR(run.voltage_by_charge[second].second, voltage, 2e-3) << ampere_hours << " Ah";
    }
}

TEST(Formation, of_the_other_sets_has_the_efficiencies_of_the_independent_statement) {
    Formation siox(sim::particle_set("nmc-graphite-siox-cylindrical-5ah").value());
    const auto a1 = siox.cycle(0.5, 4.2, 2.5, 0.1);
    const auto a2 = siox.cycle(0.5, 4.2, 2.5, 0.1);
    EXPECT_NEAR(a1.efficiency(), 0.8637, 0.001);
    EXPECT_NEAR(a2.efficiency(), 0.9930, 0.001);
    EXPECT_NEAR(a1.in(), 5.6029, 0.01);
    Formation lfp(sim::particle_set("lfp-graphite-cylindrical-2ah").value());
    const auto c1 = lfp.cycle(0.2, 3.65, 2.0, 0.04);
    const auto c2 = lfp.cycle(0.2, 3.65, 2.0, 0.04);
    EXPECT_NEAR(c1.efficiency(), 0.9071, 0.001);
    EXPECT_NEAR(c2.efficiency(), 0.9940, 0.001);
    EXPECT_NEAR(c1.in(), 2.1727, 0.005);
}

// --- whole protocols, within 2 % of the independent statement

void within(double value, double expected, const char* what) {
    EXPECT_NEAR(value, expected, 0.02 * std::abs(expected)) << what;
}

TEST(WholeProtocols, a_staged_formation_with_a_tap_and_a_soak) {
    Formation run(pouch());
    const Leg tap = run.current(0.1, 1.5);
    within(tap.seconds, 91.4, "tap");  // of steps of 0.25 s
    EXPECT_NEAR(run.rest(12 * 3600.0).voltage, 1.111, 0.02 * 1.111);
    within(run.current(0.25, 3.0).charge, 0.174, "to 3.0 V");
    within(run.current(0.5, 3.7).charge, 2.896, "to 3.7 V");
    within(run.current(1.0, 4.2).charge, 2.449, "to 4.2 V");
    within(run.hold(4.2, 0.25).charge, 0.0761, "hold");
    EXPECT_NEAR(run.rest(3600.0).voltage, 4.1931, 2e-3);
    within(run.current(-1.0, 2.7).charge, -4.944, "discharge");
    (void)run.rest(1800.0);
    within(run.current(1.0, 4.2).charge, 4.868, "second charge");
    within(run.hold(4.2, 0.25).charge, 0.078, "second hold");
    (void)run.rest(3600.0);
    within(run.current(-1.0, 2.7).charge, -4.913, "second discharge");
    within(run.time / 3600.0, 38.5, "hours");
    within(run.cell.report().film_charge, 0.6308, "film");
}

TEST(WholeProtocols, rates_by_stages) {
    Formation run(pouch());
    within(run.current(0.5, 3.4).charge, 0.553, "C/10 to 3.4 V");
    within(run.current(5.0 / 3.0, 4.2).charge, 4.907, "C/3 to 4.2 V");
    within(run.hold(4.2, 0.25).charge, 0.1379, "hold");
    within(run.cell.report().lowest_graphite, 0.0705, "lowest graphite potential");
    within(run.current(-5.0 / 3.0, 2.7).charge, -4.961, "discharge");
    within(run.time / 3600.0, 7.22, "hours");
    within(run.cell.report().film_charge, 0.571, "film");
}

TEST(WholeProtocols, shallow_cycles_in_the_middle) {
    Formation run(pouch());
    const Leg first = run.current(5.0, 3.9);
    within(first.charge, 3.899, "1C to 3.9 V");
    EXPECT_NEAR(run.cell.at(run.time).temperature, 29.21, 0.02 * 29.21);
    within(run.current(1.0, 4.2).charge, 1.6216, "first leg");
    for (int i = 0; i < 4; ++i) {
        within(run.current(-1.0, 3.9).charge, -1.0, "down");
        within(run.current(1.0, 4.2).charge, 1.0, "up");
    }
    within(run.current(-1.0, 3.9).charge, -0.9973, "last down");
    within(run.current(-5.0 / 3.0, 2.7).charge, -3.834, "discharge");
    within(run.time / 3600.0, 13.7, "hours");
    within(run.cell.report().film_charge, 0.6245, "film");
}

TEST(WholeProtocols, a_stop_for_degassing) {
    Formation run(pouch());
    const Leg first = run.current(0.5, 4.2, 1.5);
    within(first.seconds / 3600.0, 3.003, "hours of 1.5 Ah");
    EXPECT_NEAR(first.voltage, 3.5633, 2e-3);
    EXPECT_NEAR(run.rest(24 * 3600.0).voltage, 3.5404, 2e-3);
    within(run.current(0.5, 4.2).charge, 4.072, "rest of the charge");
    (void)run.hold(4.2, 0.1);
    within(run.current(-0.5, 2.7).charge, -4.954, "discharge");
    within(run.time / 3600.0, 45.2, "hours");
    within(run.cell.report().film_charge, 0.6119, "film");
}

TEST(Storage, loses_voltage_by_its_leak_and_hardly_by_its_film) {
    // Open circuit 1, 24, 48 and 336 h after a hold at 4.2 V.
    for (const auto& [leak, v1, v24, v48, v336] : {std::tuple{1e300, 4.19715, 4.19631, 4.19601, 4.19508},
                                                   {4e4, 4.19712, 4.19563, 4.19466, 4.18559},
                                                   {4e3, 4.19685, 4.18953, 4.18248, 4.10275},
                                                   {5e2, 4.19490, 4.14294, 4.09113, 3.67644}}) {
        sim::ParticleParameters p = pouch();
        p.leakage_resistance = leak;
        Formation run(p);
        (void)run.current(0.5, 4.2);
        (void)run.hold(4.2, 0.1);
        run.tick = 60.0;
        EXPECT_NEAR(run.rest(3600.0).voltage, v1, 2e-4) << leak;
        EXPECT_NEAR(run.rest(23 * 3600.0).voltage, v24, 3e-4) << leak;
        EXPECT_NEAR(run.rest(24 * 3600.0).voltage, v48, 3e-4) << leak;
        EXPECT_NEAR(run.rest(288 * 3600.0).voltage, v336, leak < 1e3 ? 2e-3 : 5e-4) << leak;
    }
}

TEST(Resistance, by_two_discharge_pulses_is_18_milliohm) {
    // As IEC 61960-3 measures it (from memory): 0.2 It for 10 s, then 1 It for 1 s; about half charged.
    Formation run(pouch());
    (void)run.current(0.5, 4.2);
    (void)run.hold(4.2, 0.1);
    (void)run.rest(600.0);
    (void)run.current(-0.5, 2.7, 2.5);
    EXPECT_NEAR(run.rest(3600.0).voltage, 3.68982, 2e-3);
    run.cell.drive(run.time, sim::CurrentDrive{-1.0, 10.0, 0.0});
    const double u1 = run.cell.at(run.time + 10.0).voltage;
    run.cell.drive(run.time + 10.0, sim::CurrentDrive{-5.0, 10.0, 0.0});
    const double u2 = run.cell.at(run.time + 11.0).voltage;
    EXPECT_NEAR((u1 - u2) / 4.0, 18.42e-3, 0.1e-3);
}

// --- trends, in sign and order

struct Outcome {
    double first, second, film, lowest;
};
Outcome formed(double rate, double celsius) {
    sim::ParticleParameters p = pouch();
    p.ambient = celsius;
    Formation run(p);
    const auto one = run.cycle(5.0 * rate, 4.2, 2.7, 0.1);
    const double film = run.cell.report().film_charge;
    const auto two = run.cycle(5.0 * rate, 4.2, 2.7, 0.1);
    return {one.efficiency(), two.efficiency(), film, run.cell.report().lowest_graphite};
}

TEST(Trends, slower_charges_make_more_film_and_faster_ones_bring_the_graphite_nearer_to_lithium) {
    const double rates[] = {0.02, 0.05, 0.1, 0.2, 1.0 / 3.0};
    const double efficiency[] = {0.8738, 0.8793, 0.8825, 0.8849, 0.8856};
    const double lowest[] = {0.0922, 0.0897, 0.0859, 0.0788, 0.0697};
    Outcome before{};
    for (int i = 0; i < 5; ++i) {
        const Outcome now = formed(rates[i], 25.0);
        EXPECT_NEAR(now.first, efficiency[i], 0.001) << rates[i];
        EXPECT_NEAR(now.lowest, lowest[i], 0.001) << rates[i];
        if (i > 0) {
            EXPECT_GT(now.first, before.first);
            EXPECT_LT(now.film, before.film);
            EXPECT_LT(now.lowest, before.lowest);
        }
        before = now;
    }
    const Outcome one = formed(1.0, 25.0);  // at 1C what is left in the positive electrode outweighs the thinner film
    EXPECT_NEAR(one.first, 0.8822, 0.0015);
    EXPECT_NEAR(one.lowest, 0.0408, 0.002);
    EXPECT_LT(one.film, before.film);
}

TEST(Trends, warmth_makes_more_film_and_cold_brings_the_graphite_nearer_to_lithium) {
    const double celsius[] = {10.0, 25.0, 45.0, 60.0};
    const double efficiency[] = {0.8832, 0.8825, 0.8810, 0.8796};
    const double lowest[] = {0.0712, 0.0859, 0.0914, 0.0926};
    Outcome before{};
    for (int i = 0; i < 4; ++i) {
        const Outcome now = formed(0.1, celsius[i]);
        EXPECT_NEAR(now.first, efficiency[i], 0.001) << celsius[i];
        EXPECT_NEAR(now.lowest, lowest[i], 0.001) << celsius[i];
        if (i > 0) {
            EXPECT_LT(now.first, before.first);
            EXPECT_GT(now.film, before.film);
        }
        before = now;
    }
}

TEST(Trends, cold_and_rate_together_plate_lithium) {
    // Without plating's own current the graphite falls to -8 mV at 0 degC and C/2, to -9 mV at -10 degC and C/5, over
    // two cycles.
    for (const auto& [celsius, rate, expected] :
         {std::tuple{0.0, 0.5, -0.0084}, {-10.0, 0.2, -0.0088}, {0.0, 0.2, 0.0244}}) {
        sim::ParticleParameters p = pouch();
        p.ambient = celsius;
        p.plating.happens = false;
        Formation run(p);
        (void)run.cycle(5.0 * rate, 4.2, 2.7, 0.1);
        (void)run.cycle(5.0 * rate, 4.2, 2.7, 0.1);
        EXPECT_NEAR(run.cell.report().lowest_graphite, expected, 0.001) << celsius << " degC " << rate << "C";
    }
}

TEST(Trends, faults_leave_their_signatures) {
    struct Case {
        const char* what;
        double leak, contact, first, second, hold_hours;
    };
    for (const Case& c : {Case{"500 ohm", 500.0, 0.0, 0.8568, 0.9635, 0.18},
                          {"100 ohm", 100.0, 0.0, 0.7597, 0.8526, 0.21},
                          {"50 mohm at the contacts", 4e4, 0.05, 0.8817, 0.9930, 0.47}}) {
        sim::ParticleParameters p = pouch();
        p.leakage_resistance = c.leak;
        p.contact_resistance = c.contact;
        Formation run(p);
        const auto one = run.cycle(0.5, 4.2, 2.7, 0.1);
        const auto two = run.cycle(0.5, 4.2, 2.7, 0.1);
        EXPECT_NEAR(one.efficiency(), c.first, 0.001) << c.what;
        EXPECT_NEAR(two.efficiency(), c.second, 0.001) << c.what;
        EXPECT_NEAR(one.hold.seconds / 3600.0, c.hold_hours, 0.01) << c.what;
    }
    sim::ParticleParameters dry = pouch();
    dry.area *= 0.7;
    Formation run(dry);
    EXPECT_NEAR(run.cycle(0.5, 4.2, 2.7, 0.1).out(), 3.4696, 0.02 * 3.47);
    sim::ParticleParameters bare = pouch();
    bare.film.grows = false;
    Formation clean(bare);
    EXPECT_NEAR(clean.cycle(0.5, 4.2, 2.7, 0.1).efficiency(), 0.9892, 0.001);
}

}  // namespace
}  // namespace slowfilm
