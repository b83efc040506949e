#include "sim/cell/particle.hpp"

#include "sim/sets/particle_sets.hpp"

#include <cmath>

#include <gtest/gtest.h>

namespace slowfilm::sim {
namespace {

ParticleParameters pouch() {
    return particle_set("nmc-graphite-pouch-5ah").value();
}

// Charges at `current` to `ceiling` as a bench does: until the stage holds, at ticks of 1 s.
double charge_to(ParticleCell& cell, double t, double current, double ceiling) {
    cell.drive(t, CurrentDrive{current, ceiling, 2.0});
    while (cell.at(t).mode == DriveMode::constant_current && t < 1e6) {
        t += 1.0;
    }
    return t;
}

TEST(ParticleCell, a_fresh_cell_stands_at_a_quarter_of_a_volt) {
    ParticleCell cell(pouch(), CellState::pristine);
    EXPECT_NEAR(cell.at(0.0).voltage, 0.239, 1e-3);
    EXPECT_EQ(cell.at(0.0).current, 0.0);
    EXPECT_EQ(cell.at(0.0).mode, DriveMode::open);
}

TEST(ParticleCell, lithium_is_conserved_to_1e_8_Ah_over_100_hours_of_cycles_and_rests) {
    ParticleCell cell(pouch(), CellState::pristine);
    double t = 0.0;
    const double before = cell.report().lithium;
    for (int cycle = 0; cycle < 5; ++cycle) {
        t = charge_to(cell, t, 0.5, 4.2);
        t += 600.0;
        (void)cell.at(t);
        cell.drive(t, CurrentDrive{-0.5, 4.2, 2.7});
        while (cell.at(t).mode == DriveMode::constant_current) {
            t += 1.0;
        }
        cell.open(t);
        t += 600.0;
        (void)cell.at(t);
        EXPECT_NEAR(cell.report().lithium, before, 1e-8) << "cycle " << cycle;
    }
    EXPECT_GT(t, 100.0 * 3600.0);
    EXPECT_GT(cell.report().film_charge, 0.5);
}

TEST(ParticleCell, costs_as_many_steps_a_cycle_however_long_the_protocol) {
    ParticleCell cell(pouch(), CellState::pristine);
    double t = 0.0;
    std::uint64_t before = 0;
    std::uint64_t first_three = 0;
    for (int cycle = 1; cycle <= 15; ++cycle) {
        t = charge_to(cell, t, 0.5, 4.2);
        cell.drive(t, CurrentDrive{-0.5, 4.2, 2.7});
        while (cell.at(t).mode == DriveMode::constant_current) {
            t += 1.0;
        }
        if (cycle % 3 == 0) {
            const std::uint64_t taken = cell.steps() - before;
            before = cell.steps();
            first_three = cycle == 3 ? taken : first_three;
            EXPECT_LE(taken, first_three) << "up to cycle " << cycle;
        }
    }
    EXPECT_LE(first_three, 400U);
}

}  // namespace
}  // namespace slowfilm::sim
