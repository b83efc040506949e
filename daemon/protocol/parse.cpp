#include "daemon/protocol/parse.hpp"

#include "daemon/core/text.hpp"
#include "daemon/protocol/parse_accept.hpp"
#include "daemon/protocol/parse_fields.hpp"
#include "daemon/protocol/parse_limits.hpp"
#include "daemon/protocol/parse_steps.hpp"

#include <algorithm>
#include <array>
#include <cmath>

namespace slowfilm::protocol {
namespace {

constexpr std::uint32_t language_version = 1;
constexpr std::size_t complaints_max = 200;

// A section by its grammar; where the file has none, nothing, and the complaint if it is required.
std::optional<Fields> section(Table& root, std::string_view name) {
    const Section& known = grammar_section(name);
    if (known.required && !root.has(name)) {
        root.know(name);
        std::string keys;
        for (const Key& key : known.keys) {
            if (key.required != 0) {
                keys += (keys.empty() ? "" : ", ") + std::string{key.name};
            }
        }
        root.error(root.place(), "there is no " + std::string{known.heading} + "; it must hold " + keys);
        return std::nullopt;
    }
    auto table = root.table(name);
    return table ? std::optional{Fields{std::move(*table), known.keys}} : std::nullopt;
}

template <Dimension D>
Range<Quantity<D>> range(Fields& fields, std::string_view name) {
    Range<Quantity<D>> result;
    if (auto table = fields.table(name)) {
        result.min = table->quantity<D>("min");
        result.max = table->quantity<D>("max");
        if (upside_down(result.min, result.max)) {
            fields.error(table->place_of("max"),
                         "'" + std::string{name} + "' has its max at or below its min; max must be above it");
        }
        if (table->empty()) {
            fields.error(table->place(), "'" + std::string{name} + "' says nothing; write min, max or both");
        }
        table->refuse_others();
    }
    return result;
}

// Whether capacity and window are there for later checks.
bool parse_cell(Table& root, Cell& cell) {
    auto fields = section(root, "cell");
    if (!fields) {
        return false;
    }
    cell.chemistry = static_cast<Chemistry>(fields->word("chemistry").value_or(3));
    if (const auto format = fields->word("format")) {
        cell.format = static_cast<CellFormat>(*format + 1);  // CellFormat::unsaid has no word
    }
    const auto capacity = fields->quantity<Dimension::charge>("capacity");
    cell.state = static_cast<CellState>(fields->word("state").value_or(0));
    cell.unusual_window = fields->text("unusual_window").value_or("");
    if (fields->written("unusual_window") == "") {
        fields->error(fields->place_of("unusual_window"),
                      "'unusual_window' is empty; write the reason for the unusual window");
    }
    std::optional<Voltage> min;
    std::optional<Voltage> max;
    if (auto window = fields->table("window")) {
        min = window->quantity<Dimension::voltage>("min");
        max = window->quantity<Dimension::voltage>("max");
        if (upside_down(min, max)) {
            fields->error(window->place_of("max"), "the window's max is at or below its min; max must be above it");
            max.reset();
        }
        window->refuse_others();
    }
    fields->refuse_others();
    cell.capacity = capacity.value_or(Charge{});
    cell.window_min = min.value_or(Voltage{});
    cell.window_max = max.value_or(Voltage{});
    if (capacity && *capacity > largest_capacity) {
        fields->error(fields->place_of("capacity"), "the largest rated capacity is 500 Ah");
        return false;
    }
    return capacity && min && max;
}

void parse_start(Table& root, Start& start) {
    if (auto fields = section(root, "start")) {
        start.voltage = range<Dimension::voltage>(*fields, "voltage");
        start.temperature = range<Dimension::temperature>(*fields, "temperature");
        start.resistance = range<Dimension::resistance>(*fields, "resistance");
        start.soaked = fields->quantity<Dimension::time>("soaked");
        fields->refuse_others();
    }
}

void parse_keep(Table& root, Keep& keep) {
    if (auto fields = section(root, "keep")) {
        keep = read_keep(*fields);
    }
}

void parse_interruption(Table& root, Interruption& interruption) {
    if (auto fields = section(root, "interruption")) {
        interruption.then = static_cast<AfterInterruption>(fields->word("then").value_or(0));
        interruption.longest = fields->quantity<Dimension::time>("longest");
        interruption.total = fields->quantity<Dimension::time>("total");
        interruption.voltage_fall_max = fields->quantity<Dimension::voltage>("voltage_fall_max");
        interruption.voltage_rise_max = fields->quantity<Dimension::voltage>("voltage_rise_max");
        interruption.charge_uncertain_max = fields->charge_or_ratio("charge_uncertain_max");
        fields->refuse_others();
    }
}

void parse_after(Table& root, Protocol& protocol) {
    if (auto fields = section(root, "after")) {
        if (const auto ship = fields->word("ship")) {
            protocol.ship = static_cast<Ship>(*ship + 1);  // Ship::no has no word
        }
        if (fields->empty()) {
            fields->error(fields->place(), "[after] says nothing; write ship, or remove it");
        }
        fields->refuse_others();
    }
}

void parse_top(Table& root, Protocol& protocol) {
    Fields fields{root, grammar_section("").keys};
    if (const auto format = fields.count("format"); format && *format != language_version) {
        fields.error(fields.place_of("format"),
                     "this program reads format 1 of the language, not " + std::to_string(*format));
    }
    protocol.title = fields.text("title").value_or("");
    protocol.about = fields.text("about").value_or("");
}

// Sections are keys of the top table.
void refuse_other_sections(Table& root) {
    std::vector<std::string_view> known;
    for (const Key& key : grammar_section("").keys) {
        known.push_back(key.name);
    }
    for (const Section& each : grammar()) {
        if (!each.name.empty()) {
            known.push_back(each.name);
        }
    }
    for (const std::string& written : root.keys()) {
        if (std::find(known.begin(), known.end(), written) != known.end()) {
            continue;
        }
        const bool heading = root.has_table(written) || root.has_tables(written);
        const std::string_view near = nearest(written, known);
        root.error(root.place_of_key(written), (heading ? "unknown section '" : "unknown key '") +
                                                   escaped(written, 60) + "'" +
                                                   (near.empty() ? "" : "; did you mean '" + std::string{near} + "'?"));
    }
}

// A hundred thousand complaints help nobody; the errors stay, whatever is cut.
void cut(Diagnostics& diagnostics) {
    diagnostics.sort();
    const std::size_t all = diagnostics.items.size();
    if (all <= complaints_max) {
        return;
    }
    std::stable_partition(diagnostics.items.begin(), diagnostics.items.end(),
                          [](const Diagnostic& item) { return item.severity == Severity::error; });
    const Place last = diagnostics.items[complaints_max - 1].place;
    diagnostics.items.resize(complaints_max);
    diagnostics.error(last, "and " + std::to_string(all - complaints_max) + " more complaints; begin with the first");
    diagnostics.sort();
}

}  // namespace

Parsed parse_protocol(std::string file, std::string_view text) {
    Document document = Document::parse(std::move(file), text);
    Parsed parsed;
    if (document.readable()) {
        Table root = document.root();
        Protocol protocol;
        parse_top(root, protocol);
        const bool cell = parse_cell(root, protocol.cell);
        parse_start(root, protocol.start);
        if (auto limits = section(root, "limits")) {
            protocol.limits = parse_limits(std::move(*limits), protocol.cell);
        }
        parse_keep(root, protocol.keep);
        parse_interruption(root, protocol.interruption);
        ParsedSteps steps = parse_steps(root, protocol.cell);
        protocol.steps = std::move(steps.steps);
        if (auto accept = section(root, "accept")) {
            protocol.accept = parse_accept(std::move(*accept), protocol.steps);
        }
        parse_after(root, protocol);
        refuse_other_sections(root);
        if (!document.diagnostics().has_errors()) {
            parsed.protocol = protocol;
        }
        if (cell && steps.whole) {
            parsed.sketch = std::move(protocol);
        }
    }
    parsed.places = std::move(document.places());
    parsed.diagnostics = std::move(document.diagnostics());
    cut(parsed.diagnostics);
    return parsed;
}

}  // namespace slowfilm::protocol
