// What a protocol says, judged: the grammar's complaints (parse.hpp) and those of meaning, all in one pass, each at its
// place with what is wrong and what would be right. Everything is compared in whole nanovolts, nanoamperes,
// picocoulombs and microseconds, so a value that is equal to its limit in the file is equal here.
#pragma once

#include "daemon/core/diagnostic.hpp"
#include "daemon/protocol/bounds.hpp"
#include "daemon/protocol/protocol.hpp"

#include <optional>
#include <string>
#include <string_view>

namespace slowfilm::protocol {

struct Checked {
    std::optional<Protocol> protocol;  // only without errors; warnings leave it
    Diagnostics diagnostics;           // sorted by place
    Bounds bounds;                     // of the protocol for its rated capacity; all zero where there is none
};

// Never throws and does no I/O; `file` is only the name that complaints carry.
[[nodiscard]] Checked check_protocol(std::string file, std::string_view text);

}  // namespace slowfilm::protocol
