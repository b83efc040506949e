// A channel whose instrument and cell are models in this process. It answers at once.
#pragma once

#include "daemon/channel/channel.hpp"
#include "sim/stage/chamber.hpp"
#include "sim/stage/make_cell.hpp"
#include "sim/stage/stage.hpp"

#include <functional>
#include <memory>
#include <optional>
#include <string>

namespace slowfilm::sim {

// The electrochemical cell of a protocol's chemistry; nothing where there is none.
using SetOf = std::function<std::optional<ParticleParameters>(const std::string& chemistry)>;

struct SimulatedChannelOptions : CellKind {
    SetOf set_of;                      // where `set` is absent: that of each cell; null: the circuit
    StageOptions stage;                // traits, errors, noise, seed, ambient, the stage's faults
    std::shared_ptr<Chamber> chamber;  // around this fixture and others; null: the stage's own ambient, for ever
    std::string faulty_cell;           // the faults of stage and cell are this cell's alone; empty: every cell's
};

[[nodiscard]] Result<void> check(const SimulatedChannelOptions& options);

// Refuses numbers no cell or stage can have, in a sentence.
[[nodiscard]] Result<std::unique_ptr<channel::Channel>> make_simulated_channel(SimulatedChannelOptions options);

}  // namespace slowfilm::sim
