#include "sim/instrument/config.hpp"

#include "daemon/core/text.hpp"
#include "daemon/protocol/toml_reader.hpp"
#include "sim/instrument/config_instruments.hpp"
#include "sim/sets/particle_sets.hpp"
#include "sim/stage/make_cell.hpp"
#include "sim/stage/noise.hpp"

#include <algorithm>
#include <array>
#include <utility>

namespace slowfilm::sim::instrument {

namespace {

using protocol::Document;
using protocol::Need;
using protocol::Table;

constexpr std::array<std::string_view, 3> states{"pristine", "tapped", "formed"};
constexpr std::array<std::string_view, 2> models{"electrochemical", "circuit"};
constexpr std::array<std::string_view, 3> cell_faults{"internal short", "contact resistance", "heat"};

constexpr double room_least = -30.0, room_most = 60.0;  // degC

double plain(const std::optional<Ratio>& ratio) {
    return ratio ? static_cast<double>(ratio->count) * 1e-6 : 0.0;
}

// --- Cells -----------------------------------------------------------------------------------------------------------

CellFault read_cell_fault(Table& table) {
    CellFault fault;
    const std::optional<std::size_t> kind = table.word("kind", cell_faults, Need::required);
    fault.kind = static_cast<CellFaultKind>(kind.value_or(0));
    if (kind && fault.kind == CellFaultKind::heat) {
        fault.magnitude = table.number("power_watt", Need::required).value_or(0.0);
    } else if (const auto ohms = table.quantity<Dimension::resistance>("resistance", Need::required)) {
        fault.magnitude = static_cast<double>(ohms->count) * 1e-9;
    }
    fault.after_time = seconds(table.quantity<Dimension::time>("after").value_or(Duration{}));
    return fault;
}

// What it is like: a shipped set, a file of one, or the equivalent circuit of a chemistry.
bool read_kind(Table& table, CellKind& kind) {
    const std::string like = table.text("like", Need::required).value_or("");
    const bool circuit = table.word("model", models).value_or(0) == 1;
    if (!table.has_text("like", like)) {
        return false;
    }
    if (circuit) {
        Result<CircuitParameters> cell = circuit_parameters(like);
        if (!cell) {
            table.error(table.place_of("like"), cell.error().message);
            return false;
        }
        kind.cell = std::move(*cell);
    } else {
        Result<ParticleParameters> set = particle_set(like);
        if (!set) {
            table.error(table.place_of("like"), set.error().message);
            return false;
        }
        kind.set = std::move(*set);
    }
    if (std::optional<Table> spread = table.table("spread")) {
        kind.capacity_spread = plain(spread->quantity<Dimension::ratio>("capacity"));
        kind.resistance_spread = plain(spread->quantity<Dimension::ratio>("resistance"));
    }
    kind.cell.reversed = table.truth("reversed").value_or(false);
    for (Table& fault : table.tables("fault")) {
        kind.cell.faults.push_back(read_cell_fault(fault));
    }
    return true;
}

void read_cell(Table& table, Surroundings& around) {
    const std::string name = table.text("name", Need::required).value_or("");
    const auto capacity = table.quantity<Dimension::charge>("capacity", Need::required);
    const auto state = table.word("state", states, Need::required);
    const auto seed = static_cast<std::uint64_t>(table.integer("seed", 0, INT64_MAX).value_or(0));
    const std::string id = table.text("id").value_or(name);
    const auto chamber = table.text("chamber");
    CellKind kind;
    if (!read_kind(table, kind)) {
        table.leave();
        return;
    }
    if (const auto why = why_no_port_name(name); why && table.has("name")) {
        table.error(table.place_of("name"), "\"" + escaped(name, 40) + "\" " + *why);
    }
    if (around.cells.contains(name) || around.chambers.contains(name) || name == "room") {
        table.error(table.place_of("name"), "another cell or chamber, or the room, is called \"" + name + "\" already");
        return;
    }
    const auto room = around.chambers.find(chamber.value_or(""));
    if (chamber && room == around.chambers.end()) {
        table.error(table.place_of("chamber"),
                    "no [[instrument]] of kind \"chamber\" is called \"" + escaped(*chamber, 40) + "\"");
        return;
    }
    if (const auto good = check(kind); !good) {
        table.error(table.place(), good.error().message);
        return;
    }
    const std::uint64_t drawn = mixed(number_of(id) ^ seed);
    std::unique_ptr<Cell> cell =
        capacity && state ? make_cell(kind, ampere_hours(*capacity), static_cast<CellState>(*state), drawn, around.room)
                          : nullptr;
    if (!cell) {
        if (capacity && state) {
            table.error(table.place_of("capacity"), "no such cell can be: its capacity is out of all proportion");
        }
        return;
    }
    const auto fixture = std::make_shared<Fixture>(std::move(cell), around.room);
    around.cells.emplace(name, fixture);
    if (room != around.chambers.end()) {
        room->second->hold(fixture);
    }
}

// --- Instruments and their faults ------------------------------------------------------------------------------------

void read_chambers(std::vector<Table>& instruments, Surroundings& around) {
    for (Table& table : instruments) {
        if (auto room = read_chamber_room(table, around.room)) {
            around.chambers.emplace(table.written_text("name").value_or(""), std::move(room));
        }
    }
}

// Modbus units of one port share its line; its speed is that of the first.
void put_on_line(Table& table, ReadInstrument read, VirtualBench::Parts& parts, std::vector<bool>& shared) {
    for (std::size_t at = 0; at < parts.lines.size(); ++at) {
        if (parts.lines[at].has(read.name)) {
            table.error(table.place_of("name"), "another instrument is called \"" + read.name + "\" already");
            return;
        }
    }
    for (std::size_t at = 0; at < parts.lines.size(); ++at) {
        if (parts.lines[at].name() != read.line.name) {
            continue;
        }
        if (!shared[at] || !read.shares_line) {
            table.error(table.place_of(table.has("port") ? "port" : "name"),
                        "the port \"" + read.line.name + "\" has an instrument already; only Modbus units share one");
            return;
        }
        parts.lines[at].add(read.name, std::move(read.instrument));
        return;
    }
    parts.lines.emplace_back(read.line);
    parts.lines.back().add(read.name, std::move(read.instrument));
    shared.push_back(read.shares_line);
}

void read_fault(Table& table, VirtualBench::Parts& parts, std::vector<Place>& places) {
    PlannedFault planned;
    planned.instrument = table.text("instrument", Need::required).value_or("");
    const auto kind = table.word("kind", fault_names(), Need::required);
    planned.after = table.quantity<Dimension::time>("after").value_or(Duration{});
    planned.for_ = table.quantity<Dimension::time>("for");
    planned.fault.value = table.number("value");
    planned.fault.setting = table.text("setting").value_or("");
    planned.fault.as = table.text("as").value_or("");
    planned.fault.output = static_cast<std::size_t>(table.integer("output", 1, 64).value_or(0));
    if (const auto why = planned.fault.as.empty() ? std::nullopt : why_no_port_name(planned.fault.as)) {
        table.error(table.place_of("as"), "\"" + escaped(planned.fault.as, 40) + "\" " + *why);
    }
    if (planned.for_ && planned.for_->count <= 0) {
        table.error(table.place_of("for"), "'for' must be above zero");
    }
    const bool known = std::any_of(parts.lines.begin(), parts.lines.end(),
                                   [&](const Line& line) { return line.has(planned.instrument); });
    if (!known && table.has("instrument")) {
        table.error(table.place_of("instrument"),
                    "no [[instrument]] is called \"" + escaped(planned.instrument, 40) + "\"");
    }
    if (known && kind) {
        planned.fault.kind = static_cast<FaultKind>(*kind);
        parts.faults.push_back(std::move(planned));
        places.push_back(table.place_of("kind"));
    }
}

void read_all(Table& root, VirtualBench::Parts& parts, std::vector<Place>& places) {
    Surroundings around;
    if (const auto room = root.quantity<Dimension::temperature>("room")) {
        around.room = celsius(*room);
        if (around.room < room_least || around.room > room_most) {
            root.error(root.place_of("room"), "a room has -30 degC to 60 degC");
            return;
        }
    }
    std::vector<Table> instruments = root.tables("instrument", Need::required);
    read_chambers(instruments, around);
    for (Table& table : root.tables("cell")) {
        read_cell(table, around);
    }
    std::vector<bool> shared;
    for (Table& table : instruments) {
        if (std::optional<ReadInstrument> read = read_instrument(table, around)) {
            put_on_line(table, std::move(*read), parts, shared);
        }
    }
    for (Table& table : root.tables("fault")) {
        read_fault(table, parts, places);
    }
    parts.cells = std::move(around.cells);
}

struct ReadDocument {
    Document document;
    VirtualBench::Parts parts;
    std::string folder;
    std::vector<Place> fault_places;  // of parts.faults
};

ReadDocument read_document(const std::string& file, std::string_view text) {
    ReadDocument read{Document::parse(file, text), {}, {}, {}};
    if (read.document.readable()) {
        Table root = read.document.root();
        (void)root.integer("format", 1, 1, Need::required);
        read.folder = root.text("folder").value_or("");
        read_all(root, read.parts, read.fault_places);
        read.document.refuse_unknown_keys();
    }
    return read;
}

// Each fault of the file once, on instruments that are thrown away after it: what an instrument cannot have is said
// now, not passed over in the night.
void try_faults(ReadDocument& read, const std::string& file, std::string_view text) {
    for (std::size_t at = 0; at < read.parts.faults.size(); ++at) {
        ReadDocument other = read_document(file, text);
        other.parts.faults.clear();
        VirtualBench trial{std::move(other.parts)};
        const PlannedFault& planned = read.parts.faults[at];
        if (const auto taken = trial.begin(planned.instrument, planned.fault); !taken) {
            read.document.diagnostics().error(read.fault_places[at],
                                              "\"" + planned.instrument + "\": " + taken.error());
        }
    }
}

}  // namespace

ReadBench read_virtual_bench(const std::string& file, std::string_view text) {
    ReadDocument read = read_document(file, text);
    Diagnostics& diagnostics = read.document.diagnostics();
    if (!diagnostics.has_errors()) {
        try_faults(read, file, text);
    }
    diagnostics.sort();
    ReadBench bench{std::nullopt, read.folder, diagnostics};
    if (!diagnostics.has_errors()) {
        bench.parts = std::move(read.parts);
    }
    return bench;
}

}  // namespace slowfilm::sim::instrument
