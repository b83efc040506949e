#include "daemon/protocol/parse_fields.hpp"

#include "daemon/core/ensure.hpp"
#include "daemon/core/sample.hpp"
#include "daemon/core/text.hpp"

#include <algorithm>

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
    return value.numerator / value.denominator >= largest_rate
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
template <class... Alternatives>
std::optional<std::string> beyond(const std::variant<Alternatives...>& value) {
    return std::visit([](const auto& each) { return beyond(each); }, value);
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
template std::optional<Ratio> Fields::quantity(std::string_view);

std::optional<Rate> Fields::rate(std::string_view name) {
    const Key* key = find(name, KeyKind::rate);
    const auto needed = need(*key);
    return needed ? sane(*key, table_.rate(name, *needed)) : std::nullopt;
}

std::optional<CurrentOrRate> Fields::current_or_rate(std::string_view name) {
    const Key& key = grammar_key(keys_, name);
    ENSURE(key.kind == KeyKind::current_or_rate || key.kind == KeyKind::current_limit);
    const auto needed = need(key);
    return needed ? sane(key, table_.current_or_rate(name, *needed)) : std::nullopt;
}

std::optional<ChargeOrRatio> Fields::charge_or_ratio(std::string_view name) {
    const Key* key = find(name, KeyKind::charge_or_ratio);
    const auto needed = need(*key);
    return needed ? sane(*key, table_.charge_or_ratio(name, *needed)) : std::nullopt;
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
    auto inner = table_.table(name, *needed);
    return inner ? std::optional{Fields{std::move(*inner), key.inside, kind_}} : std::nullopt;
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
