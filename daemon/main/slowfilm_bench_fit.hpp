// What one channel of a bench cannot protect while a protocol runs, or cannot tell as finely as it is written. What it
// cannot do at all refuses the plan (engine/plan.hpp).
#pragma once

#include "daemon/core/traits.hpp"
#include "daemon/protocol/protocol.hpp"

#include <string>
#include <vector>

namespace slowfilm::command {

// What will not be judged, or only late, or not as written: a sentence each, for a person to weigh.
[[nodiscard]] std::vector<std::string> not_protected(const protocol::Protocol& protocol, const ChannelTraits& traits);

}  // namespace slowfilm::command
