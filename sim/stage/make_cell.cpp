#include "sim/stage/make_cell.hpp"

#include "daemon/core/text.hpp"
#include "sim/cell/circuit.hpp"
#include "sim/cell/particle.hpp"
#include "sim/stage/noise.hpp"

#include <utility>

namespace slowfilm::sim {

namespace {

std::unique_ptr<Cell> make_circuit_cell(CircuitParameters cell, CellState state) {
    return check(cell) ? std::make_unique<CircuitCell>(std::move(cell), state) : nullptr;
}

// Most of an electrochemical cell's resistance is in its reactions: that is where it differs from others.
std::unique_ptr<Cell> make_particle_cell(const ParticleParameters& set, const CircuitParameters& like, double rated,
                                         double resistance, CellState state) {
    if (!(rated > 0.0 && like.capacity > 0.0 && resistance > 0.0)) {
        return nullptr;
    }
    ParticleParameters cell = scaled(set, like.capacity);
    cell.capacity = rated;
    cell.negative.rate /= resistance;
    cell.positive.rate /= resistance;
    cell.ambient = like.ambient;
    cell.reversed = like.reversed;
    cell.faults = like.faults;
    return check(cell) ? std::make_unique<ParticleCell>(cell, state) : nullptr;
}

}  // namespace

std::uint64_t number_of(std::string_view id) {
    std::uint64_t hash = 0xCBF2'9CE4'8422'2325U;
    for (const char c : id) {
        hash = (hash ^ static_cast<unsigned char>(c)) * 0x100'0000'01B3U;
    }
    return hash;
}

std::unique_ptr<Cell> make_cell(const CellKind& kind, double rated, CellState state, std::uint64_t drawn,
                                double ambient) {
    const double own = rated * kind.capacity_ratio * (1.0 + kind.capacity_spread * deviation(drawn));
    CircuitParameters cell = scaled(kind.cell, rated > 0.0 ? rated : kind.cell.capacity);
    cell.capacity = own;
    const double resistance = 1.0 + kind.resistance_spread * deviation(mixed(drawn));
    cell.series_resistance *= resistance;
    for (RcPair& pair : cell.pairs) {
        pair.resistance *= resistance;
    }
    cell.ambient = ambient;
    return kind.set ? make_particle_cell(*kind.set, cell, rated, resistance, state)
                    : make_circuit_cell(std::move(cell), state);
}

Result<void> check(const CellKind& kind) {
    if (auto good = check(kind.cell); !good) {
        return good;
    }
    if (kind.set) {
        if (auto good = check(*kind.set); !good) {
            return good;
        }
    }
    for (const double spread : {kind.capacity_spread, kind.resistance_spread}) {
        if (!(spread >= 0.0 && spread <= 0.25)) {
            return fail(Failure::bad_config, "cells may differ by a standard deviation of 0 to 25 %, not " +
                                                 print_number(spread * 100.0) + " %");
        }
    }
    if (!(kind.capacity_ratio > 0.01 && kind.capacity_ratio <= 2.0)) {
        return fail(Failure::bad_config, "a cell has 1 to 200 % of what is written on it, not " +
                                             print_number(kind.capacity_ratio * 100.0) + " %");
    }
    return {};
}

}  // namespace slowfilm::sim
