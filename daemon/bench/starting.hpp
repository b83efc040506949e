// A start under way: of one cell, or of a tray.
#pragma once

#include "daemon/bench/preparation.hpp"
#include "daemon/control/server.hpp"
#include "daemon/core/result.hpp"
#include "daemon/ledger/records.hpp"

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

namespace slowfilm::bench {

class ChannelTask;

struct StartingCell {
    CellWanted wanted;
    ChannelTask* task{nullptr};
    bool reserved{false};
    std::optional<Error> why_not;
    std::optional<Prepared> prepared;
    ledger::RunNumber run{0};  // 0: not begun
};

struct Starting {
    control::Peer peer;
    control::Reply reply;
    ProtocolWanted protocol;
    bool is_tray{false};
    bool all_or_none{false};
    std::string tray_name;
    std::vector<StartingCell> cells;

    [[nodiscard]] bool any_refused() const;
    [[nodiscard]] bool any_wanted() const;  // one that has not been refused
};

}  // namespace slowfilm::bench
