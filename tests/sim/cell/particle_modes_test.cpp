// What drives the electrochemical cell, and what happens to it: regulators, events, re-stepping, faults, bad input.
#include "sim/cell/particle.hpp"
#include "tests/property.hpp"
#include "tests/sim/cell/formation.hpp"

#include <cmath>
#include <limits>
#include <tuple>

#include <gtest/gtest.h>

namespace slowfilm::sim {
namespace {

using test::Formation;
using test::pouch;

void expect_finite(const CellReading& reading) {
    ASSERT_TRUE(std::isfinite(reading.voltage) && std::isfinite(reading.current) && std::isfinite(reading.temperature))
        << reading.voltage << " V " << reading.current << " A " << reading.temperature << " degC";
}

TEST(ParticleDrives, a_charge_ends_at_its_ceiling_and_is_held_there_with_a_falling_current) {
    ParticleCell cell(pouch(), CellState::formed);
    cell.drive(0.0, CurrentDrive{2.5, 4.0, 2.7});
    double t = 0.0;
    while (cell.at(t).mode == DriveMode::constant_current) {
        EXPECT_EQ(cell.at(t).current, 2.5);
        EXPECT_LT(cell.at(t).voltage, 4.0 + 1e-6);
        t += 1.0;
        ASSERT_LT(t, 1e5);
    }
    double before = 2.5;
    for (int i = 0; i < 1000; ++i, t += 1.0) {
        const CellReading now = cell.at(t);
        EXPECT_EQ(now.mode, DriveMode::at_ceiling);
        EXPECT_NEAR(now.voltage, 4.0, 1e-6);
        EXPECT_LE(now.current, before + 1e-6);
        before = now.current;
    }
}

TEST(ParticleDrives, a_discharge_ends_at_its_floor) {
    ParticleCell cell(pouch(), CellState::formed);
    cell.drive(0.0, CurrentDrive{-2.5, 4.2, 3.3});
    double t = 0.0;
    while (cell.at(t).mode == DriveMode::constant_current) {
        t += 1.0;
        ASSERT_LT(t, 1e5);
    }
    EXPECT_EQ(cell.at(t + 10.0).mode, DriveMode::at_floor);
    EXPECT_NEAR(cell.at(t + 10.0).voltage, 3.3, 1e-6);
    EXPECT_GT(cell.at(t + 10.0).current, -2.5);
}

TEST(ParticleDrives, a_cell_already_above_its_ceiling_takes_no_current) {
    ParticleCell cell(pouch(), CellState::formed);
    cell.drive(0.0, CurrentDrive{1.0, 3.0, 2.0});
    EXPECT_EQ(cell.at(5.0).mode, DriveMode::at_ceiling);
    EXPECT_EQ(cell.at(5.0).current, 0.0);
    EXPECT_GT(cell.at(5.0).voltage, 3.4);
}

TEST(ParticleDrives, a_held_voltage_keeps_within_what_source_and_sink_can) {
    ParticleCell cell(pouch(), CellState::formed);
    cell.drive(0.0, VoltageDrive{4.1, 2.0, 3.0});
    EXPECT_EQ(cell.at(1.0).mode, DriveMode::at_source_limit);
    EXPECT_EQ(cell.at(1.0).current, 2.0);
    cell.drive(10.0, VoltageDrive{3.0, 2.0, 3.0});
    EXPECT_EQ(cell.at(11.0).mode, DriveMode::at_sink_limit);
    EXPECT_EQ(cell.at(11.0).current, -3.0);
    const double open = [&] {
        cell.open(20.0);
        return cell.at(4000.0).voltage;
    }();
    cell.drive(4000.0, VoltageDrive{open, 2.0, 3.0});
    EXPECT_EQ(cell.at(4001.0).mode, DriveMode::constant_voltage);
    EXPECT_NEAR(cell.at(4001.0).voltage, open, 1e-6);
}

TEST(ParticleDrives, a_drive_inside_a_finished_step_is_as_if_the_step_had_ended_there) {
    ParticleCell looked(pouch(), CellState::pristine);
    ParticleCell straight(pouch(), CellState::pristine);
    for (ParticleCell* cell : {&looked, &straight}) {
        cell->drive(0.0, CurrentDrive{0.5, 4.2, 0.0});
    }
    for (double t = 0.0; t <= 30000.0; t += 7.0) {
        (void)looked.at(t);
    }
    (void)straight.at(29995.0);
    looked.open(29997.0);
    straight.open(29997.0);
    for (const double t : {29997.0, 29998.0, 30000.0, 31000.0, 40000.0}) {
        EXPECT_NEAR(looked.at(t).voltage, straight.at(t).voltage, 1e-9) << t;
    }
    EXPECT_NEAR(looked.charge(), straight.charge(), 1e-12);
}

TEST(ParticleDrives, a_drive_before_the_present_step_goes_back_to_the_drive_before_it) {
    ParticleCell cell(pouch(), CellState::pristine);
    cell.drive(0.0, CurrentDrive{0.5, 4.2, 0.0});
    const double there = cell.at(5000.0).voltage;
    (void)cell.at(20000.0);
    cell.drive(5000.0, CurrentDrive{0.5, 4.2, 0.0});
    EXPECT_NEAR(cell.at(5000.0).voltage, there, 1e-5);
    EXPECT_NEAR(cell.charge(), 0.5 * 5000.0 / 3600.0, 1e-9);
}

TEST(ParticleDrives, charge_is_current_times_time) {
    test::holds([](std::uint32_t draw) {
        const double current = 0.05 + 2.0 * static_cast<double>(draw % 1000U) / 1000.0;
        const double seconds = 1.0 + static_cast<double>(draw / 1000U % 3000U);
        ParticleCell cell(pouch(), CellState::formed);
        cell.drive(0.0, CurrentDrive{current, 4.3, 0.0});
        (void)cell.at(seconds);
        RC_ASSERT(std::abs(cell.charge() - current * seconds / 3600.0) < 1e-9);
    });
}

TEST(ParticleCellStates, tapped_and_formed_cells_stand_where_they_should) {
    ParticleCell tapped(pouch(), CellState::tapped);
    EXPECT_NEAR(tapped.at(0.0).voltage, 2.0, 2e-3);
    ParticleCell formed(pouch(), CellState::formed);
    EXPECT_GT(formed.at(0.0).voltage, 3.3);
    EXPECT_LT(formed.at(0.0).voltage, 3.8);
    EXPECT_NEAR(formed.report().film_thickness, 27.35e-9, 1e-11);
}

TEST(ParticleCellStates, a_reversed_cell_shows_all_signs_turned) {
    ParticleParameters turned = pouch();
    turned.reversed = true;
    ParticleCell cell(turned, CellState::formed);
    ParticleCell right(pouch(), CellState::formed);
    cell.drive(0.0, CurrentDrive{1.0, 10.0, -10.0});
    right.drive(0.0, CurrentDrive{-1.0, 10.0, -10.0});
    EXPECT_EQ(cell.at(100.0).voltage, -right.at(100.0).voltage);
    EXPECT_EQ(cell.charge(), -right.charge());
}

TEST(ParticlePhysics, a_double_layer_of_2_F_slows_the_first_climb_by_seconds_and_nothing_else) {
    ParticleParameters layered = pouch();
    layered.double_layer = 2.0;
    const auto time_to = [](const ParticleParameters& p, double voltage) {
        ParticleCell cell(p, CellState::pristine);
        cell.drive(0.0, CurrentDrive{0.5, 4.2, 0.0});
        double t = 0.0;
        while (cell.at(t).voltage < voltage) {
            t += 0.1;
        }
        return t;
    };
    const double later = time_to(layered, 2.2) - time_to(pouch(), 2.2);
    // C dV / I = 2 F * 2 V / 0.5 A = 8 s
    EXPECT_GT(later, 4.0);
    EXPECT_LT(later, 12.0);
    Formation run(layered);
    const double before = run.cell.report().lithium;
    EXPECT_NEAR(run.cycle(0.5, 4.2, 2.7, 0.1).efficiency(), 0.8825, 0.001);
    EXPECT_NEAR(run.cell.report().lithium, before, 1e-8);
}

TEST(ParticlePhysics, cold_and_fast_plates_lithium_which_is_partly_stripped_again) {
    ParticleParameters cold = pouch();
    cold.ambient = -10.0;
    Formation run(cold);
    const double before = run.cell.report().lithium;
    (void)run.current(2.5, 4.2);
    const ParticleReport after = run.cell.report();
    EXPECT_LT(after.lowest_graphite, 0.0);
    EXPECT_GT(after.plated, 0.0);
    EXPECT_NEAR(after.dead / (after.plated + after.dead), 0.35, 1e-6);
    (void)run.current(-1.0, 2.7);
    EXPECT_LT(run.cell.report().plated, 0.01 * after.plated);
    EXPECT_GE(run.cell.report().dead, after.dead - 1e-9);
    EXPECT_NEAR(run.cell.report().lithium, before, 1e-8);
}

ParticleParameters half_dry(double wetting_time) {
    ParticleParameters dry = pouch();
    dry.wetted = 0.7;
    dry.wetting_time = wetting_time;
    return dry;
}

TEST(ParticlePhysics, what_is_dry_comes_in_as_it_is_wetted_and_brings_its_own_lithium) {
    Formation wet(pouch());
    Formation soon(half_dry(4.0 * 3600.0));
    Formation never(half_dry(1e9));
    const auto last = [](Formation& run) {
        (void)run.cycle(0.5, 4.2, 2.7, 0.1);
        return run.cycle(0.5, 4.2, 2.7, 0.1).out();
    };
    const double whole = last(wet);
    EXPECT_NEAR(last(soon) / whole, 1.0, 0.01);
    EXPECT_NEAR(last(never) / whole, 0.7, 0.01);
    const auto early = [](const ParticleParameters& p) {
        ParticleCell cell(p, CellState::pristine);
        cell.drive(0.0, CurrentDrive{0.5, 4.2, 0.0});
        return cell.at(1800.0).voltage;
    };
    EXPECT_GT(early(half_dry(4.0 * 3600.0)), early(pouch()) + 0.01);
}

TEST(ParticlePhysics, wetting_conserves_lithium_to_1e_8_Ah_over_100_hours) {
    Formation run(half_dry(10.0 * 3600.0));
    const double before = run.cell.report().lithium;
    while (run.time < 100.0 * 3600.0) {
        (void)run.cycle(0.5, 4.2, 2.7, 0.1);
        EXPECT_NEAR(run.cell.report().lithium, before, 1e-8) << run.time / 3600.0 << " h";
    }
    EXPECT_GT(run.cell.report().film_charge, 0.5);
}

TEST(ParticlePhysics, a_formed_cell_is_what_its_own_formation_leaves) {
    for (const auto& [name, low, high] : {std::tuple{"nmc-graphite-pouch-5ah", 2.7, 4.2},
                                          {"nmc-graphite-siox-cylindrical-5ah", 2.5, 4.2},
                                          {"lfp-graphite-cylindrical-2ah", 2.0, 3.65}}) {
        const ParticleParameters p = particle_set(name).value();
        const double tenth = p.capacity / 10.0;
        Formation made(p);
        const double lithium = made.cell.report().lithium;
        for (int cycle = 0; cycle < 3; ++cycle) {
            (void)made.cycle(tenth, high, low, tenth / 5.0);
        }
        Formation loaded(p, CellState::formed);
        EXPECT_NEAR(loaded.cell.report().lithium, lithium, 1e-9) << name;
        EXPECT_NEAR(loaded.cell.report().film_thickness / made.cell.report().film_thickness, 1.0, 1e-3) << name;
        (void)loaded.cycle(tenth, high, low, tenth / 5.0);  // from where it was loaded
        const double own = made.cycle(tenth, high, low, tenth / 5.0).out();
        EXPECT_NEAR(loaded.cycle(tenth, high, low, tenth / 5.0).out() / own, 1.0, 2e-3) << name;
    }
}

TEST(ParticlePhysics, a_formed_cell_is_wet_all_through) {
    ParticleCell dry(half_dry(4.0 * 3600.0), CellState::formed);
    ParticleCell wet(pouch(), CellState::formed);
    EXPECT_EQ(dry.at(1000.0).voltage, wet.at(1000.0).voltage);
    EXPECT_EQ(dry.report().lithium, wet.report().lithium);
}

TEST(ParticlePhysics, heat_comes_to_the_balance_of_power_and_cooling) {
    // dT = P/hA (1 - exp(-t/tau)), tau = m c_p/hA: 1 W makes 5.0000 K in the end, 3.1606 K after 444.4 s.
    ParticleParameters warmed = pouch();
    warmed.leakage_resistance = 1e300;
    warmed.film.grows = false;
    warmed.faults = {{CellFaultKind::heat, 1.0, 0.0, 0.0}};
    ParticleCell cell(warmed, CellState::formed);
    EXPECT_NEAR(cell.at(444.4).temperature, 25.0 + 3.1606, 6e-3);
    EXPECT_NEAR(cell.at(20000.0).temperature, 30.0, 6e-3);
    cell.ambient(20000.0, 10.0);
    EXPECT_NEAR(cell.at(40000.0).temperature, 15.0, 6e-3);
}

TEST(ParticleFaults, begin_at_their_time_and_at_their_charge) {
    ParticleParameters p = pouch();
    p.faults = {{CellFaultKind::contact_resistance, 0.1, 1000.0, 0.0}};
    ParticleCell cell(p, CellState::formed);
    cell.drive(0.0, CurrentDrive{1.0, 4.4, 0.0});
    const double before = cell.at(999.9).voltage;
    EXPECT_NEAR(cell.at(1000.5).voltage - before, 0.1, 2e-3);
    p.faults = {{CellFaultKind::internal_short, 1.0, 0.0, 0.1}};
    ParticleCell shorted(p, CellState::formed);
    shorted.drive(0.0, CurrentDrive{1.0, 4.4, 0.0});
    const double sound = shorted.at(359.9).voltage;  // 0.1 Ah at 1 A is 360 s
    EXPECT_LT(shorted.at(360.1).voltage, sound - 0.03);
    (void)shorted.at(1500.0);
    EXPECT_GT(shorted.report().leaked, 0.3);
}

// --- bad input: sensible, or refused; never a hang and never a NaN

TEST(BadInput, fifty_C_is_held_at_the_ceiling) {
    for (const CellState state : {CellState::pristine, CellState::formed}) {
        ParticleCell cell(pouch(), state);
        cell.drive(0.0, CurrentDrive{250.0, 4.2, 0.0});
        for (double t = 0.0; t < 2000.0; t += 1.0) {
            const CellReading reading = cell.at(t);
            expect_finite(reading);
            EXPECT_LE(reading.voltage, 4.2 + 1e-3) << t;
        }
        EXPECT_EQ(cell.at(2000.0).mode, DriveMode::at_ceiling);
        cell.drive(2000.0, CurrentDrive{-250.0, 5.0, 0.0});
        for (double t = 2000.0; t < 4000.0; t += 1.0) {
            expect_finite(cell.at(t));
        }
    }
}

TEST(BadInput, without_a_bound_an_overcharged_or_empty_cell_says_so_by_its_voltage) {
    for (const double current : {5.0, -5.0}) {
        ParticleCell cell(pouch(), CellState::formed);
        cell.drive(0.0, CurrentDrive{current, 1e3, -1e3});
        for (double t = 0.0; t < 3.0 * 3600.0; t += 10.0) {
            expect_finite(cell.at(t));
        }
        EXPECT_TRUE(current > 0.0 ? cell.at(3.0 * 3600.0).voltage > 5.0 : cell.at(3.0 * 3600.0).voltage < 0.0);
    }
}

TEST(BadInput, forty_below_charges_slowly_and_plates) {
    ParticleParameters cold = pouch();
    cold.ambient = -40.0;
    ParticleCell cell(cold, CellState::pristine);
    cell.drive(0.0, CurrentDrive{0.5, 4.2, 0.0});
    for (double t = 0.0; t < 50000.0; t += 10.0) {
        expect_finite(cell.at(t));
        ASSERT_LE(cell.at(t).voltage, 4.2 + 1e-3);
    }
    EXPECT_LT(cell.report().lowest_graphite, 0.0);
}

TEST(BadInput, a_short_of_a_tenth_of_an_ohm_empties_and_heats_the_cell) {
    ParticleParameters shorted = pouch();
    shorted.faults = {{CellFaultKind::internal_short, 0.1, 0.0, 0.0}};
    ParticleCell cell(shorted, CellState::formed);
    double hottest = 0.0;
    for (double t = 0.0; t < 7200.0; t += 1.0) {
        const CellReading reading = cell.at(t);
        expect_finite(reading);
        hottest = std::max(hottest, reading.temperature);
    }
    EXPECT_GT(hottest, 60.0);
    EXPECT_LT(cell.at(7200.0).voltage, 1.0);
    ParticleCell charged(shorted, CellState::pristine);
    charged.drive(0.0, CurrentDrive{0.5, 4.2, 0.0});
    for (double t = 0.0; t < 7200.0; t += 1.0) {
        expect_finite(charged.at(t));
    }
    EXPECT_LT(charged.at(7200.0).voltage, 0.1);  // all of it goes through the short
}

// Any numbers that check() lets pass, however odd the cell: the solver comes to the end, and to numbers.
TEST(BadInput, an_odd_cell_neither_stops_the_clock_nor_shows_what_is_no_number) {
    test::holds([](std::uint64_t seed) {
        std::uint64_t state = seed;
        const auto draw = [&state](std::uint64_t below) {
            state = state * 6364136223846793005U + 1442695040888963407U;
            return (state >> 33U) % below;
        };
        ParticleParameters odd = pouch();
        const std::vector<double*> numbers{&odd.heat_capacity,
                                           &odd.cooling,
                                           &odd.contact_resistance,
                                           &odd.leakage_resistance,
                                           &odd.ambient,
                                           &odd.negative.diffusivity,
                                           &odd.positive.diffusivity,
                                           &odd.negative.rate,
                                           &odd.positive.rate,
                                           &odd.negative.diffusivity_activation,
                                           &odd.negative.rate_activation,
                                           &odd.negative.porosity,
                                           &odd.positive.transport,
                                           &odd.electrolyte.concentration,
                                           &odd.electrolyte.separator_thickness,
                                           &odd.film.exchange,
                                           &odd.film.diffusion,
                                           &odd.film.tunnel_length,
                                           &odd.film.surface_ratio,
                                           &odd.film.resistivity,
                                           &odd.film.additive,
                                           &odd.film.activation,
                                           &odd.film.molar_volume,
                                           &odd.plating.exchange};
        for (std::uint64_t i = 0; i < 1 + draw(3); ++i) {
            *numbers[draw(numbers.size())] *= std::pow(10.0, static_cast<double>(draw(17)) - 8.0);
        }
        if (draw(3) == 0) {
            odd.double_layer = 5e-4 * std::pow(10.0, static_cast<double>(draw(6)));
        }
        RC_PRE(check(odd).has_value());
        ParticleCell cell(odd, draw(2) == 0 ? CellState::pristine : CellState::formed);
        const auto look = [&](double begin) {
            for (double t = begin; t <= begin + 3600.0; t += 60.0) {
                const CellReading seen = cell.at(t);
                RC_ASSERT(std::isfinite(seen.voltage) && std::isfinite(seen.current) &&
                          std::isfinite(seen.temperature));
            }
            return begin + 3600.0;
        };
        cell.drive(0.0, CurrentDrive{1.5, 4.2, 0.0});
        double t = look(0.0);
        cell.drive(t, VoltageDrive{3.9, 2.0, 2.0});
        t = look(t);
        cell.open(t);
        t = look(t);
        cell.drive(t, CurrentDrive{-1.5, 4.3, 2.7});
        (void)look(t);
        RC_ASSERT(cell.steps() < 4'000U + 4U * 4U * 3600U);
    });
}

TEST(BadInput, a_number_that_is_none_is_refused_wherever_it_stands) {
    const double nan = std::numeric_limits<double>::quiet_NaN();
    for (double ParticleParameters::*number :
         {&ParticleParameters::capacity, &ParticleParameters::area, &ParticleParameters::voltage_max,
          &ParticleParameters::heat_capacity, &ParticleParameters::cooling, &ParticleParameters::leakage_resistance,
          &ParticleParameters::contact_resistance, &ParticleParameters::double_layer, &ParticleParameters::ambient,
          &ParticleParameters::formed_charge, &ParticleParameters::wetted, &ParticleParameters::tapped_voltage}) {
        ParticleParameters p = pouch();
        p.*number = nan;
        EXPECT_FALSE(check(p).has_value());
    }
    for (double ElectrodeParameters::*number :
         {&ElectrodeParameters::radius, &ElectrodeParameters::surface, &ElectrodeParameters::rate,
          &ElectrodeParameters::full, &ElectrodeParameters::diffusivity}) {
        ParticleParameters p = pouch();
        p.positive.*number = nan;
        EXPECT_FALSE(check(p).has_value());
    }
    ParticleParameters p = pouch();
    p.positive.pristine = nan;
    EXPECT_FALSE(check(p).has_value());
    p = pouch();
    p.negative.curve.terms[0].amplitude = nan;
    EXPECT_FALSE(check(p).has_value());
    p = pouch();
    p.electrolyte.conductivity_15 = nan;
    EXPECT_FALSE(check(p).has_value());
    p = pouch();
    p.film.exchange = nan;
    EXPECT_FALSE(check(p).has_value());
    p = pouch();
    p.film.heat_potential = nan;
    EXPECT_FALSE(check(p).has_value());
    p = pouch();
    p.faults = {{CellFaultKind::heat, nan, 0.0, 0.0}};
    EXPECT_FALSE(check(p).has_value());
}

}  // namespace
}  // namespace slowfilm::sim
