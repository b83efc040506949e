#include "daemon/protocol/parse_fields.hpp"

#include "daemon/core/ensure.hpp"
#include "daemon/core/sample.hpp"
#include "daemon/core/text.hpp"
#include "daemon/core/unit_table.hpp"

#include <algorithm>
#include <cstdlib>
#include <type_traits>

namespace slowfilm::protocol {
namespace {

constexpr Ratio largest_ratio{5'000'000};  // 500 %; of the largest capacity it still fits
constexpr std::int64_t largest_rate = 100;

// What no bench of this kind has to do with: most often a wrong unit. Nothing where the value makes sense.
// Times and charges have their bounds in their own units' table.
std::optional<std::string> beyond(Duration) {
    return std::nullopt;
}
std::optional<std::string> beyond(Charge) {
    return std::nullopt;
}
std::optional<std::string> beyond(Voltage value) {
    return magnitude(value) > voltage_plausible_max ? std::optional<std::string>{"the highest voltage is 100 V"}
                                                    : std::nullopt;
}
std::optional<std::string> beyond(Current value) {
    return magnitude(value) > current_plausible_max ? std::optional<std::string>{"the highest current is 1000 A"}
                                                    : std::nullopt;
}
std::optional<std::string> beyond(Temperature value) {
    return value < temperature_plausible_min || value > temperature_plausible_max
               ? std::optional<std::string>{"temperatures go from -100 degC to 200 degC"}
               : std::nullopt;
}
std::optional<std::string> beyond(Ratio value) {
    return magnitude(value) > largest_ratio ? std::optional<std::string>{"the largest percentage is 500 %"}
                                            : std::nullopt;
}
std::optional<std::string> beyond(Rate value) {
    return std::abs(value.numerator / value.denominator) >= largest_rate
               ? std::optional<std::string>{"the highest rate is below 100C"}
               : std::nullopt;
}
std::optional<std::string> beyond(TemperatureDifference value) {
    return magnitude(value).count > 300'000 ? std::optional<std::string>{"the largest difference is 300 K"}
                                            : std::nullopt;
}
std::optional<std::string> beyond(TemperatureSlope value) {
    return magnitude(value).count > 3'600'000'000 ? std::optional<std::string>{"the steepest slope is 1000 K/s"}
                                                  : std::nullopt;
}
std::optional<std::string> beyond(VoltageSlope value) {
    return magnitude(value).count > std::int64_t{24} * 100'000'000'000
               ? std::optional<std::string>{"the steepest slope is 100 V/h"}
               : std::nullopt;
}
std::optional<std::string> beyond(Resistance value) {
    return magnitude(value).count > std::int64_t{1'000} * 1'000'000'000
               ? std::optional<std::string>{"the largest resistance is 1000 ohm"}
               : std::nullopt;
}
template <class... Alternatives>
std::optional<std::string> beyond(const std::variant<Alternatives...>& value) {
    return std::visit([](const auto& each) { return beyond(each); }, value);
}
template <class Value>
std::optional<std::string> beyond(const OfCapacity<Value>& share) {
    return beyond(share.value);
}

template <Dimension D>
bool is_positive(Quantity<D> value) {
    return value.count > 0;
}
bool is_positive(Rate value) {
    return value.numerator > 0;
}
template <class... Alternatives>
bool is_positive(const std::variant<Alternatives...>& value) {
    return std::visit([](const auto& each) { return is_positive(each); }, value);
}

template <class Value>
bool is_positive(const OfCapacity<Value>& share) {
    return is_positive(share.value);
}

std::string joined(const std::vector<std::string_view>& words) {
    std::string list;
    for (const std::string_view word : words) {
        list += (list.empty() ? "" : ", ") + std::string{word};
    }
    return list;
}

}  // namespace

Fields::Fields(Table table, std::span<const Key> keys, std::optional<StepKind> kind)
    : table_(std::move(table)), keys_(keys), kind_(kind) {}

const Key* Fields::find(std::string_view name, KeyKind kind) const {
    const Key& key = grammar_key(keys_, name);
    ENSURE(key.kind == kind);
    return &key;
}

std::optional<Need> Fields::need(const Key& key) const {
    const StepSet here = kind_ ? only(*kind_) : every_kind;
    if ((key.allowed & here) == 0) {
        return std::nullopt;
    }
    return (key.required & here) != 0 ? Need::required : Need::optional;
}

template <class Value>
std::optional<Value> Fields::sane(const Key& key, std::optional<Value> value) {
    if (!value) {
        return std::nullopt;
    }
    const std::string said = "'" + std::string{key.name} + "' ";
    if (key.sign == Sign::positive && !is_positive(*value)) {
        table_.error(table_.place_of(key.name), said + "must be above zero");
        return std::nullopt;
    }
    if (const auto bound = beyond(*value)) {
        table_.error(table_.place_of(key.name), said + "is out of any sense for this bench: " + *bound);
        return std::nullopt;
    }
    return value;
}

std::optional<std::string> Fields::text(std::string_view name) {
    const Key* key = find(name, KeyKind::text);
    const auto needed = need(*key);
    return needed ? table_.text(name, *needed) : std::nullopt;
}

std::optional<bool> Fields::truth(std::string_view name) {
    const Key* key = find(name, KeyKind::truth);
    const auto needed = need(*key);
    return needed ? table_.truth(name, *needed) : std::nullopt;
}

std::optional<double> Fields::number(std::string_view name) {
    const Key* key = find(name, KeyKind::number);
    const auto needed = need(*key);
    return needed ? table_.number(name, *needed) : std::nullopt;
}

std::optional<std::uint32_t> Fields::count(std::string_view name) {
    const Key* key = find(name, KeyKind::count);
    const auto needed = need(*key);
    return needed ? table_.count(name, *needed) : std::nullopt;
}

std::optional<std::size_t> Fields::word(std::string_view name) {
    const Key* key = find(name, KeyKind::word);
    const auto needed = need(*key);
    return needed ? table_.word(name, key->words, *needed) : std::nullopt;
}

template <Dimension D>
std::optional<Quantity<D>> Fields::quantity(std::string_view name) {
    const Key& key = grammar_key(keys_, name);
    ENSURE(key.kind == KeyKind::quantity || key.kind == KeyKind::value_or_table || key.kind == KeyKind::limit);
    ENSURE(key.dimension == D);
    const auto needed = need(key);
    return needed ? sane(key, table_.quantity<D>(name, *needed)) : std::nullopt;
}
template std::optional<Duration> Fields::quantity(std::string_view);
template std::optional<Voltage> Fields::quantity(std::string_view);
template std::optional<Current> Fields::quantity(std::string_view);
template std::optional<Charge> Fields::quantity(std::string_view);
template std::optional<Temperature> Fields::quantity(std::string_view);
template std::optional<TemperatureDifference> Fields::quantity(std::string_view);
template std::optional<TemperatureSlope> Fields::quantity(std::string_view);
template std::optional<VoltageSlope> Fields::quantity(std::string_view);
template std::optional<Resistance> Fields::quantity(std::string_view);
template std::optional<Ratio> Fields::quantity(std::string_view);

std::optional<CurrentOrRate> Fields::current_or_rate(std::string_view name) {
    const Key& key = grammar_key(keys_, name);
    ENSURE(key.kind == KeyKind::current_or_rate || key.kind == KeyKind::current_limit);
    ENSURE(key.also != Also::of_measured);
    const auto needed = need(key);
    if (!needed) {
        return std::nullopt;
    }
    return sane(key, key.sign == Sign::any ? table_.signed_current_or_rate(name, *needed)
                                           : table_.current_or_rate(name, *needed));
}

std::optional<StepCurrent> Fields::step_current(std::string_view name) {
    const Key& key = grammar_key(keys_, name);
    ENSURE(key.also == Also::of_measured && (key.kind == KeyKind::rate || key.kind == KeyKind::current_or_rate));
    const auto needed = need(key);
    if (!needed) {
        return std::nullopt;
    }
    return sane(key, key.kind == KeyKind::rate ? table_.step_rate(name, *needed) : table_.step_current(name, *needed));
}

std::optional<StepCharge> Fields::step_charge(std::string_view name) {
    const Key* key = find(name, KeyKind::charge_or_ratio);
    ENSURE(key->also == Also::of_measured);
    const auto needed = need(*key);
    return needed ? sane(*key, table_.step_charge(name, *needed)) : std::nullopt;
}

std::optional<std::int64_t> Fields::figure_value(std::string_view name, std::optional<Dimension> dimension) {
    const Key* key = find(name, KeyKind::figure_value);
    const auto needed = need(*key);
    const auto read = [&]<Dimension D>(std::integral_constant<Dimension, D>, Sign sign) -> std::optional<std::int64_t> {
        Key as = *key;
        as.sign = sign;
        const auto value = sane(as, table_.quantity<D>(name, *needed));
        return value ? std::optional{value->count} : std::nullopt;
    };
    if (!needed) {
        return std::nullopt;
    }
    if (!dimension && written(name)) {
        pass_over(name);  // a value with some unit, and nobody knows of what
        return std::nullopt;
    }
    // A figure's dimension is one of these four (core/figure.hpp); only a voltage may fall or rise.
    if (!dimension || dimension == Dimension::ratio) {
        return read(std::integral_constant<Dimension, Dimension::ratio>{}, Sign::positive);
    }
    if (dimension == Dimension::charge) {
        return read(std::integral_constant<Dimension, Dimension::charge>{}, Sign::positive);
    }
    if (dimension == Dimension::resistance) {
        return read(std::integral_constant<Dimension, Dimension::resistance>{}, Sign::positive);
    }
    ENSURE(dimension == Dimension::voltage_slope);
    return read(std::integral_constant<Dimension, Dimension::voltage_slope>{}, Sign::any);
}

bool Fields::now(std::string_view name) {
    ENSURE(grammar_key(keys_, name).also == Also::now);
    if (!says(name, "now")) {
        return false;
    }
    pass_over(name);
    return true;
}

std::vector<Duration> Fields::times(std::string_view name) {
    const Key* key = find(name, KeyKind::times);
    const auto needed = need(*key);
    return needed ? table_.times(name, *needed).value_or(std::vector<Duration>{}) : std::vector<Duration>{};
}

std::optional<ChargeOrRatio> Fields::charge_or_ratio(std::string_view name) {
    const Key& key = grammar_key(keys_, name);
    ENSURE(key.kind == KeyKind::charge_or_ratio || key.kind == KeyKind::charge_limit);
    ENSURE(key.also != Also::of_measured);
    const auto needed = need(key);
    return needed ? sane(key, table_.charge_or_ratio(name, *needed)) : std::nullopt;
}

std::optional<CurrentOrRatio> Fields::current_or_ratio(std::string_view name) {
    const Key* key = find(name, KeyKind::current_or_ratio);
    const auto needed = need(*key);
    return needed ? sane(*key, table_.current_or_ratio(name, *needed)) : std::nullopt;
}

std::optional<Fields> Fields::table(std::string_view name) {
    const Key& key = grammar_key(keys_, name);
    ENSURE(!key.inside.empty() && key.kind != KeyKind::list);
    const auto needed = need(key);
    if (!needed) {
        return std::nullopt;
    }
    // The first keys that may stand there: of `ends` in a charge, voltage and time.
    std::string example;
    int shown = 0;
    for (const Key& each : key.inside) {
        if ((!kind_ || (each.allowed & only(*kind_)) != 0) && shown < 2) {
            example += (shown++ == 0 ? "{ " : ", ") + std::string{each.name} + " = ...";
        }
    }
    auto inner = table_.table(name, *needed, example + " }");
    return inner ? std::optional{Fields{std::move(*inner), key.inside, kind_}} : std::nullopt;
}

Fields::Form Fields::form(std::string_view name) {
    const Key* key = find(name, KeyKind::value_or_table);
    if (!has(name) || !need(*key)) {
        return Form::absent;
    }
    const bool plain = !kind_ || (key->plain & only(*kind_)) != 0;
    const bool is_table = holds_table(name);
    std::vector<std::string_view> inner;
    for (const Key& each : key->inside) {
        if (!kind_ || (each.allowed & only(*kind_)) != 0) {
            inner.push_back(each.name);
        }
    }
    if (is_table ? !inner.empty() : plain) {
        return is_table ? Form::table : Form::plain;
    }
    if (!is_table && !written(name)) {
        return Form::table;  // neither a value nor a table: the reader of tables says so
    }
    pass_over(name);
    const std::string where = "'" + std::string{name} + "' in a " + std::string{step_word(*kind_)} + " step is ";
    table_.error(
        table_.place_of(name),
        where + (is_table ? "one value, such as \"" + std::string{words_of(key->dimension).example} + "\", no table"
                          : "a table with " + joined(inner) + ", not one value"));
    return Form::refused;
}

std::vector<Fields> Fields::list(std::string_view name) {
    const Key* key = find(name, KeyKind::list);
    std::vector<Fields> result;
    if (const auto needed = need(*key)) {
        for (Table& element : table_.tables(name, *needed)) {
            result.emplace_back(std::move(element), key->inside, kind_);
        }
    }
    return result;
}

std::vector<Table> Fields::steps(std::string_view name, std::string path) {
    const Key* key = find(name, KeyKind::steps);
    const auto needed = need(*key);
    return needed ? table_.tables(name, *needed, std::move(path)) : std::vector<Table>{};
}

std::optional<std::string> Fields::written(std::string_view name) const {
    return table_.written_text(name);
}

void Fields::refuse_others() {
    std::vector<std::string_view> allowed;
    std::vector<std::string_view> elsewhere;
    for (const Key& key : keys_) {
        (need(key) ? allowed : elsewhere).push_back(key.name);
    }
    for (const std::string& written : table_.keys()) {
        if (std::find(allowed.begin(), allowed.end(), written) != allowed.end() ||
            std::find(settled_.begin(), settled_.end(), written) != settled_.end()) {
            continue;
        }
        const Place place = table_.place_of_key(written);
        const std::string said = "'" + escaped(written, 60) + "'";
        if (std::find(elsewhere.begin(), elsewhere.end(), written) != elsewhere.end()) {
            table_.error(place, said + " has no meaning in a " + std::string{step_word(*kind_)} +
                                    " step; it belongs to " + step_list(grammar_key(keys_, written).allowed));
            continue;
        }
        const std::string_view near = nearest(written, allowed);
        table_.error(place, "unknown key " + said +
                                (near.empty() ? "; known here: " + joined(allowed)
                                              : "; did you mean '" + std::string{near} + "'?"));
    }
}

}  // namespace slowfilm::protocol
