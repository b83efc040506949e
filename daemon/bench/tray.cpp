#include "daemon/bench/tray.hpp"

#include "daemon/bench/config.hpp"
#include "daemon/core/text.hpp"
#include "daemon/protocol/protocol.hpp"
#include "daemon/protocol/toml_reader.hpp"

#include <filesystem>
#include <map>
#include <utility>

namespace slowfilm::bench {
namespace {

using protocol::Document;
using protocol::Need;
using protocol::Table;

// What can stand once in a tray, and where it stood first.
using Seen = std::map<std::string, Place, std::less<>>;

std::string read_name(Table& table, std::string_view key, std::string_view what, Seen& seen) {
    const std::string name = table.text(key, Need::required).value_or("");
    if (!table.has_text(key, name)) {
        return name;  // the complaint is made
    }
    if (const auto reason = why_no_name(name)) {
        table.error(table.place_of(key),
                    "the " + std::string(what) + " " + *reason + "; it needs 1 to 64 printable characters");
        return name;
    }
    if (const auto [first, fresh] = seen.emplace(name, table.place_of(key)); !fresh) {
        table.error(table.place_of(key), "the " + std::string(what) + " '" + escaped(name) + "' stands in line " +
                                             std::to_string(first->second.line) +
                                             " already; each can be in a tray once");
    }
    return name;
}

void read_cells(Table& root, Tray& tray) {
    Seen channels;
    Seen ids;
    for (Table& table : root.tables("cell", Need::required)) {
        TrayCell cell;
        cell.channel = read_name(table, "channel", "channel", channels);
        cell.id = read_name(table, "id", "cell's ID", ids);
        cell.capacity = table.quantity<Dimension::charge>("capacity");
        if (const auto reason = cell.capacity ? protocol::why_no_capacity(*cell.capacity) : std::nullopt) {
            table.error(table.place_of("capacity"), "a rated capacity of " + print(*cell.capacity) + " " + *reason);
        }
        tray.cells.push_back(std::move(cell));
    }
    if (tray.cells.empty() && !root.has("cell")) {
        return;  // its absence is complained of already
    }
    if (tray.cells.empty()) {
        root.error(root.place_of("cell"), "a tray needs at least one [[cell]] with 'channel' and 'id'");
    }
    if (tray.cells.size() > channels_max) {
        root.error(root.place_of("cell"), "a tray holds at most " + std::to_string(channels_max) +
                                              " cells, as many as a bench has channels; this one has " +
                                              std::to_string(tray.cells.size()));
    }
}

}  // namespace

ParsedTray parse_tray(const std::string& file, std::string_view text) {
    Document document = Document::parse(file, text);
    const std::filesystem::path path(file);
    Tray tray;
    tray.name = valid_utf8(path.stem().string());
    if (document.readable()) {
        Table root = document.root();
        const std::optional<std::string> protocol = root.text("protocol", Need::required);
        if (protocol && (protocol->empty() || protocol->find('\0') != std::string::npos)) {
            root.error(root.place_of("protocol"), "'protocol' needs the path of a file");
        }
        tray.protocol = (path.parent_path() / protocol.value_or("")).lexically_normal().string();
        if (root.has("name")) {
            Seen once;
            tray.name = read_name(root, "name", "tray's name", once);
        }
        read_cells(root, tray);
        document.refuse_unknown_keys();
    }
    ParsedTray parsed;
    parsed.diagnostics = document.diagnostics();
    parsed.diagnostics.sort();
    if (!parsed.diagnostics.has_errors()) {
        parsed.tray = std::move(tray);
    }
    return parsed;
}

Result<Tray> load_tray(const std::string& file) {
    const Result<std::string> text = protocol::read_file_bounded(file);
    if (!text) {
        return tl::unexpected(text.error());
    }
    ParsedTray parsed = parse_tray(file, *text);
    if (!parsed.tray) {
        return fail(Failure::bad_data, render(parsed.diagnostics, *text));
    }
    return std::move(*parsed.tray);
}

}  // namespace slowfilm::bench
