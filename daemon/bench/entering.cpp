#include "daemon/bench/entering.hpp"

#include "daemon/core/decimal.hpp"
#include "daemon/core/text.hpp"
#include "daemon/core/utc.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <optional>
#include <utility>

namespace slowfilm::bench {
namespace {

constexpr std::size_t name_bytes = 40;
constexpr std::size_t word_bytes = 100;
constexpr std::size_t unit_bytes = 16;

bool is_field_name(std::string_view name) {
    const auto fits = [](char c) { return (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9') || c == '_'; };
    return !name.empty() && name.size() <= name_bytes && name.front() >= 'a' && name.front() <= 'z' &&
           std::all_of(name.begin(), name.end(), fits);
}

bool is_line(std::string_view text, std::size_t most) {
    return text.size() <= most && is_plain(text);
}

struct Number {
    double value{0.0};
    std::string_view unit;  // what follows, without the space between
};

// Our own grammar of numbers says where it ends; the digits are then read as a double.
Result<Number, std::string> read_number(std::string_view text) {
    if (text.empty()) {
        return tl::unexpected<std::string>("is empty; write a number and its unit, such as \"12.3 g\"");
    }
    const Result<Decimal, std::string> decimal = read_decimal(text);
    if (!decimal) {
        return tl::unexpected(decimal.error());
    }
    const std::string_view digits = text.substr(0, text.size() - decimal->rest.size());
    Number number;
    const auto [end, error] = std::from_chars(digits.data(), digits.data() + digits.size(), number.value);
    if (error != std::errc{} || end != digits.data() + digits.size()) {
        return tl::unexpected<std::string>("is not a number that can be kept; write one such as \"12.3 g\"");
    }
    number.unit = decimal->rest;
    if (!number.unit.empty() && number.unit.front() == ' ') {
        number.unit.remove_prefix(1);
    }
    return number;
}

// What the names that everybody uses are measured in; none of them is ever zero or less.
struct KnownName {
    std::string_view name, units, such;
};
constexpr std::array<KnownName, 3> known_names{{
    {"mass", " g kg mg ", "68.3 g"},
    {"thickness", " mm um cm ", "7.1 mm"},
    {"resistance", " ohm mohm uohm ", "2.1 mohm"},
}};

// Why it cannot be what its name says; "" where it can, and for a name that is only this house's.
std::string why_not_of_name(std::string_view name, const Number& number) {
    const auto known =
        std::find_if(known_names.begin(), known_names.end(), [&](const KnownName& one) { return one.name == name; });
    if (known == known_names.end()) {
        return "";
    }
    const std::string right = "; write it such as \"" + std::string(known->such) + "\"";
    if (known->units.find(" " + std::string(number.unit) + " ") == std::string_view::npos) {
        return "is in a unit in which no " + std::string(name) + " is measured" + right;
    }
    return number.value > 0.0 ? "" : "is not above zero, as every " + std::string(name) + " is" + right;
}

}  // namespace

Result<ledger::HandReading> read_hand_value(std::string_view name, std::string_view value, std::int64_t utc) {
    ledger::HandReading reading;
    reading.name = name;
    reading.utc = utc;
    const std::string shown = "'" + escaped(value, 80) + "'";
    if (!is_field_name(name)) {
        return fail(Failure::bad_data, "'" + escaped(name, 80) +
                                           "' is no name for a reading; write small letters, digits and _, such as "
                                           "mass, thickness, resistance, filled or lot");
    }
    if (name == "filled") {
        const Result<std::int64_t, std::string> at = parse_utc(value);
        if (!at) {
            return fail(Failure::bad_data, "the filling time " + shown + " " + at.error());
        }
        if (*at > utc) {
            return fail(Failure::bad_data,
                        "the filling time " + shown + " is still to come: it is " + print_utc(utc) + " now");
        }
        reading.text = print_utc(*at);
        return reading;
    }
    if (name == "lot") {
        if (!is_line(value, word_bytes)) {
            return fail(Failure::bad_data, "the lot " + shown + " needs 1 to " + std::to_string(word_bytes) +
                                               " printable characters, without spaces at its ends");
        }
        reading.text = value;
        return reading;
    }
    const Result<Number, std::string> number = read_number(value);
    if (!number) {
        return fail(Failure::bad_data, std::string(name) + " " + shown + " " + number.error());
    }
    if (!is_line(number->unit, unit_bytes)) {
        return fail(Failure::bad_data, std::string(name) + " " + shown + " needs a unit of 1 to " +
                                           std::to_string(unit_bytes) +
                                           " characters, such as \"12.3 g\"; write 1 where it has none: \"3 1\"");
    }
    if (const std::string why = why_not_of_name(name, *number); !why.empty()) {
        return fail(Failure::bad_data, std::string(name) + " " + shown + " " + why);
    }
    reading.value = number->value;
    reading.unit = number->unit;
    reading.text = value;
    return reading;
}

std::string describe_field(const protocol::EnterField& field) {
    std::string text = field.name + " (" + field.unit;
    if (field.min && field.max) {
        text += ", " + print_number(*field.min) + " to " + print_number(*field.max);
    } else if (field.min) {
        text += ", at least " + print_number(*field.min);
    } else if (field.max) {
        text += ", at most " + print_number(*field.max);
    }
    return text + ")";
}

namespace {

Result<ledger::HandReading> read_field(const protocol::EnterField& field, const boost::json::object& entered) {
    const boost::json::value* given = entered.if_contains(field.name);
    const std::string asked = escaped(describe_field(field), 200);
    if (given == nullptr || !given->is_string()) {
        return fail(Failure::bad_data,
                    "the step asks for " + asked + "; give it with --enter " + escaped(field.name, 64) + "=VALUE");
    }
    const std::string text(given->get_string());
    const Result<Number, std::string> number = read_number(text);
    if (!number) {
        return fail(Failure::bad_data, "'" + escaped(text, 80) + "' for " + asked + " " + number.error());
    }
    if (!number->unit.empty() && number->unit != field.unit) {
        return fail(Failure::bad_data,
                    "'" + escaped(text, 80) + "' is not in the unit that the step asks for: " + asked);
    }
    if ((field.min && !(number->value >= *field.min)) || (field.max && !(number->value <= *field.max))) {
        return fail(Failure::bad_data, "'" + escaped(text, 80) + "' is outside what the step takes for " + asked +
                                           "; measure it again, and look whether it is this cell");
    }
    ledger::HandReading reading;
    reading.name = field.name;
    reading.value = number->value;
    reading.unit = field.unit;
    reading.text = number->unit.empty() ? text + " " + field.unit : text;
    return reading;
}

}  // namespace

Result<std::vector<ledger::HandReading>> read_entered(std::span<const protocol::EnterField> fields,
                                                      const boost::json::object& entered) {
    std::vector<ledger::HandReading> readings;
    for (const protocol::EnterField& field : fields) {
        Result<ledger::HandReading> reading = read_field(field, entered);
        if (!reading) {
            return tl::unexpected(reading.error());
        }
        readings.push_back(std::move(*reading));
    }
    for (const auto& member : entered) {
        const bool asked = std::any_of(fields.begin(), fields.end(),
                                       [&](const protocol::EnterField& field) { return field.name == member.key(); });
        if (!asked) {
            return fail(Failure::bad_data, "the step does not ask for '" + escaped(std::string(member.key()), 80) +
                                               "'" + (fields.empty() ? "; it asks for no value" : ""));
        }
    }
    return readings;
}

}  // namespace slowfilm::bench
