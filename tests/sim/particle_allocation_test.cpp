#include "sim/cell/particle.hpp"
#include "sim/sets/particle_sets.hpp"
#include "tests/sim/cell_allocations.hpp"

#include <gtest/gtest.h>

namespace slowfilm::sim {
namespace {

TEST(ParticleAllocation, a_night_of_looks_and_drives_allocates_nothing) {
    ParticleCell cell(particle_set("NMC/graphite").value(), CellState::pristine);
    const std::size_t before = slowfilm::testing::allocations();
    double last = 0.0;
    for (int second = 0; second < 40 * 3600; ++second) {
        if (second % 3600 == 0) {
            cell.drive(second, second % 7200 == 0 ? VoltageDrive{4.2, 0.5, 0.5} : VoltageDrive{3.5, 0.5, 0.5});
        }
        if (second % 5000 == 0) {
            cell.ambient(second, second % 10000 == 0 ? 25.0 : 5.0);
        }
        last = cell.at(second).voltage;
    }
    EXPECT_EQ(slowfilm::testing::allocations(), before);
    EXPECT_GT(last, 3.0);
    EXPECT_GT(cell.steps(), 100U);
}

}  // namespace
}  // namespace slowfilm::sim
