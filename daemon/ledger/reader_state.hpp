// What the reader and its verification share.
#pragma once

#include "daemon/ledger/reader.hpp"
#include "daemon/ledger/schema.hpp"
#include "daemon/ledger/sqlite.hpp"

#include <functional>
#include <string>
#include <vector>

namespace slowfilm::ledger {

struct Reader::State {
    std::string path;
    Connection connection;
    bool immutable{false};

    [[nodiscard]] Result<void> refresh();
    [[nodiscard]] Result<void> has_run(RunNumber number);
    // From the chunk that holds the input after `after`, or the first one.
    [[nodiscard]] Result<void> chunks(RunNumber number, std::uint64_t after,
                                      const std::function<bool(const TapeChunk&)>& visit);
};

[[nodiscard]] Result<void> read(Statement& from, RunLine& line);
// The inputs of a chunk, checked against its row.
[[nodiscard]] Result<std::vector<Input>> inputs_of(const TapeChunk& chunk);

}  // namespace slowfilm::ledger
