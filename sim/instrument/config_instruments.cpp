#include "sim/instrument/config_instruments.hpp"

#include "daemon/core/text.hpp"
#include "sim/instrument/board_instrument.hpp"
#include "sim/instrument/scpi_instrument.hpp"
#include "sim/stage/noise.hpp"

#include <algorithm>
#include <array>
#include <span>
#include <string_view>
#include <utility>

namespace slowfilm::sim::instrument {

namespace {

using protocol::Need;
using protocol::Table;

constexpr std::array<std::string_view, 7> kinds{
    "two-quadrant source", "supply", "load", "supply and load", "channel board", "temperature module", "chamber"};
enum class Kind : std::uint8_t { source, supply, load, pair, board, module, chamber };
constexpr std::array<std::string_view, 4> off_states{"relay open", "high impedance", "sinks", "goes to 0 V"};
constexpr std::array<std::string_view, 2> protections{"output off", "crowbar"};
constexpr std::array<std::string_view, 3> senses{"right", "swapped", "lifted"};

constexpr std::int64_t baud_least = 300, baud_most = 4'000'000;
constexpr double zero_drain = 1.0;  // A, as the fault has it

// Complains where it is below zero.
template <Dimension D>
Quantity<D> amount(Table& table, std::string_view key, Quantity<D> otherwise) {
    const auto value = table.quantity<D>(key);
    if (value && value->count < 0) {
        table.error(table.place_of(key), "'" + std::string(key) + "' may not be negative");
    }
    return value.value_or(otherwise);
}
// Complains unless it is above zero.
template <Dimension D>
Quantity<D> positive(Table& table, std::string_view key, Quantity<D> otherwise) {
    const auto value = table.quantity<D>(key);
    if (value && value->count <= 0) {
        table.error(table.place_of(key), "'" + std::string(key) + "' must be above zero");
        return otherwise;
    }
    return value.value_or(otherwise);
}

double kelvins(TemperatureDifference difference) {
    return static_cast<double>(difference.count) * 1e-3;
}
double plain(Ratio ratio) {
    return static_cast<double>(ratio.count) * 1e-6;
}

// --- What is the same of all -----------------------------------------------------------------------------------------

LineOptions read_line(Table& table, const std::string& name, bool modbus, std::int64_t baud) {
    LineOptions line;
    line.name = table.text("port").value_or(name);
    if (const auto why = why_no_port_name(line.name); why && (table.has("port") || table.has("name"))) {
        table.error(table.place_of(table.has("port") ? "port" : "name"), "\"" + escaped(line.name, 40) + "\" " + *why);
    }
    line.baud = table.integer("baud", baud_least, baud_most).value_or(baud);
    line.answer = amount<Dimension::time>(table, "answer", Duration{5'000});
    if (modbus) {
        line.character = 11;
        line.gap = wire::modbus::gap_between_frames(line.baud);
    }
    return line;
}

void read_meters(Table& table, StageOptions& stage) {
    stage.seed = static_cast<std::uint64_t>(table.integer("seed", 0, INT64_MAX).value_or(1));
    stage.delay = amount<Dimension::time>(table, "settle", Duration{});
    stage.thermometer_lag = seconds(amount<Dimension::time>(table, "thermometer_lag", Duration{}));
    if (std::optional<Table> meters = table.table("meters")) {
        stage.traits.voltage_resolution = positive<Dimension::voltage>(*meters, "voltage", Voltage{100'000});
        stage.traits.current_resolution = positive<Dimension::current>(*meters, "current", Current{100'000});
        stage.temperature_resolution =
            kelvins(positive<Dimension::temperature_difference>(*meters, "temperature", TemperatureDifference{100}));
    }
    if (std::optional<Table> noise = table.table("noise")) {
        stage.voltage_noise = volts(amount<Dimension::voltage>(*noise, "voltage", Voltage{}));
        stage.current_noise = amperes(amount<Dimension::current>(*noise, "current", Current{}));
        stage.temperature_noise =
            kelvins(amount<Dimension::temperature_difference>(*noise, "temperature", TemperatureDifference{}));
    }
    if (std::optional<Table> error = table.table("error")) {
        stage.voltage_gain = plain(error->quantity<Dimension::ratio>("voltage_gain").value_or(Ratio{}));
        stage.current_gain = plain(error->quantity<Dimension::ratio>("current_gain").value_or(Ratio{}));
        stage.voltage_offset = volts(error->quantity<Dimension::voltage>("voltage_offset").value_or(Voltage{}));
        stage.current_offset = amperes(error->quantity<Dimension::current>("current_offset").value_or(Current{}));
        stage.set_voltage_offset = volts(error->quantity<Dimension::voltage>("set_voltage_offset").value_or(Voltage{}));
        stage.set_current_offset =
            amperes(error->quantity<Dimension::current>("set_current_offset").value_or(Current{}));
        stage.temperature_offset = kelvins(
            error->quantity<Dimension::temperature_difference>("temperature_offset").value_or(TemperatureDifference{}));
    }
}

// Whether a stage can have these numbers.
bool passes(Table& table, const StageOptions& stage) {
    if (const auto good = check(stage); !good) {
        table.error(table.place(), good.error().message);
        return false;
    }
    return true;
}

std::shared_ptr<Fixture> find_cell(Table& table, std::string_view key, const std::string& name,
                                   const Surroundings& around) {
    const auto found = around.cells.find(name);
    if (found != around.cells.end()) {
        return found->second;
    }
    std::string all;
    for (const auto& [known, cell] : around.cells) {
        all += (all.empty() ? "" : ", ") + known;
    }
    table.error(table.place_of(key), "no [[cell]] is called \"" + escaped(name, 40) + "\"; there are " + all);
    return nullptr;
}

// Where the sense leads are if they are not at the instrument's own cell.
std::shared_ptr<Fixture> read_sensed(Table& table, const Surroundings& around) {
    const std::optional<std::string> name = table.text("sense_cell");
    return name ? find_cell(table, "sense_cell", *name, around) : nullptr;
}

// --- Sources, supplies and loads -------------------------------------------------------------------------------------

void read_off(Table& table, OutputOptions& output) {
    const std::size_t off = table.word("off_state", off_states, Need::required).value_or(0);
    constexpr std::size_t to_zero = 3;
    output.stage.traits.off_state = off == to_zero ? OffState::high_impedance : static_cast<OffState>(off);
    output.off_to_zero = off == to_zero ? zero_drain : 0.0;
    output.stage.off_leakage = amperes(amount<Dimension::current>(table, "off_leakage", Current{10'000}));
    output.stage.off_resistance =
        static_cast<double>(
            positive<Dimension::resistance>(table, "off_resistance", Resistance{500'000'000'000}).count) *
        1e-9;
}

OutputOptions read_output(Table& table, OutputKind kind) {
    OutputOptions output;
    output.kind = kind;
    if (kind != OutputKind::source) {  // as a bench supply is, and a load
        output.voltage_max = Voltage{8'000'000'000};
        output.source_max = Current{5'000'000'000};
        output.sink_max = Current{10'000'000'000};
        output.protection_least = Voltage{1'000'000'000};
        output.protection_most = Voltage{9'000'000'000};
    }
    output.stage = StageOptions{};
    output.stage.traits.voltage_resolution = Voltage{100'000};
    output.stage.traits.current_resolution = Current{100'000};
    read_meters(table, output.stage);
    if (std::optional<Table> voltage = table.table("voltage")) {
        output.voltage_max = positive<Dimension::voltage>(*voltage, "max", output.voltage_max);
        output.voltage_step = positive<Dimension::voltage>(*voltage, "resolution", output.voltage_step);
        output.protection_least = amount<Dimension::voltage>(*voltage, "protection_min", output.protection_least);
        output.protection_most = positive<Dimension::voltage>(*voltage, "protection_max", output.protection_most);
        if (output.protection_most <= output.protection_least) {
            voltage->error(voltage->place(), "protection_max must lie above protection_min");
        }
    }
    if (std::optional<Table> current = table.table("current")) {
        output.source_max = positive<Dimension::current>(*current, "source_max", output.source_max);
        output.sink_max = positive<Dimension::current>(*current, "sink_max", output.sink_max);
        output.current_step = positive<Dimension::current>(*current, "resolution", output.current_step);
    }
    output.stage.traits.voltage_min = -output.voltage_max;
    output.stage.traits.voltage_max = std::max(output.voltage_max, output.protection_most);
    read_off(table, output);
    output.crowbar = table.word("own_protection", protections).value_or(0) == 1;
    output.contactor = table.truth("contactor").value_or(false);
    output.thermometer = table.truth("thermometer").value_or(false);
    output.stage.reads_terminals = table.truth("terminals").value_or(false);
    return output;
}

std::unique_ptr<Instrument> read_scpi(Table& table, Kind kind, const std::string& name, const Surroundings& around) {
    std::vector<OutputOptions> outputs;
    if (kind == Kind::pair) {
        outputs = {read_output(table, OutputKind::supply), read_output(table, OutputKind::load)};
    } else {
        outputs = {read_output(table, kind == Kind::source   ? OutputKind::source
                                      : kind == Kind::supply ? OutputKind::supply
                                                             : OutputKind::load)};
    }
    const std::size_t sense = table.word("sense_leads", senses).value_or(0);
    for (OutputOptions& output : outputs) {
        output.sensed = read_sensed(table, around);
    }
    const std::vector<std::string> cells =
        table.has("cells") ? table.texts("cells", Need::required).value_or(std::vector<std::string>{})
                           : std::vector{table.text("cell", Need::required).value_or("")};
    if (kind == Kind::pair ? cells.size() != 1 : cells.empty() || cells.size() > 64) {
        table.error(table.place_of("cells"), kind == Kind::pair ? "a supply and load lie at one cell: cell = \"c1\""
                                                                : "one output for each of 1 to 64 cells");
        return nullptr;
    }
    ScpiOptions options{name, std::string{kinds[static_cast<std::size_t>(kind)]},
                        table.truth("remote_needed").value_or(false)};
    std::vector<std::unique_ptr<Output>> made;
    for (const std::string& cell : cells) {
        const std::shared_ptr<Fixture> fixture =
            table.has("cell") || table.has("cells")
                ? find_cell(table, table.has("cells") ? "cells" : "cell", cell, around)
                : nullptr;
        for (OutputOptions& output : outputs) {
            if (!fixture || !passes(table, output.stage)) {
                return nullptr;
            }
            output.stage.seed = mixed(output.stage.seed + made.size());
            made.push_back(std::make_unique<Output>(output, fixture));
            const Fault broken{.kind = sense == 1 ? FaultKind::sense_swapped : FaultKind::sense_lifted};
            if (sense != 0) {
                (void)made.back()->set_fault(broken, true, Time{});
            }
        }
    }
    return std::make_unique<ScpiInstrument>(std::move(options), std::move(made));
}

// --- The channel board -----------------------------------------------------------------------------------------------

std::unique_ptr<Instrument> read_board(Table& table, const Surroundings& around) {
    BoardOptions options;
    options.stage.traits.voltage_resolution = Voltage{10'000};
    options.stage.traits.current_resolution = Current{10'000};
    read_meters(table, options.stage);
    Voltage least{0}, most{5'000'000'000};
    Current source{6'000'000'000}, sink{6'000'000'000};
    if (std::optional<Table> voltage = table.table("voltage")) {
        least = voltage->quantity<Dimension::voltage>("min").value_or(least);
        most = voltage->quantity<Dimension::voltage>("max").value_or(most);
    }
    if (std::optional<Table> current = table.table("current")) {
        source = positive<Dimension::current>(*current, "source_max", source);
        sink = amount<Dimension::current>(*current, "sink_max", sink);
    }
    if (most <= least) {
        table.error(table.place_of("voltage"), "a board's voltage range must have its max above its min");
    }
    constexpr std::int64_t nano_in_micro = 1'000;
    wire::board::Fitted& fitted = options.fitted;
    fitted.kind = static_cast<std::uint32_t>(table.integer("board_kind", 1, 4'294'967'295).value_or(1));
    fitted.serial = static_cast<std::uint32_t>(table.integer("serial", 0, 4'294'967'295).value_or(1));
    fitted.voltage_least = least.count / nano_in_micro;
    fitted.voltage_most = most.count / nano_in_micro;
    fitted.source_most = source.count / nano_in_micro;
    fitted.sink_most = sink.count / nano_in_micro;
    fitted.terminals = table.truth("terminals").value_or(true);
    fitted.thermometer = table.truth("thermometer").value_or(true);
    fitted.ambient = table.truth("ambient_sensor").value_or(false);
    fitted.contactor = table.truth("contactor").value_or(false);
    options.stage.reads_terminals = fitted.terminals;
    ChannelTraits& traits = options.stage.traits;
    traits.off_state =
        static_cast<OffState>(table.word("off_state", std::span{off_states}.first(3), Need::required).value_or(0));
    traits.voltage_min = -most;
    traits.voltage_max = most;
    traits.source_max = source;
    traits.sink_max = sink;
    const std::optional<std::string> cell = table.text("cell", Need::required);
    const std::shared_ptr<Fixture> fixture = cell ? find_cell(table, "cell", *cell, around) : nullptr;
    if (!fixture || !passes(table, options.stage)) {
        return nullptr;
    }
    options.stage.ambient = fixture->ambient();
    options.sensed = read_sensed(table, around);
    return std::make_unique<BoardInstrument>(options, fixture);
}

// --- Modbus ----------------------------------------------------------------------------------------------------------

std::uint8_t read_unit(Table& table) {
    return static_cast<std::uint8_t>(table.integer("unit", 1, 247).value_or(1));
}

std::unique_ptr<Instrument> read_module(Table& table, const Surroundings& around) {
    StageOptions stage;
    stage.traits.voltage_max = Voltage{1'000'000'000};
    stage.temperature_resolution = 0.1;
    read_meters(table, stage);
    stage.ambient = around.room;
    const std::uint8_t unit = read_unit(table);
    const auto of = table.texts("of", Need::required);
    if (!of || !passes(table, stage)) {
        return nullptr;
    }
    constexpr std::size_t most = 32;
    if (of->empty() || of->size() > most) {
        table.error(table.place_of("of"), "a module has 1 to 32 thermometers, each of a cell, a chamber or \"room\"");
        return nullptr;
    }
    std::vector<std::unique_ptr<Stage>> thermometers;
    for (const std::string& place : *of) {
        StageOptions own = stage;
        own.seed = mixed(stage.seed + thermometers.size());
        const auto chamber = around.chambers.find(place);
        if (place == "room" || chamber != around.chambers.end()) {
            thermometers.push_back(std::make_unique<Stage>(std::make_unique<Air>(around.room), own));
            if (place != "room") {
                chamber->second->hold(thermometers.back().get());
            }
        } else if (const std::shared_ptr<Fixture> fixture = find_cell(table, "of", place, around)) {
            thermometers.push_back(std::make_unique<Stage>(std::make_unique<Leads>(fixture, 0.0), own));
        } else {
            return nullptr;
        }
    }
    return std::make_unique<TemperatureModule>(unit, std::move(thermometers));
}

struct ChamberRange {
    double least{5.0}, most{60.0};  // degC
    double ramp{2.0 / 60.0};        // K/s
};

ChamberRange read_range(Table& table) {
    constexpr double per_kelvin_a_second = 3'600'000.0;
    ChamberRange range;
    const auto in = [&](std::string_view key, double otherwise) {
        const auto value = table.quantity<Dimension::temperature>(key);
        if (value && (celsius(*value) < chamber_least || celsius(*value) > chamber_most)) {
            table.error(table.place_of(key), "a chamber goes from -40 degC to 180 degC at most");
        }
        return value ? celsius(*value) : otherwise;
    };
    range.least = in("min", range.least);
    range.most = in("max", range.most);
    if (range.most < range.least) {
        table.error(table.place_of("max"), "a chamber's max must not lie below its min");
        range.most = range.least;
    }
    range.ramp =
        static_cast<double>(positive<Dimension::temperature_slope>(table, "ramp", TemperatureSlope{120'000}).count) /
        per_kelvin_a_second;
    return range;
}

}  // namespace

std::shared_ptr<ChamberRoom> read_chamber_room(Table& table, double room) {
    if (!table.has_text("kind", kinds[static_cast<std::size_t>(Kind::chamber)])) {
        return nullptr;
    }
    const ChamberRange range = read_range(table);
    return std::make_shared<ChamberRoom>(room, range.ramp, std::min(range.least, room), std::max(range.most, room));
}

std::optional<ReadInstrument> read_instrument(Table& table, const Surroundings& around) {
    ReadInstrument read;
    read.name = table.text("name", Need::required).value_or("");
    if (const auto why = why_no_port_name(read.name); why && table.has("name")) {
        table.error(table.place_of("name"), "\"" + escaped(read.name, 40) + "\" " + *why);
    }
    const std::optional<std::size_t> word = table.word("kind", kinds, Need::required);
    if (!word) {
        table.leave();
        return std::nullopt;
    }
    const Kind kind = static_cast<Kind>(*word);
    const bool modbus = kind == Kind::module || kind == Kind::chamber;
    const std::int64_t baud = kind == Kind::source || kind == Kind::board ? 115'200 : 9'600;
    read.line = read_line(table, read.name, modbus, baud);
    read.shares_line = modbus;
    switch (kind) {
        case Kind::source:
        case Kind::supply:
        case Kind::load:
        case Kind::pair: read.instrument = read_scpi(table, kind, read.name, around); break;
        case Kind::board: read.instrument = read_board(table, around); break;
        case Kind::module: read.instrument = read_module(table, around); break;
        case Kind::chamber: {
            const ChamberRange range = read_range(table);
            const auto room = around.chambers.find(read.name);
            if (room != around.chambers.end()) {
                read.instrument = std::make_unique<ChamberInstrument>(read_unit(table), room->second, around.room,
                                                                      range.least, range.most);
            }
            break;
        }
    }
    return read.instrument ? std::optional{std::move(read)} : std::nullopt;
}

}  // namespace slowfilm::sim::instrument
