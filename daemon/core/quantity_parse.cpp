// From text to quantities. Whatever is refused gets a phrase that fits after the value: what is wrong, what would be
// right.
#include "daemon/core/decimal.hpp"
#include "daemon/core/quantity.hpp"
#include "daemon/core/text.hpp"
#include "daemon/core/unit_table.hpp"
#include "daemon/core/utf8.hpp"

#include <algorithm>
#include <array>
#include <numeric>
#include <type_traits>

namespace slowfilm {

namespace {

tl::unexpected<std::string> wrong(std::string phrase) {
    return tl::unexpected<std::string>{std::move(phrase)};
}

std::string quoted(std::string_view text) {
    return "\"" + escaped(text, 40) + "\"";
}

// What the place in the file takes: one dimension, or one of two.
struct Asked {
    Dimension dimension;
    std::string need;      // "a current is needed"
    std::string examples;  // "\"350 mA\""
};

Asked asked_for(Dimension dimension) {
    const DimensionWords& words = words_of(dimension);
    return {dimension, std::string{words.article} + " is needed", quoted(words.example)};
}

Asked asked_for(Dimension first, Dimension second) {
    const DimensionWords& a = words_of(first);
    const DimensionWords& b = words_of(second);
    return {first, std::string{a.article} + " or " + std::string{b.article} + " is needed",
            quoted(a.example) + " or " + quoted(b.example)};
}

std::string lower(std::string_view text) {
    std::string result{text};
    for (char& c : result) {
        c = (c >= 'A' && c <= 'Z') ? static_cast<char>(c - 'A' + 'a') : c;
    }
    return result;
}

struct Look {
    char32_t value;
    std::string_view advice;
};

// Characters that word processors, data sheets and keyboards put where plain ones belong.
constexpr auto lookalikes = std::to_array<Look>({
    {0x00B5, "has a micro sign; write \"u\", as in \"50 uA\""},
    {0x03BC, "has a Greek mu; write \"u\", as in \"50 uA\""},
    {0x00B0, "has a degree sign; write \"degC\", as in \"45 degC\""},
    {0x2103, "has a degree sign; write \"degC\", as in \"45 degC\""},
    {0x03A9, "has a Greek omega; write \"ohm\", as in \"40 mohm\""},
    {0x2126, "has an ohm sign; write \"ohm\", as in \"40 mohm\""},
    {0x2212, "has a typographic minus; write \"-\""},
    {0x2013, "has a dash; write \"-\" for a minus, and one number, not a range"},
    {0x2014, "has a dash; write \"-\" for a minus, and one number, not a range"},
    {0x00A0, "has a no-break space; write a plain space or none"},
    {0x202F, "has a no-break space; write a plain space or none"},
    {0x2009, "has a thin space; write a plain space or none"},
    {0x066B, "has a decimal separator that is not \".\"; write a point"},
    {0xFF0E, "has a full-width point; write \".\""},
    {0xFF05, "has a full-width percent sign; write \"%\""},
    {0x00D7, "has a multiplication sign; write an exponent as in \"1e3\""},
});

std::string odd_character(std::string_view text) {
    for (std::size_t at = 0; at < text.size();) {
        const CodePoint point = code_point_at(text, at);
        if (!point.valid) {
            return "has a byte that is not UTF-8; write plain ASCII characters";
        }
        if (point.value > 0x7E) {
            const auto* look = std::find_if(lookalikes.begin(), lookalikes.end(),
                                            [&](const Look& l) { return l.value == point.value; });
            return look != lookalikes.end()
                       ? std::string{look->advice}
                       : "has " + quoted(text.substr(at, point.length)) + "; write plain ASCII characters";
        }
        if (point.value < 0x20) {
            return "has a tab, a line break or another control character; write a plain space or none";
        }
        at += point.length;
    }
    return {};
}

// What is wrong before any grammar: nothing there, odd characters, blanks at the ends.
std::string outer_fault(std::string_view text, const Asked& asked) {
    if (text.empty()) {
        return "is empty; " + asked.need + ", such as " + asked.examples;
    }
    if (std::string odd = odd_character(text); !odd.empty()) {
        return odd;
    }
    if (text.front() == ' ' || text.back() == ' ') {
        return "begins or ends with a space; write it without";
    }
    return {};
}

struct Spelling {
    Dimension dimension;
    std::string_view written;  // in lower case
    std::string_view right;
};

constexpr auto spellings = std::to_array<Spelling>({
    {Dimension::time, "day", "d"},
    {Dimension::time, "days", "d"},
    {Dimension::time, "hr", "h"},
    {Dimension::time, "hrs", "h"},
    {Dimension::time, "hour", "h"},
    {Dimension::time, "hours", "h"},
    {Dimension::time, "m", "min"},
    {Dimension::time, "mins", "min"},
    {Dimension::time, "minute", "min"},
    {Dimension::time, "minutes", "min"},
    {Dimension::time, "sec", "s"},
    {Dimension::time, "secs", "s"},
    {Dimension::time, "second", "s"},
    {Dimension::time, "seconds", "s"},
    {Dimension::time, "msec", "ms"},
    {Dimension::time, "usec", "us"},
    {Dimension::voltage, "volt", "V"},
    {Dimension::voltage, "volts", "V"},
    {Dimension::current, "amp", "A"},
    {Dimension::current, "amps", "A"},
    {Dimension::current, "ampere", "A"},
    {Dimension::current, "amperes", "A"},
    {Dimension::charge, "amp-hours", "Ah"},
    {Dimension::charge, "a h", "Ah"},
    {Dimension::charge, "a.h", "Ah"},
    {Dimension::charge, "ma h", "mAh"},
    {Dimension::charge, "ma.h", "mAh"},
    {Dimension::temperature, "c", "degC"},
    {Dimension::temperature, "celsius", "degC"},
    {Dimension::temperature, "deg c", "degC"},
    {Dimension::temperature, "deg", "degC"},
    {Dimension::temperature_difference, "kelvin", "K"},
    {Dimension::resistance, "ohms", "ohm"},
    {Dimension::resistance, "r", "ohm"},
    {Dimension::ratio, "percent", "%"},
    {Dimension::ratio, "pct", "%"},
});

constexpr auto all_dimensions =
    std::to_array<Dimension>({Dimension::time, Dimension::voltage, Dimension::current, Dimension::charge,
                              Dimension::temperature, Dimension::temperature_difference, Dimension::temperature_slope,
                              Dimension::voltage_slope, Dimension::resistance, Dimension::ratio, Dimension::rate});

const WrittenUnit* find_unit(Dimension dimension, std::string_view name) {
    for (const WrittenUnit& unit : words_of(dimension).units) {
        if (unit.name == name) {
            return &unit;
        }
    }
    return nullptr;
}

// The unit that was meant, or "": another case of a known one, or a common long spelling. "MV" is a million volts and
// is never taken for "mV".
std::string_view meant_unit(Dimension dimension, std::string_view unit) {
    const std::string written = lower(unit);
    for (const WrittenUnit& known : words_of(dimension).units) {
        const bool mega = unit.front() == 'M' && known.name.front() == 'm' && known.name != "min";
        if (!mega && lower(known.name) == written) {
            return known.name;
        }
    }
    for (const Spelling& spelling : spellings) {
        if (spelling.dimension == dimension && spelling.written == written) {
            return spelling.right;
        }
    }
    return {};
}

std::string wrong_unit(std::string_view unit, const Asked& asked) {
    if (const std::string_view meant = meant_unit(asked.dimension, unit); !meant.empty()) {
        return "has the unit " + quoted(unit) + ", which is written \"" + std::string{meant} + "\"";
    }
    for (const Dimension other : all_dimensions) {
        const bool of_a_rate = other == Dimension::rate && unit == "C";
        if (find_unit(other, unit) != nullptr || of_a_rate) {
            return "is " + std::string{words_of(other).article} + "; " + asked.need + ", such as " + asked.examples;
        }
    }
    return "has " + quoted(unit) + ", which is no unit of " + std::string{words_of(asked.dimension).article} +
           "; its units are " + list_units(asked.dimension);
}

// Strips the one space that may stand between number and unit.
Result<std::string_view, std::string> unit_after(std::string_view rest, const Asked& asked) {
    if (rest.empty()) {
        return wrong("needs a unit, such as " + asked.examples);
    }
    if (rest.starts_with("  ")) {
        return wrong("has more than one space before its unit; write one or none");
    }
    if (rest.starts_with(' ')) {
        rest.remove_prefix(1);
    }
    const bool number_again = rest.front() >= '0' && rest.front() <= '9';
    if (number_again) {
        return wrong("has a space among its digits; write the number without it");
    }
    return rest;
}

std::string range_phrase(Inexact inexact, const DimensionWords& words) {
    std::string article{words.article};
    if (inexact == Inexact::too_fine) {
        return "is finer than " + std::string{words.resolution} + ", the smallest step of " + article;
    }
    return "is out of range; " + article + " may be at most " + std::string{words.limit};
}

bool looks_like_rate(std::string_view text) {
    return text.starts_with("C/") || text.starts_with("c/") || text == "C" || text == "c";
}

// Where only the rated capacity counts.
std::string measured_fault(std::string_view text) {
    return text.ends_with("measured")
               ? "says \"of measured\", which only the currents and charges of a step may; here the rated capacity "
                 "counts: write it without"
               : std::string{};
}

Result<std::int64_t, std::string> parse_count(std::string_view text, const Asked& asked) {
    const DimensionWords& words = words_of(asked.dimension);
    if (std::string fault = outer_fault(text, asked); !fault.empty()) {
        return wrong(std::move(fault));
    }
    if (std::string fault = measured_fault(text); !fault.empty()) {
        return wrong(std::move(fault));
    }
    if (looks_like_rate(text)) {
        return wrong("is a rate; " + asked.need + ", such as " + asked.examples);
    }
    const auto decimal = read_decimal(text);
    if (!decimal) {
        return wrong(decimal.error() + "; " + asked.need + ", such as " + asked.examples);
    }
    const auto name = unit_after(decimal->rest, asked);
    if (!name) {
        return wrong(name.error());
    }
    const WrittenUnit* unit = find_unit(asked.dimension, *name);
    if (unit == nullptr) {
        return wrong(wrong_unit(*name, asked));
    }
    if (decimal->negative && !words.may_be_negative) {
        return wrong("is negative; " + std::string{words.article} + " is written without a sign");
    }
    const auto count = whole_count(*decimal, unit->scale, words.most);
    if (!count) {
        return wrong(range_phrase(count.error(), words));
    }
    return *count + words.offset;
}

// Why a text that names no known form of a rate is none.
std::string no_rate(std::string_view text, const Decimal& decimal, const Asked& asked) {
    const std::string number{text.substr(0, text.size() - decimal.rest.size())};
    const std::string_view rest = decimal.rest.starts_with(' ') ? decimal.rest.substr(1) : decimal.rest;
    if (rest.empty()) {
        return "needs its C: write \"" + number + "C\", or \"C/" + number + "\" for a part of it";
    }
    if (rest == "c") {
        return "has a small \"c\"; a rate is written \"" + number + "C\"";
    }
    if (lower(rest) == "it") {
        return "is in multiples of It; write \"" + number + "C\"";
    }
    if (number == "1" && rest.starts_with('/')) {
        return "is a fraction; write \"C/20\" for a twentieth of the capacity in an hour";
    }
    for (const Dimension other : all_dimensions) {
        if (find_unit(other, rest) != nullptr) {
            return "is " + std::string{words_of(other).article} + "; " + asked.need + ", such as " + asked.examples;
        }
    }
    return "is no rate; write \"C/20\" or \"0.1C\"";
}

constexpr std::int64_t rate_places = 1'000'000;                   // six decimals, in both forms
constexpr std::int64_t divisor_most = rate_places * rate_places;  // C/1000000
constexpr std::int64_t divisor_least = rate_places / 1'000;       // C/0.001 is 1000C

Rate lowest_terms(std::int64_t numerator, std::int64_t denominator) {
    const std::int64_t common = std::gcd(numerator, denominator);
    return {numerator / common, denominator / common};
}

Result<Rate, std::string> divided_rate(std::string_view divisor) {
    if (divisor.empty()) {
        return wrong("has nothing after \"C/\"; write \"C/20\" for a twentieth of the capacity in an hour");
    }
    const auto decimal = read_decimal(divisor);
    if (!decimal) {
        return wrong(decimal.error() + "; write \"C/20\"");
    }
    if (!decimal->rest.empty()) {
        return wrong("has " + quoted(decimal->rest) + " after its number; write \"C/20\", without a unit");
    }
    if (decimal->negative) {
        return wrong("is negative; a rate is written without a sign");
    }
    if (decimal->digits == 0) {
        return wrong("divides by zero; a rate is written as in \"C/20\"");
    }
    const auto count = whole_count(*decimal, rate_places, divisor_most);
    if (!count || *count < divisor_least) {
        return wrong("is out of range; a rate is written C/0.001 to C/1000000, with at most six decimals");
    }
    return lowest_terms(rate_places, *count);
}

Result<Rate, std::string> parse_rate_as(std::string_view text, const Asked& asked) {
    if (std::string fault = outer_fault(text, asked); !fault.empty()) {
        return wrong(std::move(fault));
    }
    if (std::string fault = measured_fault(text); !fault.empty()) {
        return wrong(std::move(fault));
    }
    if (text.starts_with("C/")) {
        return divided_rate(text.substr(2));
    }
    if (text.starts_with("c/")) {
        return wrong("has a small \"c\"; write \"C" + escaped(text.substr(1), 40) + "\"");
    }
    if (text == "C" || text == "c") {
        return wrong("has no number; write \"1C\" for the capacity in one hour");
    }
    if (text.size() > 1 && (text[0] == 'C' || text[0] == 'c') && text[1] >= '0' && text[1] <= '9') {
        return wrong("has no stroke; write \"C/" + escaped(text.substr(1), 40) + "\"");
    }
    const auto decimal = read_decimal(text);
    if (!decimal) {
        return wrong(decimal.error() + "; " + asked.need + ", such as " + asked.examples);
    }
    if (decimal->rest != "C" && decimal->rest != " C") {
        return wrong(no_rate(text, *decimal, asked));
    }
    if (decimal->negative) {
        return wrong("is negative; a rate is written without a sign");
    }
    if (decimal->digits == 0) {
        return wrong("is zero; a rate is above zero");
    }
    const DimensionWords& words = words_of(Dimension::rate);
    const auto count = whole_count(*decimal, rate_places, words.most);
    if (!count) {
        return wrong(range_phrase(count.error(), words));
    }
    return lowest_terms(*count, rate_places);
}

bool meant_as_rate(std::string_view text) {
    return text.starts_with('C') || text.starts_with('c') || text.ends_with('C') || text.ends_with('c') ||
           lower(text).ends_with("it");
}

}  // namespace

template <Dimension D>
Result<Quantity<D>, std::string> parse_quantity(std::string_view text) {
    const auto count = parse_count(text, asked_for(D));
    if (!count) {
        return wrong(count.error());
    }
    if (D == Dimension::temperature && *count <= 0) {
        return wrong("is not above absolute zero, -273.15 degC");
    }
    return Quantity<D>{*count};
}
template Result<Duration, std::string> parse_quantity(std::string_view);
template Result<Voltage, std::string> parse_quantity(std::string_view);
template Result<Current, std::string> parse_quantity(std::string_view);
template Result<Charge, std::string> parse_quantity(std::string_view);
template Result<Temperature, std::string> parse_quantity(std::string_view);
template Result<TemperatureDifference, std::string> parse_quantity(std::string_view);
template Result<TemperatureSlope, std::string> parse_quantity(std::string_view);
template Result<VoltageSlope, std::string> parse_quantity(std::string_view);
template Result<Resistance, std::string> parse_quantity(std::string_view);
template Result<Ratio, std::string> parse_quantity(std::string_view);

Result<Rate, std::string> parse_rate(std::string_view text) {
    return parse_rate_as(text, asked_for(Dimension::rate));
}

Result<CurrentOrRate, std::string> parse_current_or_rate(std::string_view text) {
    const Asked asked = asked_for(Dimension::current, Dimension::rate);
    if (meant_as_rate(text)) {
        return parse_rate_as(text, asked).map([](Rate rate) { return CurrentOrRate{rate}; });
    }
    return parse_count(text, asked).map([](std::int64_t count) { return CurrentOrRate{Current{count}}; });
}

Result<ChargeOrRatio, std::string> parse_charge_or_ratio(std::string_view text) {
    const Asked charge = asked_for(Dimension::charge, Dimension::ratio);
    if (text.ends_with('%')) {
        const Asked ratio{Dimension::ratio, charge.need, charge.examples};
        return parse_count(text, ratio).map([](std::int64_t count) { return ChargeOrRatio{Ratio{count}}; });
    }
    return parse_count(text, charge).map([](std::int64_t count) { return ChargeOrRatio{Charge{count}}; });
}

namespace {

constexpr std::string_view of_measured = " of measured";

// `parse` reads the share without its "of measured"; only rates and percentages are shares.
template <class Share, class Parse>
auto parse_share(std::string_view text, Parse parse) {
    using Step = OfCapacity<typename decltype(parse(text))::value_type>;
    using Answer = Result<Step, std::string>;
    const bool measured = text.ends_with(of_measured);
    const auto value = parse(measured ? text.substr(0, text.size() - of_measured.size()) : text);
    if (!value) {
        return Answer{wrong(value.error())};
    }
    if (measured && !std::holds_alternative<Share>(*value)) {
        return Answer{wrong("is no share of a capacity, so it cannot be \"of measured\"; write it without, or a " +
                            std::string{std::is_same_v<Share, Rate> ? "rate such as \"C/10 of measured\""
                                                                    : "percentage such as \"70 % of measured\""})};
    }
    return Answer{Step{*value, measured}};
}

}  // namespace

Result<CurrentOrRate, std::string> parse_signed_current_or_rate(std::string_view text) {
    if (!text.starts_with('-')) {
        return parse_current_or_rate(text);
    }
    return parse_current_or_rate(text.substr(1)).map([](const CurrentOrRate& value) {
        if (const auto* rate = std::get_if<Rate>(&value)) {
            return CurrentOrRate{Rate{-rate->numerator, rate->denominator}};
        }
        return CurrentOrRate{-std::get<Current>(value)};
    });
}

Result<StepCurrent, std::string> parse_step_rate(std::string_view text) {
    return parse_share<Rate>(
        text, [](std::string_view t) { return parse_rate(t).map([](Rate rate) { return CurrentOrRate{rate}; }); });
}

Result<StepCurrent, std::string> parse_step_current(std::string_view text) {
    return parse_share<Rate>(text, parse_current_or_rate);
}

Result<StepCharge, std::string> parse_step_charge(std::string_view text) {
    return parse_share<Ratio>(text, parse_charge_or_ratio);
}

}  // namespace slowfilm
