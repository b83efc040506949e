// Values that are written as a text with a unit.
#include "daemon/core/text.hpp"
#include "daemon/protocol/toml_node.hpp"
#include "daemon/protocol/toml_reader.hpp"

#include <cmath>

namespace slowfilm::protocol {
namespace {

using detail::Node;
using detail::NodeKind;

std::string key_phrase(std::string_view key) {
    return "'" + escaped(key, 60) + "'";
}

// What a bare number of this dimension should have looked like, from the number itself.
std::string_view unit_example(Dimension dimension) {
    switch (dimension) {
        case Dimension::time: return " s";
        case Dimension::voltage: return " V";
        case Dimension::current: return " A";
        case Dimension::charge: return " Ah";
        case Dimension::temperature: return " degC";
        case Dimension::temperature_difference: return " K";
        case Dimension::temperature_slope: return " K/min";
        case Dimension::voltage_slope: return " mV/h";
        case Dimension::resistance: return " mohm";
        case Dimension::ratio: return " %";
        case Dimension::rate: return "C";
    }
    return "";
}

std::string_view quantity_example(Dimension dimension) {
    switch (dimension) {
        case Dimension::time: return "\"90 s\", \"10 min\" or \"36 h\"";
        case Dimension::voltage: return "\"4.2 V\" or \"10 mV\"";
        case Dimension::current: return "\"1.2 A\" or \"350 mA\"";
        case Dimension::charge: return "\"0.5 Ah\" or \"120 mAh\"";
        case Dimension::temperature: return "\"45 degC\"";
        case Dimension::temperature_difference: return "\"2 K\"";
        case Dimension::temperature_slope: return "\"2 K/min\"";
        case Dimension::voltage_slope: return "\"0.5 mV/h\"";
        case Dimension::resistance: return "\"2.1 mohm\"";
        case Dimension::ratio: return "\"35 %\"";
        case Dimension::rate: return "\"C/20\" or \"0.1C\"";
    }
    return "";
}

// The complaint about a value that should have been a quantity in quotes.
std::string not_a_quantity(std::string_view key, const Node& value, Dimension dimension) {
    const bool bare = value.kind == NodeKind::integer || value.kind == NodeKind::number;
    if (value.kind == NodeKind::number && !std::isfinite(value.number)) {
        return key_phrase(key) + " is " + shown(value) + ", which is no value; write one such as " +
               std::string{quantity_example(dimension)};
    }
    if (bare && dimension == Dimension::rate) {
        return key_phrase(key) + " is a bare number and needs its C: write \"" + shown(value) +
               "C\", or \"C/20\" for a twentieth";
    }
    if (bare) {
        return key_phrase(key) + " is a bare number and needs a unit: write \"" + shown(value) +
               std::string{unit_example(dimension)} + "\"";
    }
    return key_phrase(key) + " is " + std::string{kind_phrase(value)} + "; write a value such as " +
           std::string{quantity_example(dimension)};
}

}  // namespace

// One way for all that is written as a text with a unit: `parse` turns the text into the value or says what is wrong.
template <class Parse>
auto Table::ask_value(std::string_view key, Need need, Dimension dimension, Parse parse) {
    using Value = typename decltype(parse(std::string_view{}))::value_type;
    const Node* value = ask(key, need, quantity_example(dimension));
    if (value == nullptr) {
        return std::optional<Value>{};
    }
    if (value->kind != NodeKind::text) {
        error(value->place, not_a_quantity(key, *value, dimension));
        return std::optional<Value>{};
    }
    auto parsed = parse(value->text);
    if (!parsed) {
        error(value->place, key_phrase(key) + " = " + shown(*value) + " " + parsed.error());
        return std::optional<Value>{};
    }
    return std::optional<Value>{*parsed};
}

template <Dimension D>
std::optional<Quantity<D>> Table::quantity(std::string_view key, Need need) {
    return ask_value(key, need, D, parse_quantity<D>);
}
template std::optional<Duration> Table::quantity(std::string_view, Need);
template std::optional<Voltage> Table::quantity(std::string_view, Need);
template std::optional<Current> Table::quantity(std::string_view, Need);
template std::optional<Charge> Table::quantity(std::string_view, Need);
template std::optional<Temperature> Table::quantity(std::string_view, Need);
template std::optional<TemperatureDifference> Table::quantity(std::string_view, Need);
template std::optional<TemperatureSlope> Table::quantity(std::string_view, Need);
template std::optional<VoltageSlope> Table::quantity(std::string_view, Need);
template std::optional<Resistance> Table::quantity(std::string_view, Need);
template std::optional<Ratio> Table::quantity(std::string_view, Need);

std::optional<CurrentOrRate> Table::current_or_rate(std::string_view key, Need need) {
    return ask_value(key, need, Dimension::current, parse_current_or_rate);
}

std::optional<CurrentOrRate> Table::signed_current_or_rate(std::string_view key, Need need) {
    return ask_value(key, need, Dimension::current, parse_signed_current_or_rate);
}

std::optional<StepCurrent> Table::step_rate(std::string_view key, Need need) {
    return ask_value(key, need, Dimension::rate, parse_step_rate);
}

std::optional<StepCurrent> Table::step_current(std::string_view key, Need need) {
    return ask_value(key, need, Dimension::current, parse_step_current);
}

std::optional<StepCharge> Table::step_charge(std::string_view key, Need need) {
    return ask_value(key, need, Dimension::charge, parse_step_charge);
}

std::optional<std::vector<Duration>> Table::times(std::string_view key, Need need) {
    constexpr std::string_view example = R"(["1 h", "3 d"])";
    const Node* value = ask(key, need, example);
    if (value == nullptr) {
        return std::nullopt;
    }
    if (value->kind != NodeKind::array || value->children.empty()) {
        error(value->place, key_phrase(key) + (value->kind == NodeKind::array ? " is empty" : " is " + shown(*value)) +
                                "; write a list of times, such as " + std::string{example});
        return std::nullopt;
    }
    std::vector<Duration> result;
    for (const Node& element : value->children) {
        if (element.kind != NodeKind::text) {
            error(element.place, not_a_quantity(key, element, Dimension::time));
            continue;
        }
        if (const auto parsed = parse_quantity<Dimension::time>(element.text)) {
            result.push_back(*parsed);
        } else {
            error(element.place, key_phrase(key) + " holds " + shown(element) + ", which " + parsed.error());
        }
    }
    return result.size() == value->children.size() ? std::optional{std::move(result)} : std::nullopt;
}

std::optional<ChargeOrRatio> Table::charge_or_ratio(std::string_view key, Need need) {
    return ask_value(key, need, Dimension::charge, parse_charge_or_ratio);
}

namespace {

Result<CurrentOrRatio, std::string> parse_current_or_ratio(std::string_view text) {
    if (text.ends_with('%')) {
        return parse_quantity<Dimension::ratio>(text).map([](Ratio ratio) { return CurrentOrRatio{ratio}; });
    }
    return parse_quantity<Dimension::current>(text)
        .map([](Current current) { return CurrentOrRatio{current}; })
        .map_error([](const std::string& phrase) { return phrase + ", or a percentage such as \"1 %\""; });
}

}  // namespace

std::optional<CurrentOrRatio> Table::current_or_ratio(std::string_view key, Need need) {
    return ask_value(key, need, Dimension::current, parse_current_or_ratio);
}

}  // namespace slowfilm::protocol
