// Columns of text, padded by characters and not by bytes.
#pragma once

#include "daemon/main/slowfilm_output.hpp"

#include <string>
#include <vector>

namespace slowfilm::command {

struct TableRow {
    std::vector<std::string> cells;
    Colour colour{Colour::none};
};

// The first row is the heading. Columns named in `right` (by index) are aligned right. Two spaces in front and between.
[[nodiscard]] std::string table(const std::vector<TableRow>& rows, const std::vector<std::size_t>& right = {});

}  // namespace slowfilm::command
