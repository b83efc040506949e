// A file of virtual instruments to the instruments themselves. config/virtual-bench.toml shows every kind.
#pragma once

#include "daemon/core/diagnostic.hpp"
#include "sim/instrument/virtual_bench.hpp"

#include <optional>
#include <string>
#include <string_view>

namespace slowfilm::sim::instrument {

struct ReadBench {
    std::optional<VirtualBench::Parts> parts;  // absent: the diagnostics have errors
    std::string folder;                        // where the ports are to stand; "" where the file does not say
    Diagnostics diagnostics;
};
[[nodiscard]] ReadBench read_virtual_bench(const std::string& file, std::string_view text);

}  // namespace slowfilm::sim::instrument
