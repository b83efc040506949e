// From the record back to the run: a run is a fold over its tape, so the same tape gives the same decisions, to the
// bit.
#pragma once

#include "daemon/channel/channel.hpp"
#include "daemon/core/result.hpp"
#include "daemon/engine/engine.hpp"
#include "daemon/ledger/reader.hpp"
#include "daemon/ledger/records.hpp"

#include <cstdint>
#include <memory>
#include <string>

namespace slowfilm::bench {

struct ReplayReport {
    ledger::RunNumber run{0};
    std::uint64_t inputs{0};
    std::uint64_t events{0};            // compared with those recorded
    bool checkpoint_compared{false};    // the state at the last checkpoint, byte for byte
    RunState state{RunState::planned};  // at the tape's end
    bool same{false};
    std::string difference;  // the first one, as a sentence; "" when same
};

// Feeds the whole tape to the engine again. bad_data: a run that this version cannot read, or a tape with a hole.
[[nodiscard]] Result<ReplayReport> replay(ledger::Reader& reader, ledger::RunNumber number);

struct RestoredRun {
    std::unique_ptr<const engine::Plan> plan;
    engine::Run run;
};

// The last checkpoint and the tape since; the whole tape where there is none.
[[nodiscard]] Result<RestoredRun> restore_run(ledger::Reader& reader, const ledger::RunData& data);

// A simulated cell is where its runs left it: the same demands and samples at the same times, over all their tapes. The
// output is left open. False, and nothing loaded, where the ledger has no run of that cell.
[[nodiscard]] Result<bool> rebuild_simulated_cell(ledger::Reader& reader, const std::string& cell,
                                                  channel::Channel& channel);

}  // namespace slowfilm::bench
