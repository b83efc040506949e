// What has to be looked up and judged before a run may begin. Pure but for the ledger and the disk, so that it can be
// done away from the bench's thread.
#pragma once

#include "daemon/core/cell.hpp"
#include "daemon/core/result.hpp"
#include "daemon/core/traits.hpp"
#include "daemon/engine/plan.hpp"
#include "daemon/protocol/protocol.hpp"

#include <cstdint>
#include <functional>
#include <optional>
#include <string>

namespace slowfilm::bench {

struct StartRequest {
    std::string channel, cell;
    std::string protocol_file;  // as the user named it, for complaints
    std::string protocol_text;
    std::optional<Charge> capacity;  // of this cell; absent: the protocol's
};

struct Prepared {
    protocol::Protocol protocol;
    engine::Plan plan;
    CellHistory history;
};

// Bytes free for the ledger at this path.
using FreeBytes = std::function<Result<std::uint64_t>(const std::string& path)>;
[[nodiscard]] Result<std::uint64_t> free_bytes_beside(const std::string& path);

// The most that a run can take of the disk, by arithmetic: its tape, what it keeps, its visits and events.
[[nodiscard]] std::uint64_t ledger_bytes_bound(const protocol::Protocol& protocol, const engine::Plan& plan);

// bad_data: the protocol's complaints, rendered; a cell that does not fit it; a quarantined cell. cannot_write: no
// room.
[[nodiscard]] Result<Prepared> prepare_start(const StartRequest& wanted, const ChannelTraits& traits,
                                             const BenchCaps& caps, const std::string& ledger_path,
                                             const FreeBytes& free_bytes);

}  // namespace slowfilm::bench
