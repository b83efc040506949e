#include "daemon/main/slowfilmd_serial.hpp"

#include "daemon/channel/board_channel.hpp"
#include "daemon/channel/instrument_channel.hpp"

#include <algorithm>

namespace slowfilm::daemon {

Result<std::unique_ptr<channel::Channel>> SerialBench::make_plain(const bench::ChannelConfig& config) {
    if (config.board) {
        return channel::make_board_channel(
            *config.board,
            std::make_unique<channel::BoardLine>(io_, timing_, *config.board, instruments_.next_guarding()));
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
    return channel::fit_channel(std::move(*plain), timing_, std::move(fittings));
}

bool has_serial(const bench::BenchConfig& config) {
    return std::any_of(config.channels.begin(), config.channels.end(),
                       [](const bench::ChannelConfig& channel) { return channel.serial(); });
}

}  // namespace slowfilm::daemon
