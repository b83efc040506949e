// TOML text -> Protocol value, with every complaint of the grammar at its place. What the values mean for a cell is
// judged afterwards (check.hpp).
#pragma once

#include "daemon/core/diagnostic.hpp"
#include "daemon/protocol/protocol.hpp"
#include "daemon/protocol/toml_reader.hpp"

#include <optional>
#include <string>
#include <string_view>

namespace slowfilm::protocol {

struct Parsed {
    std::optional<Protocol> protocol;  // only when nothing was refused
    // As much as could be read, so that later checks can add their complaints in the same pass. Absent after a syntax
    // error, or when the cell's capacity or window or a step's `do` could not be read. What was refused is an absent
    // optional in it.
    std::optional<Protocol> sketch;
    Places places;
    Diagnostics diagnostics;
};

[[nodiscard]] Parsed parse_protocol(std::string file, std::string_view text);

}  // namespace slowfilm::protocol
