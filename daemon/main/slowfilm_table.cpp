#include "daemon/main/slowfilm_table.hpp"

#include <algorithm>

namespace slowfilm::command {

namespace {

std::size_t width_of(const std::string& text) {
    return static_cast<std::size_t>(std::count_if(
        text.begin(), text.end(), [](char c) { return (static_cast<unsigned char>(c) & 0xC0U) != 0x80U; }));
}

}  // namespace

std::string table(const std::vector<TableRow>& rows, const std::vector<std::size_t>& right) {
    std::vector<std::size_t> widths;
    for (const TableRow& row : rows) {
        widths.resize(std::max(widths.size(), row.cells.size()));
        for (std::size_t i = 0; i < row.cells.size(); ++i) {
            widths[i] = std::max(widths[i], width_of(row.cells[i]));
        }
    }
    std::string text;
    for (const TableRow& row : rows) {
        std::string line;
        for (std::size_t i = 0; i < row.cells.size(); ++i) {
            const std::string padding(widths[i] - width_of(row.cells[i]), ' ');
            const bool to_the_right = std::find(right.begin(), right.end(), i) != right.end();
            line += "  " + (to_the_right ? padding + row.cells[i] : row.cells[i] + padding);
        }
        text += paint(line.substr(0, line.find_last_not_of(' ') + 1), row.colour) + "\n";
    }
    return text;
}

}  // namespace slowfilm::command
