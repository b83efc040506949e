#include "daemon/ledger/names.hpp"

#include "daemon/core/json.hpp"

#include <boost/json/object.hpp>
#include <type_traits>
#include <utility>

namespace slowfilm::ledger {
namespace {

// Each list of fields is written once and serves both directions.
template <class T, class Visit>
void each_field(T& traits, Visit visit) requires std::is_same_v<std::remove_const_t<T>, ChannelTraits> {
    visit("period_us", traits.period.count);
    visit("settle_us", traits.settle.count);
    visit("voltage_min_nv", traits.voltage_min.count);
    visit("voltage_max_nv", traits.voltage_max.count);
    visit("source_max_na", traits.source_max.count);
    visit("sink_max_na", traits.sink_max.count);
    visit("voltage_accuracy_nv", traits.voltage_accuracy.count);
    visit("voltage_resolution_nv", traits.voltage_resolution.count);
    visit("current_accuracy_na", traits.current_accuracy.count);
    visit("current_resolution_na", traits.current_resolution.count);
    visit("reports_ceiling", traits.reports_ceiling);
    visit("has_contactor", traits.has_contactor);
    visit("off_state", traits.off_state);
    visit("temperature_of", traits.temperature_of);
    visit("has_ambient", traits.has_ambient);
    visit("has_chamber", traits.has_chamber);
    visit("reads_terminals", traits.reads_terminals);
    visit("temperature_plausible_min_mk", traits.temperature_plausible_min.count);
    visit("temperature_plausible_max_mk", traits.temperature_plausible_max.count);
}

template <class T, class Visit>
void each_field(T& caps, Visit visit) requires std::is_same_v<std::remove_const_t<T>, BenchCaps> {
    visit("voltage_max_nv", caps.voltage_max.count);
    visit("current_max_na", caps.current_max.count);
    visit("temperature_max_mk", caps.temperature_max.count);
}

template <class T, class Visit>
void each_field(T& history, Visit visit) requires std::is_same_v<std::remove_const_t<T>, CellHistory> {
    visit("furthest", history.furthest);
    visit("known", history.known);
    visit("armed", history.armed);
    visit("quarantined", history.quarantined);
    visit("first_leg_over", history.first_leg_over);
    visit("leg_pc", history.leg.count);
    visit("leg_unseen_pc", history.leg_unseen.count);
    visit("net_pc", history.net.count);
    visit("net_unseen_pc", history.net_unseen.count);
    visit("highest_nv", history.highest.count);
    visit("measured_pc", history.measured.count);
    visit("low_since_us", history.low_since.count);
}

struct ToObject {
    boost::json::object& object;
    template <class T>
    void operator()(const char* key, const T& value) const {
        if constexpr (std::is_enum_v<T>) {
            object[key] = boost::json::string(word_of(value));
        } else {
            object[key] = value;
        }
    }
};

struct FromObject {
    const boost::json::object& object;
    const char*& wrong;  // the first key that is missing or of another kind
    template <class T>
    void operator()(const char* key, T& value) const {
        const boost::json::value* found = object.if_contains(key);
        if (found != nullptr && take(*found, value))
            return;
        if (wrong == nullptr)
            wrong = key;
    }
    static bool take(const boost::json::value& from, bool& value) {
        if (from.is_bool())
            value = from.get_bool();
        return from.is_bool();
    }
    static bool take(const boost::json::value& from, std::int64_t& value) {
        if (from.is_int64())
            value = from.get_int64();
        return from.is_int64();
    }
    template <class E>
    requires std::is_enum_v<E>
    static bool take(const boost::json::value& from, E& value) {
        if (!from.is_string())
            return false;
        const boost::json::string& word = from.get_string();
        const std::optional<E> found = from_word<E>({word.data(), word.size()});
        if (found)
            value = *found;
        return found.has_value();
    }
};

template <class T>
std::string object_text(const T& value) {
    boost::json::object object;
    each_field(value, ToObject{object});
    return to_json_text(object);
}

template <class T>
Result<void> read_object(std::string_view text, T& value) {
    const auto parsed = parse_json(text);
    if (!parsed)
        return fail(Failure::bad_data, parsed.error().message);
    if (!parsed->is_object())
        return fail(Failure::bad_data, "it is not a JSON object");
    const char* wrong = nullptr;
    each_field(value, FromObject{parsed->get_object(), wrong});
    if (wrong != nullptr)
        return fail(Failure::bad_data, std::string("its key ") + wrong + " is missing or of the wrong kind");
    return {};
}

}  // namespace

std::string_view word_of(RunState value) {
    return name(value);
}

std::string_view word_of(WaitReason value) {
    return name(value);
}

std::string_view word_of(EventKind value) {
    return name(value);
}

std::string_view word_of(CellState value) {
    return name(value);
}

std::string_view word_of(OffState value) {
    switch (value) {
        case OffState::relay_open: return "relay_open";
        case OffState::high_impedance: return "high_impedance";
        case OffState::sinks: return "sinks";
    }
    return {};
}

std::string_view word_of(TemperatureOf value) {
    switch (value) {
        case TemperatureOf::cell: return "cell";
        case TemperatureOf::shelf: return "shelf";
        case TemperatureOf::none: return "none";
    }
    return {};
}

std::string to_text(const ChannelTraits& traits) {
    return object_text(traits);
}
std::string to_text(const BenchCaps& caps) {
    return object_text(caps);
}
std::string to_text(const CellHistory& history) {
    return object_text(history);
}
Result<void> from_text(std::string_view text, ChannelTraits& traits) {
    return read_object(text, traits);
}
Result<void> from_text(std::string_view text, BenchCaps& caps) {
    return read_object(text, caps);
}
Result<void> from_text(std::string_view text, CellHistory& history) {
    return read_object(text, history);
}

}  // namespace slowfilm::ledger
