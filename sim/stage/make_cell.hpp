// One cell out of many alike: what its ID and the spread of its kind make of the parameters.
#pragma once

#include "daemon/core/cell.hpp"
#include "daemon/core/result.hpp"
#include "sim/cell/cell.hpp"
#include "sim/cell/circuit_parameters.hpp"
#include "sim/cell/particle_parameters.hpp"

#include <cstdint>
#include <memory>
#include <optional>
#include <string_view>

namespace slowfilm::sim {

struct CellKind {
    CircuitParameters cell{nmc_graphite()};  // scaled to each cell's capacity when it is made; its faults with it
    // The electrochemical cell in its place, with the faults and the direction of `cell`.
    std::optional<ParticleParameters> set;
    // Cells differ: relative standard deviations, drawn from the cell's ID, so a cell is always the same.
    double capacity_spread{0.0};
    double resistance_spread{0.0};
    double capacity_ratio{1.0};  // what it has of what is written on it
};

// Refuses numbers no cell can have, in a sentence.
[[nodiscard]] Result<void> check(const CellKind& kind);

// A number for a cell's ID, the same everywhere (FNV-1a).
[[nodiscard]] std::uint64_t number_of(std::string_view id);

// `rated`: Ah; `drawn`: what makes this cell differ, evenly spread over all bits; `ambient`: degC. Nothing where no
// such cell can be.
[[nodiscard]] std::unique_ptr<Cell> make_cell(const CellKind& kind, double rated, CellState state, std::uint64_t drawn,
                                              double ambient);

}  // namespace slowfilm::sim
