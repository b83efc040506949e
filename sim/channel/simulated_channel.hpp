// A channel whose instrument and cell are models in this process. It answers at once.
#pragma once

#include "daemon/channel/channel.hpp"
#include "sim/stage/chamber.hpp"
#include "sim/stage/make_cell.hpp"
#include "sim/stage/stage.hpp"

#include <memory>
#include <string>

namespace slowfilm::sim {

struct SimulatedChannelOptions : CellKind {
    StageOptions stage;                // traits, errors, noise, seed, ambient, the stage's faults
    std::shared_ptr<Chamber> chamber;  // around this fixture and others; null: the stage's own ambient, for ever
    std::string faulty_cell;           // the faults of stage and cell are this cell's alone; empty: every cell's
};

[[nodiscard]] Result<void> check(const SimulatedChannelOptions& options);

// Refuses numbers no cell or stage can have, in a sentence.
[[nodiscard]] Result<std::unique_ptr<channel::Channel>> make_simulated_channel(SimulatedChannelOptions options);

}  // namespace slowfilm::sim
