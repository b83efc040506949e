// Protocol value -> TOML text that parses to the same value.
#pragma once

#include "daemon/protocol/protocol.hpp"

#include <string>

namespace slowfilm::protocol {

[[nodiscard]] std::string to_toml(const Protocol& protocol);

}  // namespace slowfilm::protocol
