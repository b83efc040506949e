#include "daemon/channel/unit_profile.hpp"

#include "daemon/channel/profile_read.hpp"
#include "daemon/protocol/toml_reader.hpp"

#include <array>
#include <utility>

namespace slowfilm::channel {
namespace {

using namespace literals;
using protocol::Document;
using protocol::Need;
using protocol::Table;
using wire::modbus::Function;
using wire::modbus::RegisterFormat;
using wire::modbus::RegisterType;
using wire::modbus::WordOrder;

constexpr std::array<std::string_view, 2> kinds{"temperature module", "chamber"};
constexpr std::array<std::string_view, 3> parities{"none", "even", "odd"};
constexpr std::array<std::string_view, 3> dtr_words{"keep", "high", "low"};
constexpr std::array<std::string_view, 2> functions{"holding", "input"};
constexpr std::array<std::string_view, 5> types{"u16", "i16", "u32", "i32", "f32"};
constexpr std::array<std::string_view, 4> orders{"abcd", "cdab", "badc", "dcba"};
constexpr std::array<std::string_view, 3> gives_words{"degC", "ohm", "mV"};
constexpr std::array<std::string_view, 4> sensors{"Pt100", "Pt1000", "NTC", "thermocouple K"};
constexpr std::int64_t word_most = 65'535;
constexpr std::int64_t registers_most = 125;  // that one question can read

Duration read_span(Table& table, std::string_view key, Duration least, Duration most) {
    const std::optional<Duration> span = table.quantity<Dimension::time>(key, Need::required);
    if (span && (*span < least || *span > most)) {
        table.error(table.place_of(key),
                    "'" + std::string(key) + "' must lie between " + print(least) + " and " + print(most));
    }
    return span.value_or(least);
}

std::uint16_t read_word(Table& table, std::string_view key) {
    return static_cast<std::uint16_t>(table.integer(key, 0, word_most, Need::required).value_or(0));
}

void read_bus(Table& root, UnitProfile& profile) {
    if (std::optional<Table> port = root.table("port", Need::required)) {
        PortOptions& options = profile.bus.port;
        options.baud = static_cast<std::uint32_t>(port->integer("baud", 300, 4'000'000, Need::required).value_or(9600));
        options.parity = static_cast<Parity>(port->word("parity", parities, Need::required).value_or(0));
        options.stop_bits =
            port->integer("stop_bits", 1, 2, Need::required).value_or(1) == 2 ? StopBits::two : StopBits::one;
        options.dtr = static_cast<Dtr>(port->word("dtr", dtr_words, Need::required).value_or(0));
        profile.bus.echoes = port->truth("echo", Need::required).value_or(false);
    }
    if (std::optional<Table> timing = root.table("timing", Need::required)) {
        profile.answer = read_span(*timing, "answer", 10_ms, 10_s);
        profile.bus.pause = read_span(*timing, "pause", 0_s, 2_s);
        profile.bus.quiet = read_span(*timing, "quiet", 5_ms, 2_s);
        profile.bus.boot = read_span(*timing, "boot", 0_s, 60_s);
    }
}

void read_range(Table& table, RegisterFormat& format) {
    format.scale = table.number("scale", Need::required).value_or(1.0);
    format.least = table.number("least", Need::required).value_or(0.0);
    format.most = table.number("most", Need::required).value_or(1.0);
    if (format.scale == 0.0) {
        table.error(table.place_of("scale"), "'scale' is what one digit of the register counts, and not 0");
    }
    if (!(format.least < format.most) && table.has("least") && table.has("most")) {
        table.error(table.place_of("most"), "'most' must lie above 'least'");
    }
}

RegisterFormat read_format(Table& table) {
    RegisterFormat format;
    format.type = static_cast<RegisterType>(table.word("type", types, Need::required).value_or(1));
    format.order = static_cast<WordOrder>(table.word("order", orders, Need::required).value_or(0));
    format.offset = table.number("offset", Need::required).value_or(0.0);
    read_range(table, format);
    return format;
}

Function read_function(Table& table) {
    return table.word("read", functions, Need::required).value_or(0) == 0 ? Function::read_holding
                                                                          : Function::read_input;
}

// --- Thermometers ----------------------------------------------------------------------------------------------------

double positive_number(Table& table, std::string_view key) {
    const std::optional<double> value = table.number(key, Need::required);
    if (value && !(*value > 0.0)) {
        table.error(table.place_of(key), "'" + std::string(key) + "' must be above zero");
    }
    return value.value_or(1.0);
}

SensorKind read_thermocouple(Table& table, const RegisterPlace& first) {
    AsThermocoupleK kind{first};
    if (std::optional<Table> cold =
            table.table("cold_junction", Need::required, "{ register = ..., scale = ..., least = ..., most = ... }")) {
        kind.cold_junction.address = read_word(*cold, "register");
        kind.cold_junction.format.offset = 0.0;
        read_range(*cold, kind.cold_junction.format);
    }
    return kind;
}

void read_sensor(Table& inputs, ModuleProfile& module) {
    const std::size_t gives = inputs.word("gives", gives_words, Need::required).value_or(0);
    if (gives == 0) {
        if (inputs.has("sensor")) {
            inputs.error(inputs.place_of_key("sensor"),
                         "the inputs give degC already; leave [inputs.sensor] out, or say what they give");
            inputs.know("sensor");
        }
        return;
    }
    std::optional<Table> table = inputs.table("sensor", Need::required, "{ like = \"Pt100\" }");
    if (!table) {
        return;
    }
    const std::optional<std::size_t> like = table->word("like", sensors, Need::required);
    if (!like) {
        table->leave();
        return;
    }
    const bool of_ohms = *like != 3;
    if (of_ohms != (gives == 1)) {
        table->error(table->place_of("like"), std::string("a ") + std::string(sensors[*like]) + " gives " +
                                                  (of_ohms ? "ohm" : "mV") + ", and the inputs give " +
                                                  std::string(gives_words[gives]));
    }
    switch (*like) {
        case 0: module.sensor = AsPlatinum{100.0}; return;
        case 1: module.sensor = AsPlatinum{1000.0}; return;
        case 2: {
            const double r25 = positive_number(*table, "r25");
            module.sensor = wire::BetaNtc{r25, positive_number(*table, "beta")};
            return;
        }
        default: module.sensor = read_thermocouple(*table, module.first); return;
    }
}

ModuleProfile read_module(Table& root) {
    ModuleProfile module;
    std::optional<Table> inputs = root.table("inputs", Need::required);
    if (!inputs) {
        return module;
    }
    module.first.read = read_function(*inputs);
    module.first.address = read_word(*inputs, "register");
    module.first.format = read_format(*inputs);
    module.step = static_cast<std::uint16_t>(inputs->integer("step", 1, registers_most, Need::required).value_or(1));
    module.count = static_cast<std::uint16_t>(inputs->integer("count", 1, registers_most, Need::required).value_or(1));
    const auto size = static_cast<std::int64_t>(wire::modbus::registers_of(module.first.format.type));
    const std::int64_t span = std::int64_t{module.step} * (module.count - 1) + size;
    if (module.step < size || span > registers_most || module.first.address + span > word_most + 1) {
        inputs->error(inputs->place_of("count"), "these inputs take " + std::to_string(span) + " registers from " +
                                                     std::to_string(module.first.address) +
                                                     " on; one question reads at most 125, up to register 65535, and "
                                                     "'step' is at least what the type takes");
        module.count = 1;
        module.step = 2;
        module.first.address = 0;
    }
    read_sensor(*inputs, module);
    if (std::optional<Table> known = root.table("known", Need::required, "{ register = ..., reads = ... }")) {
        module.known = module.first;
        module.known.address = read_word(*known, "register");
        module.known_reads = known->number("reads", Need::required).value_or(0.0);
        if (module.known_reads == 0.0 && known->has("reads")) {
            known->error(known->place_of("reads"), "a register that reads 0 proves nothing; name one that reads more");
        }
    }
    return module;
}

// --- Chambers --------------------------------------------------------------------------------------------------------

ChamberProfile read_chamber(Table& root) {
    ChamberProfile chamber;
    if (std::optional<Table> set = root.table("set", Need::required)) {
        chamber.set.read = Function::read_holding;
        chamber.set.address = read_word(*set, "register");
        chamber.set.format = read_format(*set);
    }
    if (std::optional<Table> reading = root.table("reading", Need::required)) {
        chamber.reading.read = read_function(*reading);
        chamber.reading.address = read_word(*reading, "register");
        chamber.reading.format = chamber.set.format;
    }
    if (std::optional<Table> power = root.table("switch", Need::optional)) {
        chamber.power = SwitchPlace{read_word(*power, "register"), read_word(*power, "on"), read_word(*power, "off")};
        if (chamber.power->on == chamber.power->off) {
            power->error(power->place_of("off"), "'off' is the same as 'on'");
        }
    }
    return chamber;
}

}  // namespace

ParsedUnitProfile parse_unit_profile(const std::string& file, std::string_view text) {
    Document document = Document::parse(file, text);
    UnitProfile profile;
    profile.file = file;
    if (document.readable()) {
        Table root = document.root();
        if (const std::optional<std::size_t> kind = detail::read_head(root, kinds, profile.title)) {
            read_bus(root, profile);
            if (*kind == 0) {
                profile.unit = read_module(root);
            } else {
                profile.unit = read_chamber(root);
            }
            document.refuse_unknown_keys();
        }
    }
    ParsedUnitProfile parsed;
    parsed.diagnostics = document.diagnostics();
    parsed.diagnostics.sort();
    if (!parsed.diagnostics.has_errors()) {
        parsed.profile = std::move(profile);
    }
    return parsed;
}

wire::modbus::Request request_of(const RegisterPlace& place, std::uint8_t unit) {
    return {.unit = unit,
            .function = place.read,
            .address = place.address,
            .count = static_cast<std::uint16_t>(wire::modbus::registers_of(place.format.type)),
            .values = {}};
}

wire::modbus::Request inputs_of(const ModuleProfile& module, std::uint8_t unit) {
    wire::modbus::Request request = request_of(module.first, unit);
    request.count = static_cast<std::uint16_t>(request.count + module.step * (module.count - 1));
    return request;
}

Result<double, std::string> temperature_of(const SensorKind& sensor, double value,
                                           std::optional<double> cold_junction) {
    wire::Celsius celsius = value;
    if (const auto* const platinum = std::get_if<AsPlatinum>(&sensor)) {
        celsius = wire::platinum_celsius(value, platinum->r0);
    } else if (const auto* const ntc = std::get_if<wire::BetaNtc>(&sensor)) {
        celsius = wire::ntc_celsius(value, *ntc);
    } else if (std::holds_alternative<AsThermocoupleK>(sensor)) {
        if (!cold_junction) {
            return tl::unexpected<std::string>("the temperature of its terminals is not known");
        }
        celsius = wire::type_k_celsius(value, *cold_junction);
    }
    if (!celsius) {
        return tl::unexpected(std::string(wire::describe(celsius.error())));
    }
    return *celsius;
}

}  // namespace slowfilm::channel
