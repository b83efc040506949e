// What a bench file says of a simulated channel, as the simulation takes it.
#pragma once

#include "daemon/bench/config.hpp"
#include "daemon/channel/channel.hpp"
#include "daemon/core/result.hpp"

#include <memory>

namespace slowfilm::daemon {

[[nodiscard]] Result<std::unique_ptr<channel::Channel>> make_channel(const bench::ChannelConfig& config);

}  // namespace slowfilm::daemon
