#include "daemon/main/slowfilmd_serial.hpp"

#include "daemon/channel/board_channel.hpp"
#include "daemon/channel/instrument_channel.hpp"
#include "daemon/core/text.hpp"

#include <algorithm>
#include <filesystem>
#include <string>
#include <utility>
#include <vector>

namespace slowfilm::daemon {

Result<std::unique_ptr<channel::Channel>> SerialBench::make_plain(const bench::ChannelConfig& config) {
    if (config.board) {
        return channel::make_board_channel(
            *config.board, std::make_unique<channel::BoardLine>(io_, instruments_.timing(), *config.board,
                                                                instruments_.next_guarding(), lockstep_.get()));
    }
    return channel::make_instrument_channel(instruments_, *config.instrument);
}

std::shared_ptr<channel::TemperatureUnit> SerialBench::module_at(const bench::UnitConfig& at) {
    std::shared_ptr<channel::TemperatureUnit>& module = modules_[{at.bus.port.path, at.unit}];
    if (!module) {
        module = std::make_shared<channel::TemperatureUnit>(buses_.at(at.bus), at.profile, at.unit, at.period);
    }
    return module;
}

std::shared_ptr<channel::ChamberUnit> SerialBench::chamber_of(const bench::ChamberConfig& config) {
    std::shared_ptr<channel::ChamberUnit>& chamber = chambers_[config.name];
    if (!chamber) {
        const bench::UnitConfig& at = *config.unit;
        chamber = std::make_shared<channel::ChamberUnit>(buses_.at(at.bus), at.profile, at.unit, at.period);
    }
    return chamber;
}

channel::Thermometer SerialBench::thermometer(const bench::BenchConfig& bench, const std::string& name) {
    for (const bench::SensorConfig& sensor : bench.sensors) {
        if (sensor.name == name) {
            return {module_at(sensor.unit), sensor.input};
        }
    }
    return {};
}

Result<std::unique_ptr<channel::Channel>> SerialBench::make(const bench::BenchConfig& bench,
                                                            const bench::ChannelConfig& config,
                                                            const bench::ChamberConfig* chamber) {
    Result<std::unique_ptr<channel::Channel>> plain = make_plain(config);
    if (!plain || (config.thermometer.empty() && config.ambient_thermometer.empty() && chamber == nullptr)) {
        return plain;
    }
    channel::Fittings fittings;
    fittings.temperature = thermometer(bench, config.thermometer);
    fittings.ambient = thermometer(bench, config.ambient_thermometer);
    fittings.chamber = chamber != nullptr ? chamber_of(*chamber) : nullptr;
    fittings.traits = config.traits;
    return channel::fit_channel(std::move(*plain), instruments_.timing(), std::move(fittings));
}

bool has_serial(const bench::BenchConfig& config) {
    return std::any_of(config.channels.begin(), config.channels.end(),
                       [](const bench::ChannelConfig& channel) { return channel.serial(); });
}

namespace {

struct NamedPort {
    std::string path, of;  // "channel 'b1'"
    Place place;
};

std::vector<NamedPort> ports_of(const bench::BenchConfig& config) {
    std::vector<NamedPort> ports;
    for (const bench::ChannelConfig& channel : config.channels) {
        const std::string of = "channel '" + escaped(channel.name) + "'";
        if (channel.board) {
            ports.push_back({channel.board->port.path, of, channel.place});
        }
        for (const std::string& path : channel.instrument ? channel.instrument->ports : std::vector<std::string>{}) {
            ports.push_back({path, of, channel.place});
        }
    }
    for (const bench::SensorConfig& sensor : config.sensors) {
        ports.push_back({sensor.unit.bus.port.path, "sensor '" + escaped(sensor.name) + "'", sensor.place});
    }
    for (const bench::ChamberConfig& chamber : config.chambers) {
        if (chamber.unit) {
            ports.push_back({chamber.unit->bus.port.path, "chamber '" + escaped(chamber.name) + "'", chamber.place});
        }
    }
    return ports;
}

}  // namespace

Result<std::unique_ptr<channel::Lockstep>> take_clock(const bench::BenchConfig& config) {
    std::string folder;
    for (const NamedPort& port : ports_of(config)) {
        const std::string there = std::filesystem::path(port.path).parent_path().string();
        const std::string where = escaped(config.file) + ":" + std::to_string(port.place.line) + ":" +
                                  std::to_string(port.place.column) + ": " + port.of + ": ";
        if (!std::filesystem::is_socket(there + "/clock")) {
            return fail(Failure::bad_config,
                        where + "the time of its port '" + escaped(port.path) +
                            "' cannot be scaled: that of slowfilm-virtual can, whose ports stand beside the socket "
                            "'clock'; leave out --time-scale, or start slowfilm-virtual and name its ports");
        }
        if (!folder.empty() && folder != there) {
            return fail(Failure::bad_config, where + "its port '" + escaped(port.path) +
                                                 "' is not in the folder of the others, '" + escaped(folder) +
                                                 "'; time can be scaled with one slowfilm-virtual only");
        }
        folder = there;
    }
    return channel::Lockstep::connect(folder);
}

}  // namespace slowfilm::daemon
