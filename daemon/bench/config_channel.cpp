#include "daemon/bench/config_channel.hpp"

#include "daemon/bench/config_board.hpp"
#include "daemon/core/text.hpp"

#include <algorithm>
#include <array>
#include <string_view>

namespace slowfilm::bench {
namespace {

using namespace literals;
using protocol::Need;
using protocol::Table;

constexpr Duration period_least = 10_ms;
constexpr Duration period_most = 60_s;
constexpr std::array<std::string_view, 3> kinds{"simulated", "instrument", "board"};
constexpr std::array<std::string_view, 3> off_states{"relay open", "high impedance", "sinks"};
constexpr std::array<std::string_view, 3> thermometers{"cell", "shelf", "none"};
constexpr std::array<std::string_view, 3> chemistries{"NMC/graphite", "NMC/graphite-SiOx", "LFP/graphite"};
constexpr std::array<std::string_view, 10> fault_kinds{"internal short", "contact resistance", "heat",   "reversed",
                                                       "ignores open",   "stuck on",           "silent", "frozen",
                                                       "thermometer",    "bad voltage"};

// Complains unless the value is there and above zero.
template <Dimension D>
Quantity<D> positive(Table& table, std::string_view key, Need need, Quantity<D> otherwise = {}) {
    const std::optional<Quantity<D>> value = table.quantity<D>(key, need);
    if (value && value->count <= 0) {
        table.error(table.place_of(key), "'" + std::string(key) + "' must be above zero");
    }
    return value.value_or(otherwise);
}

template <Dimension D>
Quantity<D> not_negative(Table& table, std::string_view key, Need need = Need::optional) {
    const std::optional<Quantity<D>> value = table.quantity<D>(key, need);
    if (value && value->count < 0) {
        table.error(table.place_of(key), "'" + std::string(key) + "' may not be negative");
    }
    return value.value_or(Quantity<D>{});
}

void read_voltage(Table& channel, ChannelTraits& traits) {
    std::optional<Table> voltage = channel.table("voltage", Need::required);
    if (!voltage) {
        return;
    }
    traits.voltage_min = voltage->quantity<Dimension::voltage>("min", Need::required).value_or(Voltage{});
    traits.voltage_max = voltage->quantity<Dimension::voltage>("max", Need::required).value_or(Voltage{1});
    traits.voltage_accuracy = positive<Dimension::voltage>(*voltage, "accuracy", Need::required);
    traits.voltage_resolution = not_negative<Dimension::voltage>(*voltage, "resolution", Need::required);
    if (traits.voltage_min >= traits.voltage_max && voltage->has("min") && voltage->has("max")) {
        voltage->error(voltage->place_of("max"), "the voltage range's max must lie above its min");
    }
}

void read_current(Table& channel, ChannelTraits& traits) {
    std::optional<Table> current = channel.table("current", Need::required);
    if (!current) {
        return;
    }
    traits.source_max = positive<Dimension::current>(*current, "source_max", Need::required);
    traits.sink_max = not_negative<Dimension::current>(*current, "sink_max", Need::required);
    traits.current_accuracy = positive<Dimension::current>(*current, "accuracy", Need::required);
    traits.current_resolution = not_negative<Dimension::current>(*current, "resolution", Need::required);
}

// What the bench says of any channel, whatever is behind it.
ChannelTraits read_traits(Table& channel) {
    ChannelTraits traits;
    traits.period = positive<Dimension::time>(channel, "period", Need::required, 1_s);
    if (channel.has("period") && (traits.period < period_least || traits.period > period_most)) {
        channel.error(channel.place_of("period"),
                      "a channel's period must lie between " + print(period_least) + " and " + print(period_most));
    }
    traits.temperature_of =
        static_cast<TemperatureOf>(channel.word("temperature_of", thermometers, Need::required).value_or(0));
    if (std::optional<Table> window = channel.table("temperature_window")) {
        const auto low = window->quantity<Dimension::temperature>("min", Need::required);
        const auto high = window->quantity<Dimension::temperature>("max", Need::required);
        traits.temperature_plausible_min = low.value_or(traits.temperature_plausible_min);
        traits.temperature_plausible_max = high.value_or(traits.temperature_plausible_max);
        if (low && high && *low >= *high) {
            window->error(window->place_of("max"), "the temperature window's max must lie above its min");
        }
    }
    return traits;
}

// Of a channel without a profile.
void read_own_traits(Table& channel, ChannelTraits& traits) {
    traits.settle = not_negative<Dimension::time>(channel, "settle", Need::required);
    read_voltage(channel, traits);
    read_current(channel, traits);
    traits.off_state = static_cast<OffState>(channel.word("off_state", off_states, Need::required).value_or(0));
    traits.has_ambient = channel.truth("ambient_sensor").value_or(false) || traits.has_ambient;
    traits.has_contactor = channel.truth("contactor").value_or(false);
}

// What belongs to another kind: better refused than taken for something it is not.
void refuse_table(Table& channel, std::string_view key, std::string_view why) {
    if (!channel.has(key)) {
        return;
    }
    channel.error(channel.place_of_key(key), std::string(why));
    channel.know(key);
    if (channel.has_table(key)) {
        channel.table(key)->leave();
    }
}

void read_fault_details(Table& table, SimulatedFault& fault) {
    switch (fault.kind) {
        case SimulatedFaultKind::internal_short:
        case SimulatedFaultKind::contact_resistance:
            fault.resistance = positive<Dimension::resistance>(table, "resistance", Need::required);
            fault.after_charge = not_negative<Dimension::charge>(table, "after_charge");
            return;
        case SimulatedFaultKind::heat:
            fault.power_watt = table.number("power_watt", Need::required).value_or(0.0);
            fault.after_charge = not_negative<Dimension::charge>(table, "after_charge");
            return;
        case SimulatedFaultKind::ignores_open:
        case SimulatedFaultKind::bad_voltage: fault.count = table.count("count", Need::required).value_or(1); return;
        case SimulatedFaultKind::thermometer: fault.reads = table.quantity<Dimension::temperature>("reads"); return;
        case SimulatedFaultKind::reversed:
        case SimulatedFaultKind::stuck_on:
        case SimulatedFaultKind::silent:
        case SimulatedFaultKind::frozen: return;
    }
}

bool belongs_to_cell(SimulatedFaultKind kind) {
    return kind == SimulatedFaultKind::internal_short || kind == SimulatedFaultKind::contact_resistance ||
           kind == SimulatedFaultKind::heat || kind == SimulatedFaultKind::reversed;
}

SimulatedFault read_fault(Table& table) {
    SimulatedFault fault;
    const std::optional<std::size_t> kind = table.word("kind", fault_kinds, Need::required);
    if (!kind) {
        table.leave();
        return fault;
    }
    fault.kind = static_cast<SimulatedFaultKind>(*kind);
    if (fault.kind != SimulatedFaultKind::reversed) {
        fault.after = not_negative<Dimension::time>(table, "after");
    }
    if (!belongs_to_cell(fault.kind)) {
        fault.until = table.quantity<Dimension::time>("until");
        if (fault.until && *fault.until <= fault.after) {
            table.error(table.place_of("until"), "'until' must come later than 'after'");
        }
    }
    read_fault_details(table, fault);
    return fault;
}

// A chemistry, or the file of a parameter set; left out, each protocol says it.
void read_cell(Table& table, SimulatedConfig& config) {
    const std::optional<std::string> cell = table.text("cell");
    if (!cell) {
        return;
    }
    if (std::find(chemistries.begin(), chemistries.end(), *cell) != chemistries.end()) {
        config.chemistry = *cell;
    } else if (cell->ends_with(".toml") && cell->find('\0') == std::string::npos) {
        config.set_file = *cell;
        config.set_place = table.place_of("cell");
    } else {
        table.error(table.place_of("cell"),
                    "'cell' is \"NMC/graphite\", \"NMC/graphite-SiOx\", \"LFP/graphite\" or the "
                    "path of a parameter set, such as \"my-cell.toml\", not \"" +
                        escaped(*cell, 80) + "\"; left out, it is the protocol's chemistry");
    }
}

SimulatedConfig read_simulated(Table& channel) {
    SimulatedConfig config;
    std::optional<Table> table = channel.table("simulated");
    if (!table) {
        return config;
    }
    read_cell(*table, config);
    config.seed = static_cast<std::uint64_t>(table->integer("seed", 0, INT64_MAX).value_or(1));
    config.ambient = table->quantity<Dimension::temperature>("ambient").value_or(config.ambient);
    if (std::optional<Table> noise = table->table("noise")) {
        config.voltage_noise = not_negative<Dimension::voltage>(*noise, "voltage");
        config.current_noise = not_negative<Dimension::current>(*noise, "current");
        config.temperature_noise = not_negative<Dimension::temperature_difference>(*noise, "temperature");
    }
    if (std::optional<Table> error = table->table("error")) {
        config.voltage_gain = error->quantity<Dimension::ratio>("voltage_gain").value_or(Ratio{});
        config.current_gain = error->quantity<Dimension::ratio>("current_gain").value_or(Ratio{});
        config.voltage_offset = error->quantity<Dimension::voltage>("voltage_offset").value_or(Voltage{});
        config.current_offset = error->quantity<Dimension::current>("current_offset").value_or(Current{});
    }
    config.delay = not_negative<Dimension::time>(*table, "delay");
    config.thermometer_lag = not_negative<Dimension::time>(*table, "thermometer_lag");
    if (std::optional<Table> spread = table->table("spread")) {
        config.capacity_spread = not_negative<Dimension::ratio>(*spread, "capacity");
        config.resistance_spread = not_negative<Dimension::ratio>(*spread, "resistance");
    }
    config.faulty_cell = table->text("faulty_cell").value_or("");
    for (Table& fault : table->tables("fault")) {
        config.faults.push_back(read_fault(fault));
    }
    return config;
}

}  // namespace

ChannelConfig read_channel(Table& table, InstrumentReader& instruments) {
    ChannelConfig channel;
    channel.place = table.place();
    channel.name = table.text("name", Need::required).value_or("");
    if (const auto reason = why_no_name(channel.name); reason && table.has("name")) {
        table.error(table.place_of("name"),
                    "the channel's name " + *reason + "; it needs 1 to 64 printable characters");
    }
    const std::optional<std::size_t> kind = table.word("kind", kinds, Need::required);
    channel.group = table.text("group").value_or("");
    channel.chamber = table.text("chamber").value_or("");
    channel.traits = read_traits(table);
    channel.traits.has_chamber = !channel.chamber.empty();
    if (kind == std::size_t{0}) {
        refuse_table(table, "thermometer", "a simulated channel has a thermometer of its own; leave 'thermometer' out");
        refuse_table(table, "ambient_thermometer", "a simulated channel has 'ambient_sensor' instead");
    } else {
        channel.thermometer = table.text("thermometer").value_or("");
        channel.ambient_thermometer = table.text("ambient_thermometer").value_or("");
    }
    // A chamber tells its own temperature.
    channel.traits.has_ambient = channel.traits.has_chamber || !channel.ambient_thermometer.empty();
    if (kind != std::size_t{2}) {
        refuse_table(table, "board", "[channel.board] belongs to kind = \"board\"; write that, or leave it out");
    }
    if (kind == std::size_t{1}) {
        instruments.read(table, channel);
        return channel;
    }
    refuse_table(table, "instrument",
                 "[channel.instrument] belongs to kind = \"instrument\"; write that, or leave it out");
    read_own_traits(table, channel.traits);
    if (kind == std::size_t{2}) {
        refuse_table(table, "simulated", "'simulated' belongs to kind = \"simulated\"; a board has no cell in it");
        refuse_table(table, "reports_ceiling", "every channel board tells what it regulates; leave it out");
        read_board(table, instruments, channel);
        return channel;
    }
    channel.traits.reports_ceiling = table.truth("reports_ceiling").value_or(false);
    channel.simulated = read_simulated(table);
    return channel;
}

}  // namespace slowfilm::bench
