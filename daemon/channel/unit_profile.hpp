// What a unit on a Modbus line has in its registers, as its TOML profile says it (config/instruments): a module of
// thermometers, or a chamber.
#pragma once

#include "daemon/channel/port.hpp"
#include "daemon/core/diagnostic.hpp"
#include "daemon/core/quantity.hpp"
#include "daemon/core/result.hpp"
#include "daemon/wire/modbus.hpp"
#include "daemon/wire/modbus_value.hpp"
#include "daemon/wire/temperature.hpp"

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <variant>

namespace slowfilm::channel {

// What units of one line share.
struct BusOptions {
    PortOptions port;
    Duration pause, quiet, boot;
    bool echoes{false};
    bool operator==(const BusOptions&) const = default;
};

struct RegisterPlace {
    wire::modbus::Function read{wire::modbus::Function::read_input};
    std::uint16_t address{0};  // as on the wire
    wire::modbus::RegisterFormat format;
};

// What turns an input's ohms or millivolts into a temperature.
struct AsTemperature {};
struct AsPlatinum {
    double r0;
};
struct AsThermocoupleK {
    RegisterPlace cold_junction;  // degC
};
using SensorKind = std::variant<AsTemperature, AsPlatinum, wire::BetaNtc, AsThermocoupleK>;

struct ModuleProfile {
    RegisterPlace first;
    std::uint16_t step{1}, count{1};
    SensorKind sensor;
    RegisterPlace known;
    double known_reads{0.0};
};

struct SwitchPlace {
    std::uint16_t address{0}, on{1}, off{0};
};

struct ChamberProfile {
    RegisterPlace set, reading;
    std::optional<SwitchPlace> power;
};

struct UnitProfile {
    std::string file, title;
    BusOptions bus;  // its path is the bench's to say
    Duration answer;
    std::variant<ModuleProfile, ChamberProfile> unit;
};

struct ParsedUnitProfile {
    std::optional<UnitProfile> profile;  // only when nothing was refused
    Diagnostics diagnostics;
};
[[nodiscard]] ParsedUnitProfile parse_unit_profile(const std::string& file, std::string_view text);

// One request for all inputs of a module.
[[nodiscard]] wire::modbus::Request inputs_of(const ModuleProfile& module, std::uint8_t unit);
[[nodiscard]] wire::modbus::Request request_of(const RegisterPlace& place, std::uint8_t unit);

// degC of what an input gave; the error says what is broken.
[[nodiscard]] Result<double, std::string> temperature_of(const SensorKind& sensor, double value,
                                                         std::optional<double> cold_junction);

}  // namespace slowfilm::channel
