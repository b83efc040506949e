// What the bench says of a channel behind a channel board (config/board-link.md).
#pragma once

#include "daemon/channel/port.hpp"
#include "daemon/core/quantity.hpp"
#include "daemon/core/result.hpp"
#include "daemon/core/traits.hpp"
#include "daemon/wire/board_link.hpp"

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

namespace slowfilm::channel {

struct BoardChannelOptions {
    PortOptions port;
    Duration answer;  // an answer that has not come by then does not come; Open waits for one at most
    Duration boot;    // after opening, where the board starts anew then
    std::optional<std::uint32_t> kind, serial;  // the board must say these; absent: any will do
    wire::BoardLimits limits;                   // that the board holds to by itself; written and read back
    bool has_thermometer{false};                // fitted to the board, whether or not it is the channel's
    bool four_wire{true};
    ChannelTraits traits;
};

// A heart that beats once a period must have beaten so often within the board's patience.
inline constexpr std::int64_t periods_a_watchdog = 3;

// bad_config: the limits would stop what the channel is there for, or could not be kept.
[[nodiscard]] Result<void> can_make(const BoardChannelOptions& options);

// What a person should weigh before a cell is connected, one sentence each.
[[nodiscard]] std::vector<std::string> remarks(const BoardChannelOptions& options);

// "4.35 V to -200 mV, 3.2 A, 65 degC, heartbeat within 2 s"
[[nodiscard]] std::string describe(const wire::BoardLimits& limits);

// "channel board, kind 1, number 17, firmware 1"
[[nodiscard]] std::string describe(const wire::BoardIdentity& identity);
// What a board says of itself, one phrase each.
[[nodiscard]] std::vector<std::string> abilities(const wire::BoardIdentity& identity);

}  // namespace slowfilm::channel
