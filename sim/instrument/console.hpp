// The console's commands, one a line. `help` lists them.
#pragma once

#include "sim/instrument/virtual_bench.hpp"

#include <string>
#include <string_view>

namespace slowfilm::sim::instrument {

// The answer: lines, the last of which is "ok" or "error: " and a sentence. Any bytes are taken.
[[nodiscard]] std::string console(VirtualBench& bench, std::string_view line);

}  // namespace slowfilm::sim::instrument
