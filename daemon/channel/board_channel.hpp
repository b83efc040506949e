// A channel behind a channel board: it holds to limits of its own, and opens its output when our heart stops.
#pragma once

#include "daemon/channel/board_line.hpp"
#include "daemon/channel/board_options.hpp"
#include "daemon/channel/channel.hpp"
#include "daemon/core/result.hpp"

#include <memory>

namespace slowfilm::channel {

// bad_config: what can_make() refuses. That the port is not there, or another board hangs on it, is no error here: it
// is the channel's health, and is tried for ever.
[[nodiscard]] Result<std::unique_ptr<Channel>> make_board_channel(BoardChannelOptions options,
                                                                  std::unique_ptr<BoardLine> line);

}  // namespace slowfilm::channel
