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

struct ProtocolWanted {
    std::string file;  // as the user named it, for complaints
    std::string text;
};

struct CellWanted {
    std::string channel, cell;
    std::optional<Charge> capacity;  // of this cell; absent: the protocol's
};

struct Prepared {
    protocol::Protocol protocol;
    engine::Plan plan;
    CellHistory history;
    std::uint64_t bytes{0};  // the most that the run can take of the disk
};

// Bytes free for the ledger at this path.
using FreeBytes = std::function<Result<std::uint64_t>(const std::string& path)>;
[[nodiscard]] Result<std::uint64_t> free_bytes_beside(const std::string& path);

// The most that a run can take of the disk, by arithmetic: its tape, what it keeps, its visits and events.
[[nodiscard]] std::uint64_t ledger_bytes_bound(const protocol::Protocol& protocol, const engine::Plan& plan);

// What a start is judged by, besides the protocol and the cell.
struct StartConditions {
    ChannelTraits traits;
    BenchCaps caps;
    std::string ledger_path;
    FreeBytes free_bytes;
    std::uint64_t bytes_spoken_for{0};  // by runs that start with this one
    std::int64_t utc{0};                // us since 1970, now
    std::string simulated_chemistry;    // of every cell in the channel's fixture; "": it follows the protocol
};

// bad_data: cells in that fixture are of another chemistry than the protocol is for.
[[nodiscard]] Result<void> check_chemistry(const protocol::Protocol& protocol, const std::string& simulated_chemistry);

// bad_data: the protocol's complaints, rendered; a cell that does not fit it, or was filled too short a time ago; a
// capacity that is not the protocol's or the cell's; a quarantined cell. cannot_write: no room.
[[nodiscard]] Result<Prepared> prepare_start(const ProtocolWanted& protocol, const CellWanted& wanted,
                                             const StartConditions& conditions);

}  // namespace slowfilm::bench
