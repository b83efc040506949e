#include "daemon/bench/config_units.hpp"

#include "daemon/core/text.hpp"

#include <algorithm>
#include <filesystem>
#include <variant>

namespace slowfilm::bench {
namespace {

using namespace literals;
using protocol::Need;
using protocol::Table;

constexpr Duration period_least = 50_ms;
constexpr Duration period_most = 60_s;

const SensorConfig* find_sensor(const BenchConfig& config, std::string_view name) {
    const auto found = std::find_if(config.sensors.begin(), config.sensors.end(),
                                    [&](const SensorConfig& one) { return one.name == name; });
    return found == config.sensors.end() ? nullptr : &*found;
}

}  // namespace

std::shared_ptr<const channel::UnitProfile> UnitReader::profile_of(Table& table) {
    const std::optional<std::string> file = table.text("profile", Need::required);
    if (!file) {
        return nullptr;
    }
    const std::string path = (std::filesystem::path(bench_file_).parent_path() / *file).lexically_normal().string();
    const auto [at, fresh] = profiles_.try_emplace(path);
    if (fresh) {
        const Result<std::string> text = protocol::read_file_bounded(path);
        if (!text) {
            table.error(table.place_of("profile"), "the profile cannot be read: " + text.error().message);
            return nullptr;
        }
        channel::ParsedUnitProfile parsed = channel::parse_unit_profile(path, *text);
        complaints_ += parsed.diagnostics.items.empty() ? "" : render(parsed.diagnostics, *text);
        if (parsed.profile) {
            at->second = std::make_shared<const channel::UnitProfile>(std::move(*parsed.profile));
        }
    }
    if (!at->second) {
        table.error(table.place_of("profile"), "the profile '" + escaped(path) + "' is not good; see below");
    }
    return at->second;
}

template <class Kind>
std::optional<UnitConfig> UnitReader::read_unit(Table& table, std::string_view kind) {
    UnitConfig config;
    config.profile = profile_of(table);
    const std::optional<std::string> port = table.text("port", Need::required);
    const auto unit = table.integer("unit", 1, 247, Need::required);
    const auto period = table.quantity<Dimension::time>("period", Need::required);
    if (!config.profile || !port || !unit || !period) {
        return std::nullopt;
    }
    if (!std::holds_alternative<Kind>(config.profile->unit)) {
        table.error(table.place_of("profile"),
                    "'" + escaped(config.profile->file) + "' is no profile of kind = \"" + std::string(kind) + "\"");
        return std::nullopt;
    }
    if (*period < period_least || *period > period_most) {
        table.error(table.place_of("period"),
                    "'period' must lie between " + print(period_least) + " and " + print(period_most));
    }
    config.bus = config.profile->bus;
    config.bus.port.path = ports_.port_beside(*port);
    config.unit = static_cast<std::uint8_t>(*unit);
    config.period = *period;
    InstrumentReader::warn_of_passing_name(table, "port", *port);
    judge_line(table, config);
    return config;
}

// Units of one line share its settings; inputs of one unit are asked for together.
void UnitReader::judge_line(Table& table, const UnitConfig& unit) {
    const std::string& path = unit.bus.port.path;
    if (const auto other = ports_.taken(path, "a Modbus line")) {
        table.error(table.place_of("port"), "the port '" + escaped(path) + "' is taken: " + *other);
        return;
    }
    const auto [line, first_of_line] = lines_.try_emplace(path, unit);
    if (!first_of_line && line->second.bus != unit.bus) {
        table.error(table.place_of("profile"), "another unit on '" + escaped(path) +
                                                   "' has other settings of [port] or [timing] in its profile; "
                                                   "units of one line share them");
    }
    const auto [known, fresh] = units_.try_emplace({path, unit.unit}, unit);
    if (!fresh && (known->second.profile != unit.profile || known->second.period != unit.period)) {
        table.error(table.place_of("unit"), "unit " + std::to_string(unit.unit) + " on '" + escaped(path) +
                                                "' has another profile or period elsewhere in this bench; it is asked "
                                                "once a period for all");
    }
}

void UnitReader::read_sensors(Table& root, BenchConfig& config) {
    for (Table& table : root.tables("sensor")) {
        SensorConfig sensor;
        sensor.place = table.place();
        sensor.name = table.text("name", Need::required).value_or("");
        if (const auto reason = why_no_name(sensor.name); reason && table.has("name")) {
            table.error(table.place_of("name"),
                        "the sensor's name " + *reason + "; it needs 1 to 64 printable characters");
        }
        if (find_sensor(config, sensor.name) != nullptr) {
            table.error(table.place_of("name"),
                        "there are two sensors '" + escaped(sensor.name) + "'; every sensor needs a name of its own");
        }
        const auto input = table.integer("input", 0, 65'535, Need::required);
        const std::optional<UnitConfig> unit = read_unit<channel::ModuleProfile>(table, "temperature module");
        if (!input || !unit) {
            continue;
        }
        const auto& module = std::get<channel::ModuleProfile>(unit->profile->unit);
        if (*input >= module.count) {
            table.error(table.place_of("input"), "the module has " + std::to_string(module.count) +
                                                     " inputs, counted from 0, so there is no input " +
                                                     std::to_string(*input));
            continue;
        }
        sensor.unit = *unit;
        sensor.input = static_cast<std::uint16_t>(*input);
        config.sensors.push_back(std::move(sensor));
    }
}

std::optional<UnitConfig> UnitReader::read_chamber(Table& table) {
    return read_unit<channel::ChamberProfile>(table, "chamber");
}

void judge_fittings(Table& channel, const ChannelConfig& config, const BenchConfig& bench) {
    const auto judge = [&](std::string_view key, const std::string& name) {
        const SensorConfig* const sensor = find_sensor(bench, name);
        if (name.empty()) {
            return;
        }
        if (sensor == nullptr) {
            channel.error(channel.place_of(key), "there is no [[sensor]] '" + escaped(name) +
                                                     "' in this bench; write it, or leave '" + std::string(key) +
                                                     "' out");
        } else if (sensor->unit.period > config.traits.period) {
            channel.error(channel.place_of(key),
                          "sensor '" + escaped(name) + "' is read every " + print(sensor->unit.period) +
                              ", and this channel every " + print(config.traits.period) +
                              "; a channel that is read oftener than its thermometer trips for want of a temperature");
        }
    };
    judge("thermometer", config.thermometer);
    judge("ambient_thermometer", config.ambient_thermometer);
    if (!config.thermometer.empty() && config.traits.temperature_of == TemperatureOf::none) {
        channel.error(channel.place_of("thermometer"),
                      "temperature_of = \"none\" says that no thermometer is there; write \"cell\" or \"shelf\"");
    }
    if (!config.thermometer.empty() && config.thermometer == config.ambient_thermometer) {
        channel.error(channel.place_of("ambient_thermometer"),
                      "the cell's thermometer cannot be that of its surroundings as well");
    }
    for (const ChannelConfig& other : bench.channels) {
        if (!config.thermometer.empty() && other.thermometer == config.thermometer &&
            config.traits.temperature_of == TemperatureOf::cell) {
            channel.error(channel.place_of("thermometer"),
                          "channel '" + escaped(other.name) +
                              "' has the same thermometer, which cannot be at two "
                              "cells; write temperature_of = \"shelf\" for both where it is the shelf's");
        }
    }
    if (const ChamberConfig* const chamber = find_chamber(bench, config.chamber);
        chamber != nullptr && chamber->unit.has_value() != config.serial()) {
        channel.error(channel.place_of("chamber"),
                      "'" + escaped(config.chamber) + "' is a " + (chamber->unit ? "real" : "simulated") +
                          " chamber, and this channel is " + (config.serial() ? "real" : "simulated"));
    }
}

}  // namespace slowfilm::bench
