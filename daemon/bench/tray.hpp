// A tray file: which cells go into which channels under one protocol. TOML text -> Tray, every complaint with
// file:line:column.
#pragma once

#include "daemon/core/diagnostic.hpp"
#include "daemon/core/quantity.hpp"
#include "daemon/core/result.hpp"

#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace slowfilm::bench {

struct TrayCell {
    std::string channel, id;
    std::optional<Charge> capacity;  // of this cell; absent: the protocol's
};

struct Tray {
    std::string name;      // as written, else the file's
    std::string protocol;  // path, relative ones from the tray file's directory
    std::vector<TrayCell> cells;
};

struct ParsedTray {
    std::optional<Tray> tray;  // only when nothing was refused
    Diagnostics diagnostics;
};

[[nodiscard]] ParsedTray parse_tray(const std::string& file, std::string_view text);
// Reads and parses; bad_data with all complaints rendered, no_input or not_allowed where it cannot be read.
[[nodiscard]] Result<Tray> load_tray(const std::string& file);

}  // namespace slowfilm::bench
