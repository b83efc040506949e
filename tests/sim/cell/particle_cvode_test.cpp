// The solver against an independent integrator: the same equations on grids, given to CVODE at a tight tolerance, on
// protocols drawn at random. SLOWFILM_PROTOCOLS draws more of them than 20, SLOWFILM_SEED others.
#include "sim/cell/particle.hpp"
#include "sim/sets/particle_sets.hpp"
#include "tests/sim/cell/grid_cell.hpp"

#include <cstdlib>
#include <random>
#include <string>
#include <vector>

#include <gtest/gtest.h>

namespace slowfilm {
namespace {

using sim::CellReading;
using sim::CurrentDrive;
using sim::DriveMode;
using sim::VoltageDrive;

constexpr double tick = 0.5;  // s

struct Drawn {
    enum class Kind { charge, discharge, hold, rest } kind;
    double current, target, seconds;
};

std::uint64_t from_environment(const char* name, std::uint64_t otherwise) {
    const char* text = std::getenv(name);
    return text != nullptr ? std::stoull(text) : otherwise;
}

// Up to 1C on a 5 Ah cell, window 2.7 to 4.2 V, from pristine: a first charge, then anything.
std::vector<Drawn> draw(std::mt19937_64& random) {
    const auto between = [&](double low, double high) {
        return low + (high - low) * static_cast<double>(random() >> 11U) * 0x1p-53;
    };
    std::vector<Drawn> legs;
    const double first = 5.0 * std::exp(between(std::log(0.04), std::log(0.6)));
    legs.push_back(
        {Drawn::Kind::charge, first, between(3.3, 4.2), std::round(between(0.2, 1.0) * 5.0 / first * 3600.0)});
    for (int i = 0; i < 4; ++i) {
        const double current = 5.0 * std::exp(between(std::log(0.05), 0.0));
        const double seconds = std::round(between(0.05, 0.5) * 5.0 / current * 3600.0);
        switch (random() % 4) {
            case 0: legs.push_back({Drawn::Kind::charge, current, between(3.6, 4.2), seconds}); break;
            case 1: legs.push_back({Drawn::Kind::discharge, -current, between(2.7, 3.3), seconds}); break;
            case 2: legs.push_back({Drawn::Kind::hold, current, between(3.6, 4.2), 1800.0}); break;
            case 3: legs.push_back({Drawn::Kind::rest, 0.0, 0.0, 1800.0}); break;
        }
    }
    return legs;
}

struct Comparison {
    std::vector<double> off;  // V, every tick
    double worst_first_minute{0.0}, worst_steep{0.0}, worst_event{0.0};
    std::size_t events{0}, events_of_grid{0};
};

void compare(const std::vector<Drawn>& legs, const sim::ParticleParameters& parameters, bool kirchhoff,
             Comparison& all) {
    test::GridCell grid(parameters, {.kirchhoff = kirchhoff});
    sim::ParticleCell cell(parameters, CellState::pristine);
    double t = 0.0;
    for (const Drawn& leg : legs) {
        test::GridCell::Drive drive;
        switch (leg.kind) {
            case Drawn::Kind::charge:
                drive = {leg.target, 0.0, leg.current};
                cell.drive(t, CurrentDrive{leg.current, leg.target, 0.0});
                break;
            case Drawn::Kind::discharge:
                drive = {leg.target, leg.current, 0.0};
                cell.drive(t, CurrentDrive{leg.current, 10.0, leg.target});
                break;
            case Drawn::Kind::hold:
                drive = {leg.target, -leg.current, leg.current};
                cell.drive(t, VoltageDrive{leg.target, leg.current, leg.current});
                break;
            case Drawn::Kind::rest: cell.open(t); break;
        }
        const double begin = t;
        t += leg.seconds;
        const std::size_t events = grid.events().size();
        std::vector<double> changes;
        DriveMode mode = cell.at(begin).mode;
        double before = cell.at(begin).voltage;
        grid.run(t, drive, tick, [&](double time, const test::GridCell::Shown& shown) {
            const CellReading own = cell.at(time);
            // A current while the voltage is held counts by what it would make of the voltage, 20 mohm.
            const double off =
                std::max(std::abs(own.voltage - shown.voltage), 0.020 * std::abs(own.current - shown.current));
            all.off.push_back(off);
            const bool steep = std::abs(own.voltage - before) > 1e-3 * tick;
            if (time - begin <= 60.0) {
                all.worst_first_minute = std::max(all.worst_first_minute, off);
            } else if (steep) {
                all.worst_steep = std::max(all.worst_steep, off);
            }
            before = own.voltage;
            if (own.mode != mode) {
                mode = own.mode;
                changes.push_back(time);
            }
        });
        // Where the regulator first changes its way; at a floor it may do so again where only the leak flows.
        const bool grid_changed = grid.events().size() > events;
        all.events += changes.empty() ? 0 : 1;
        all.events_of_grid += grid_changed ? 1 : 0;
        if (!changes.empty() && grid_changed) {
            // The tick after the event shows it: it lies within the half second before.
            const double late = changes.front() - grid.events()[events];
            all.worst_event = std::max({all.worst_event, late - tick, -late});
        }
    }
}

void random_protocols(std::uint64_t share) {
    const std::uint64_t count = from_environment("SLOWFILM_PROTOCOLS", 20) / 4;
    const sim::ParticleParameters parameters = sim::particle_set("nmc-graphite-pouch-5ah").value();
    Comparison all;
    for (std::uint64_t i = 0; i < count; ++i) {
        const std::uint64_t seed = from_environment("SLOWFILM_SEED", 1) * 1'000'003 + share * 1'009 + i;
        SCOPED_TRACE("seed " + std::to_string(seed));
        std::mt19937_64 random(seed);
        Comparison one;
        compare(draw(random), parameters, true, one);
        EXPECT_LE(one.worst_first_minute, 1e-3);
        EXPECT_LE(one.worst_steep, 1e-3);
        EXPECT_LE(one.worst_event, 0.5);
        EXPECT_EQ(one.events, one.events_of_grid);
        std::sort(one.off.begin(), one.off.end());
        all.off.insert(all.off.end(), one.off.begin(), one.off.end());
    }
    std::sort(all.off.begin(), all.off.end());
    EXPECT_LE(all.off[all.off.size() * 99 / 100], 1e-4);
}

TEST(AgainstCvode, random_protocols_agree_1) {
    random_protocols(0);
}
TEST(AgainstCvode, random_protocols_agree_2) {
    random_protocols(1);
}
TEST(AgainstCvode, random_protocols_agree_3) {
    random_protocols(2);
}
TEST(AgainstCvode, random_protocols_agree_4) {
    random_protocols(3);
}

TEST(AgainstCvode, diffusion_of_salt_by_its_own_concentration_is_left_out_at_the_price_of_a_third_of_a_millivolt) {
    const sim::ParticleParameters parameters = sim::particle_set("nmc-graphite-pouch-5ah").value();
    std::mt19937_64 random(1'001'012);
    Comparison one;
    compare(draw(random), parameters, false, one);
    std::sort(one.off.begin(), one.off.end());
    EXPECT_LE(one.off[one.off.size() * 99 / 100], 3e-4);
    EXPECT_LE(one.worst_first_minute, 1e-3);
}

}  // namespace
}  // namespace slowfilm
