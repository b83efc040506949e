// A channel whose instrument and cell are models in this process. It answers at once.
#pragma once

#include "daemon/channel/channel.hpp"
#include "sim/cell/circuit_parameters.hpp"
#include "sim/stage/chamber.hpp"
#include "sim/stage/stage.hpp"

#include <cstdint>
#include <memory>
#include <string>

namespace slowfilm::sim {

struct SimulatedChannelOptions {
    StageOptions stage;                      // traits, errors, noise, seed, ambient, the stage's faults
    CircuitParameters cell{nmc_graphite()};  // scaled to each cell's capacity when it is loaded; its faults with it
    // Cells differ: relative standard deviations, drawn from the seed and the cell's ID, so a cell is always the same.
    double capacity_spread{0.0};
    double resistance_spread{0.0};
    double capacity_ratio{1.0};        // what it has of what is written on it
    std::shared_ptr<Chamber> chamber;  // around this fixture and others; null: the stage's own ambient, for ever
    std::string faulty_cell;           // the faults of stage and cell are this cell's alone; empty: every cell's
};

[[nodiscard]] Result<void> check(const SimulatedChannelOptions& options);

// Refuses numbers no cell or stage can have, in a sentence.
[[nodiscard]] Result<std::unique_ptr<channel::Channel>> make_simulated_channel(SimulatedChannelOptions options);

}  // namespace slowfilm::sim
