// Spheres in 20 shells and the electrolyte in 25 cells: the solver on their modes against CVODE on the volumes as they
// stand.
#include "tests/sim/cell/finite_volumes.hpp"

#include "sim/cell/particle.hpp"
#include "tests/sim/cell/formation.hpp"
#include "tests/sim/cell/legs_on_cvode.hpp"

#include <algorithm>
#include <cmath>
#include <vector>

#include <gtest/gtest.h>

namespace slowfilm {
namespace {

using test::FiniteVolumes;
using test::LegsOnCvode;
using test::pouch;

TEST(FiniteVolumes, lead_the_mean_of_a_sphere_in_the_end_as_the_true_sphere_does) {
    // J. Crank, The Mathematics of Diffusion, 2nd ed. 1975, 6.3.1 (from memory): the surface leads the mean by 1/5 of
    // j R/D in the end, and l^2 = 20.1907 is the slowest rate. Twenty shells are off by their width squared.
    const sim::SphereModes modes = test::Shells{}.modes();
    ASSERT_EQ(modes.count, test::shells - 1);
    double lead = modes.rest;
    for (std::size_t k = 0; k < modes.count; ++k) {
        lead += modes.gain[k] / modes.decay[k];
    }
    EXPECT_NEAR(lead, 0.2, 1e-3);
    EXPECT_NEAR(*std::min_element(modes.decay.begin(), modes.decay.begin() + test::shells - 1), 20.1907, 0.1);
}

TEST(FiniteVolumes, of_the_electrolyte_come_near_its_steady_state) {
    // 302.037 mol/m3 between the electrodes at 5 A by the closed form; 10, 5 and 10 cells come to 303.26.
    const sim::ParticleParameters p = pouch();
    const sim::ElectrolyteModes modes = test::SaltCells{p}.modes();
    ASSERT_EQ(modes.count, test::salt_cells - 1);
    double steady = 0.0;
    for (std::size_t m = 0; m < modes.count; ++m) {
        steady += (modes.positive.share[m] - modes.negative.share[m]) * modes.gain[m] / modes.decay[m];
    }
    EXPECT_NEAR(steady * 5.0 / p.area, 303.26, 0.01);
}

struct Leg {
    double seconds, current, target;
};

TEST(FiniteVolumes, on_their_modes_and_as_they_stand_under_CVODE_are_the_same_cell) {
    const std::vector<Leg> legs{{40800.0, 0.5, 4.2}, {600.0, 0.0, 0.0},  {7200.0, -2.5, 2.7},
                                {600.0, 0.0, 0.0},   {7200.0, 2.5, 4.2}, {600.0, 0.0, 0.0}};
    constexpr double tick = 1.0;
    LegsOnCvode<FiniteVolumes> cvode(pouch(), 1e-10);
    sim::ParticleCell cell(pouch(), CellState::pristine, test::finite_volume_modes(pouch()));
    cvode.first_tick(tick);
    std::vector<double> off;
    std::vector<double> events;
    double t = 0.0;
    for (const Leg& leg : legs) {
        if (leg.current > 0.0) {
            cell.drive(t, sim::CurrentDrive{leg.current, leg.target, 0.0});
        } else if (leg.current < 0.0) {
            cell.drive(t, sim::CurrentDrive{leg.current, 10.0, leg.target});
        } else {
            cell.open(t);
        }
        const double begin = t;
        t += leg.seconds;
        bool held = false;
        cvode.run(t, leg.current, leg.target, tick, [&](double time, const sim::Algebra& found) {
            const sim::CellReading own = cell.at(time);
            // A current while the voltage is held counts by what it would make of the voltage, 20 mohm.
            off.push_back(
                std::max(std::abs(own.voltage - found.voltage), 0.020 * std::abs(own.current - found.current)));
            if (time - begin <= 60.0) {
                EXPECT_LE(off.back(), 1e-3) << time;
            }
            const bool at_bound = own.mode == sim::DriveMode::at_ceiling || own.mode == sim::DriveMode::at_floor;
            if (at_bound && !held) {
                events.push_back(time);
            }
            held = at_bound;
        });
    }
    std::sort(off.begin(), off.end());
    EXPECT_LE(off[off.size() * 99 / 100], 1e-4);
    ASSERT_GE(events.size(), 2U);
    ASSERT_EQ(events.size(), cvode.events().size());
    for (std::size_t i = 0; i < events.size(); ++i) {
        // Seen at the first tick after it.
        EXPECT_GT(events[i] - cvode.events()[i], -0.5) << i;
        EXPECT_LT(events[i] - cvode.events()[i], tick + 0.5) << i;
    }
}

}  // namespace
}  // namespace slowfilm
