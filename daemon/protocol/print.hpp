// Protocol value -> TOML text that parses to the same value.
#pragma once

#include "daemon/protocol/protocol.hpp"

#include <cstdint>
#include <string>

namespace slowfilm::protocol {

[[nodiscard]] std::string to_toml(const Protocol& protocol);
// A figure's value, of the dimension that figure has: "84 %", "4.8 Ah", "40 mohm", "2 mV/d".
[[nodiscard]] std::string print_figure(Dimension dimension, std::int64_t value);

}  // namespace slowfilm::protocol
