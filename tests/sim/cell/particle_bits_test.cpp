// The record of a simulated night is the same bytes whatever compiled it.
#include "sim/cell/particle.hpp"
#include "sim/sets/particle_sets.hpp"

#include <bit>
#include <cstdint>

#include <gtest/gtest.h>

namespace slowfilm::sim {
namespace {

TEST(ParticleBits, are_those_of_every_compiler) {
    // g++ 12 and clang 14, -O0, -O2 and -O3 -march=native gave this number; a change of the equations changes it.
    ParticleParameters p = particle_set("nmc-graphite-pouch-5ah").value();
    p.ambient = 5.0;
    ParticleCell cell(p, CellState::pristine);
    std::uint64_t hash = 1469598103934665603U;
    double t = 0.0;
    const auto go = [&](double end) {
        for (; t < end; t += 10.0) {
            const CellReading reading = cell.at(t);
            for (const double value : {reading.voltage, reading.current, reading.temperature}) {
                hash = (hash ^ std::bit_cast<std::uint64_t>(value)) * 1099511628211U;
            }
        }
    };
    cell.drive(0.0, CurrentDrive{2.5, 4.2, 0.0});
    go(9000.0);
    cell.open(t);
    go(10000.0);
    cell.drive(t, CurrentDrive{-2.5, 5.0, 2.7});
    go(18000.0);
    cell.drive(t, VoltageDrive{3.7, 2.0, 2.0});
    go(20000.0);
    EXPECT_EQ(hash, 10741472309117163480U);
}

}  // namespace
}  // namespace slowfilm::sim
