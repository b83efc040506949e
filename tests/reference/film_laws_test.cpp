// The laws by which film grows and lithium plates, each alone, against their closed forms and what is seen on cells.
#include "tests/sim/cell/formation.hpp"

#include <algorithm>
#include <cmath>
#include <tuple>
#include <vector>

#include <gtest/gtest.h>

namespace slowfilm {
namespace {

using sim::ParticleCell;
using sim::ParticleParameters;
using test::Formation;
using test::Leg;
using test::pouch;

// A formed cell at rest whose film grows by one law alone.
ParticleParameters at_rest() {
    ParticleParameters p = pouch();
    p.leakage_resistance = 1e300;
    p.formed_charge = 0.8;
    p.film.additive = 0.0;
    p.film.exchange = 0.0;
    p.film.diffusion = 0.0;
    return p;
}

double thickness_after(ParticleCell& cell, double seconds) {
    (void)cell.at(seconds);
    return cell.report().film_thickness;
}

// --- tunnelling: the rate falls by e with each length, so thickness grows with the logarithm of time: L = l
// ln(exp(L0/l)
// + k t/l), k = V i0/F exp(-a F (phi - U)/RT) (D. Li et al., J. Electrochem. Soc. 162 (2015) A858,
// doi 10.1149/2.0161506jes; the integral is our own)

TEST(TunnellingFilm, grows_with_the_logarithm_of_time) {
    ParticleParameters p = at_rest();
    p.film.exchange = 0.020;
    ParticleCell cell(p, CellState::formed);
    const double begin = thickness_after(cell, 0.0);
    const double length = p.film.tunnel_length;
    for (const double hours : {1.0, 10.0, 100.0, 1000.0}) {
        const double thickness = thickness_after(cell, 3600.0 * hours);
        const double phi = cell.report().lowest_graphite;  // on its plateau, and at rest it hardly moves
        const double k = p.film.molar_volume * p.film.exchange / sim::faraday *
                         std::exp(-0.5 * (phi - p.film.potential) * sim::faraday / (sim::gas_constant * 298.15));
        const double grown = length * std::log(1.0 + k * 3600.0 * hours / length * std::exp(-begin / length));
        EXPECT_NEAR((thickness - begin) / grown, 1.0, 0.02) << hours << " h";
    }
    EXPECT_GT(thickness_after(cell, 3.6e6) - begin, 0.5 * length);
}

// --- the slow tail: thickness^2 grows with time (as of M. Safari et al., J. Electrochem. Soc. 156 (2009) A145, doi
// 10.1149/1.3043429), here with a nanometre added, below which no film is

TEST(DiffusingFilm, grows_by_the_square_root_of_time_at_every_temperature) {
    for (const double celsius : {25.0, 45.0}) {
        ParticleParameters p = at_rest();
        p.film.diffusion = 7e-24;
        p.ambient = celsius;
        ParticleCell cell(p, CellState::formed);
        const double begin = thickness_after(cell, 0.0) + 1e-9;
        const double warmer = celsius == 25.0 ? 1.0 : 3.55353;  // exp(50 kJ/mol / R (1/298.15 K - 1/318.15 K))
        for (const double days : {1.0, 30.0, 365.0}) {
            const double seconds = days * 86400.0;
            const double end = thickness_after(cell, seconds) + 1e-9;
            EXPECT_NEAR((end * end - begin * begin) / (2.0 * 7e-24 * warmer * seconds), 1.0, 1e-3)
                << celsius << " degC, " << days << " d";
        }
    }
}

// --- Arrhenius: exp(Ea/R (1/298.15 K - 1/T)), by hand

TEST(Arrhenius, factors_are_those_of_a_table) {
    // degC, of 15 kJ/mol (diffusion in the positive electrode), of 30 kJ/mol (in the graphite)
    const sim::ParticleEquations equations(pouch());
    const auto base = equations.diffusion(298.15);
    for (const auto& [celsius, positive, negative] : {std::tuple{0.0, 0.57476, 0.33034},
                                                      {10.0, 0.72575, 0.52671},
                                                      {25.0, 1.0, 1.0},
                                                      {45.0, 1.46284, 2.13991},
                                                      {60.0, 1.88834, 3.56582}}) {
        const auto warm = equations.diffusion(celsius + 273.15);
        EXPECT_NEAR(warm.positive / base.positive, positive, 1e-5) << celsius;
        EXPECT_NEAR(warm.negative / base.negative, negative, 1e-5) << celsius;
    }
}

// --- the additive: a peak of charge per volt of its own, of all its charge and never again

double charge_between(const Formation& run, double low, double high) {
    double begin = -1.0;
    double end = 0.0;
    for (const auto& [charge, voltage] : run.voltage_by_charge) {
        if (voltage < high) {
            begin = begin < 0.0 && voltage >= low ? charge : begin;
            end = charge;
        }
    }
    return begin < 0.0 ? 0.0 : end - begin;
}

TEST(Additive, is_a_peak_at_two_and_a_half_volts_that_comes_once) {
    Formation run(pouch());
    run.keep = true;
    (void)run.current(0.5, 4.2);
    // Ah/V in windows of 20 mV, of the independent statement of the same equations; reduction of vinylene carbonate at
    // 1.0 to 1.1 V against lithium, so 2.4 to 2.7 V in such a cell, is common knowledge (from memory).
    EXPECT_NEAR(charge_between(run, 2.54, 2.56) / 0.02, 0.28, 0.05);
    EXPECT_NEAR(charge_between(run, 2.44, 2.46) / 0.02, 0.10, 0.03);
    EXPECT_NEAR(charge_between(run, 2.70, 2.72) / 0.02, 0.07, 0.03);
    Formation again(pouch(), CellState::pristine);
    (void)again.cycle(0.5, 4.2, 2.7, 0.1);
    again.keep = true;
    (void)again.current(0.5, 4.2);
    EXPECT_LT(charge_between(again, 2.4, 2.7), 1e-3);
    // What is more between the charges from 2.4 to 3.35 V is the film's.
    EXPECT_GT(charge_between(run, 2.4, 3.35) - charge_between(again, 2.4, 3.35), 0.15);
}

TEST(Additive, gives_the_film_its_own_charge_and_no_more) {
    // n F: 1 mmol is 26.80 mAh, and at 2.7 V it is all there is of the film.
    const auto film_at_2_7_volts = [](double mol) {
        ParticleParameters p = pouch();
        p.film.additive = mol;
        p.film.exchange = 0.0;
        p.film.diffusion = 0.0;
        Formation run(p);
        (void)run.current(0.5, 4.0);
        return run.cell.report().film_charge;
    };
    EXPECT_EQ(film_at_2_7_volts(0.0), 0.0);
    EXPECT_NEAR(film_at_2_7_volts(1e-3), 0.026801, 1e-5);
    EXPECT_NEAR(film_at_2_7_volts(2e-3), 0.053603, 2e-5);
}

// --- plating: metal that dissolves holds the graphite at 0 V, so a rest shows a shoulder until it is gone
// (common practice, from memory; stripping of 65 %: doi 10.26434/chemrxiv.12159048)

TEST(Plating, shows_as_a_shoulder_at_the_begin_of_a_rest) {
    const auto fall = [](bool plates) {
        ParticleParameters p = pouch();
        p.ambient = -10.0;
        p.cooling = 1e3;
        p.leakage_resistance = 1e300;
        p.plating.happens = plates;
        Formation run(p, CellState::formed);
        (void)run.current(2.5, 4.2);
        (void)run.hold(4.2, 1.0);
        run.cell.open(run.time);
        std::vector<double> falls;  // V in each hundred seconds of two hours
        double before = run.cell.at(run.time).voltage;
        for (int i = 1; i <= 72; ++i) {
            const double now = run.cell.at(run.time + 100.0 * i).voltage;
            falls.push_back(before - now);
            before = now;
        }
        EXPECT_EQ(run.cell.report().plated > 1e-6, false) << "all that can be stripped is";
        EXPECT_EQ(run.cell.report().dead > 0.01, plates);
        return falls;
    };
    const std::vector<double> plated = fall(true);
    const auto edge = std::max_element(plated.begin() + 2, plated.end());
    EXPECT_GT(*edge, 0.05) << "the graphite comes back from 0 V";
    EXPECT_GT(edge - plated.begin(), 5) << "after a plateau";
    EXPECT_LT(std::abs(plated[static_cast<std::size_t>(edge - plated.begin()) / 2]), 1e-4) << "which is flat";
    const std::vector<double> bare = fall(false);
    EXPECT_LT(*std::max_element(bare.begin() + 2, bare.end()), 1e-3);
}

}  // namespace
}  // namespace slowfilm
