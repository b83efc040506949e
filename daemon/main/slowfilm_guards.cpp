#include "daemon/main/slowfilm_guards.hpp"

#include "daemon/core/text.hpp"
#include "daemon/core/unit.hpp"
#include "daemon/engine/describe.hpp"
#include "daemon/main/slowfilm_table.hpp"
#include "daemon/protocol/guard_table.hpp"

#include <boost/json/object.hpp>
#include <limits>

namespace slowfilm::command {

namespace json = boost::json;

namespace {

constexpr std::int64_t no_bound_below = std::numeric_limits<std::int64_t>::min();
constexpr std::int64_t no_bound_above = std::numeric_limits<std::int64_t>::max();

// How a guard's numbers are to be read.
enum class Shape : std::uint8_t { above, below, within, legs, stale, climb, caps, event };

Shape shape_of(GuardId id) {
    switch (id) {
        case GuardId::reversed:
        case GuardId::low_voltage:
        case GuardId::discharge_floor:
        case GuardId::under_temperature: return Shape::below;
        case GuardId::charge_temperature:
        case GuardId::discharge_temperature: return Shape::within;
        case GuardId::charge_leg: return Shape::legs;
        case GuardId::stale: return Shape::stale;
        case GuardId::climb: return Shape::climb;
        case GuardId::bench_cap: return Shape::caps;
        case GuardId::current_lost:
        case GuardId::not_plausible:
        case GuardId::channel_fault:
        case GuardId::group:
        case GuardId::record_lost: return Shape::event;
        case GuardId::over_voltage:
        case GuardId::over_current:
        case GuardId::current_error:
        case GuardId::leakage:
        case GuardId::hold_error:
        case GuardId::voltage_fall:
        case GuardId::voltage_jump:
        case GuardId::lead_drop:
        case GuardId::stuck:
        case GuardId::above_ambient:
        case GuardId::over_temperature:
        case GuardId::temperature_rise:
        case GuardId::charge_net:
        case GuardId::run_time: return Shape::above;
    }
    return Shape::event;
}

std::string_view name_of(engine::Origin origin) {
    switch (origin) {
        case engine::Origin::by_default: return "default";
        case engine::Origin::written: return "written";
        case engine::Origin::off: return "off";
    }
    return "";
}

bool never_trips(GuardId id) {
    return id == GuardId::record_lost;
}

// Without a bench the assumed caps are as wide as can be, and no limit to tell anyone of.
bool has_caps(const engine::Plan& plan) {
    return plan.caps != engine::caps_of_no_name();
}

std::string climb_text(const engine::Plan& plan) {
    std::string text;
    for (const engine::ClimbGate& gate : plan.climb) {
        text += (text.empty() ? "" : "; ") + ("above " + print(gate.above)) + " once " + print(gate.by) + " are in";
    }
    return text;
}

std::string limit_text(const engine::Plan& plan, const GuardRow& row) {
    const engine::GuardSetting& setting = plan.guards[static_cast<std::size_t>(row.id)];
    const auto value = [&](std::int64_t count) { return engine::print_guard_value(row.id, count); };
    std::string text;
    switch (shape_of(row.id)) {
        case Shape::above:
            text = setting.trip == no_bound_above ? "no limit"
                   : row.id == GuardId::run_time  ? "longer than " + print_span(Duration{setting.trip})
                                                  : "above " + value(setting.trip);
            break;
        case Shape::below:
            text = "below " + value(setting.low);
            text += row.id == GuardId::low_voltage ? ", once above " + print(plan.armed_above) : "";
            break;
        case Shape::within: text = "outside " + value(setting.low) + " to " + value(setting.trip); break;
        case Shape::legs:
            text = "above " + print(plan.leg_max_first) + " in the first leg, " + print(plan.leg_max_later) + " later";
            break;
        case Shape::stale:
            text = "voltage " + print(plan.stale_voltage) + ", current " + print(plan.stale_current) +
                   ", temperature " + print(plan.stale_temperature) + " old";
            break;
        case Shape::climb: text = climb_text(plan); break;
        case Shape::caps:
            text = has_caps(plan) ? "above " + print(plan.caps.voltage_max) + ", " + print(plan.caps.current_max) +
                                        " or " + print(plan.caps.temperature_max)
                                  : "as the bench file says";
            break;
        case Shape::event: text = row.fires_when; break;
    }
    if (setting.has_warn && !setting.warn_only) {
        text += ", warns at " + value(setting.warn);
    }
    return setting.warn_only ? "warns only: " + text : text;
}

// Only these are judged over a time of their own.
void put_limits(json::object& guard, const engine::Plan& plan, const GuardRow& row) {
    const engine::GuardSetting& setting = plan.guards[static_cast<std::size_t>(row.id)];
    const Unit unit = unit_of(row.dimension);
    switch (shape_of(row.id)) {
        case Shape::above:
            if (setting.trip != no_bound_above) {
                guard["trip"] = unit.of(setting.trip);
            } else {
                guard["trip"] = nullptr;
                guard["trip_reason"] = "the protocol leaves it open";
            }
            break;
        case Shape::below: guard["trip"] = unit.of(setting.low); break;
        case Shape::within:
            guard["min"] = unit.of(setting.low == no_bound_below ? 0 : setting.low);
            guard["max"] = unit.of(setting.trip);
            break;
        case Shape::legs:
            guard["first_ah"] = ampere_hours(plan.leg_max_first);
            guard["later_ah"] = ampere_hours(plan.leg_max_later);
            break;
        case Shape::stale:
            guard["voltage_duration_second"] = seconds(plan.stale_voltage);
            guard["current_duration_second"] = seconds(plan.stale_current);
            guard["temperature_duration_second"] = seconds(plan.stale_temperature);
            break;
        case Shape::climb: {
            json::array gates;
            for (const engine::ClimbGate& gate : plan.climb) {
                gates.push_back(
                    json::object{{"by_charge_ah", ampere_hours(gate.by)}, {"above_voltage_volt", volts(gate.above)}});
            }
            guard["gates"] = std::move(gates);
            break;
        }
        case Shape::caps:
            if (has_caps(plan)) {
                guard["voltage_volt"] = volts(plan.caps.voltage_max);
                guard["current_ampere"] = amperes(plan.caps.current_max);
                guard["temperature_celsius"] = celsius(plan.caps.temperature_max);
            }
            break;
        case Shape::event: break;
    }
    if (row.id == GuardId::low_voltage) {
        guard["armed_above_voltage_volt"] = volts(plan.armed_above);
    }
    if (setting.has_warn) {
        guard["warn"] = unit.of(setting.warn);
    }
    guard["warn_only"] = setting.warn_only;
    if (row.persists) {
        guard["for_duration_second"] = seconds(setting.persistence);
        guard["two_samples"] = setting.persistence.count == 0;
    }
}

}  // namespace

std::string guards_text(const engine::Plan& plan) {
    std::vector<TableRow> rows{{{"guard", "trips when", "for", "origin"}}};
    for (const GuardRow& row : guard_table()) {
        if (never_trips(row.id)) {
            continue;
        }
        const engine::GuardSetting& setting = plan.guards[static_cast<std::size_t>(row.id)];
        const bool off = setting.origin == engine::Origin::off;
        std::string persistence;
        if (!off && row.persists) {
            persistence = setting.persistence.count == 0 ? "2 samples" : print(setting.persistence);
        }
        rows.push_back({{std::string{row.name}, off ? "-" : limit_text(plan, row), persistence,
                         std::string{name_of(setting.origin)}}});
    }
    return table(rows);
}

json::array guards_json(const engine::Plan& plan) {
    json::array guards;
    for (const GuardRow& row : guard_table()) {
        if (never_trips(row.id)) {
            continue;
        }
        const engine::GuardSetting& setting = plan.guards[static_cast<std::size_t>(row.id)];
        json::object guard;
        guard["name"] = row.name;
        if (row.key.empty()) {
            guard["key"] = nullptr;
            guard["key_reason"] = "no key of the protocol moves this guard";
        } else {
            guard["key"] = row.key;
        }
        guard["unit"] = unit_of(row.dimension).name;
        guard["class"] = row.trip_class == TripClass::cell ? "cell" : "channel";
        guard["hard"] = row.hardness == Hardness::hard;
        guard["judged"] = row.judged;
        guard["origin"] = name_of(setting.origin);
        if (setting.origin != engine::Origin::off) {
            put_limits(guard, plan, row);
        }
        guards.push_back(std::move(guard));
    }
    return guards;
}

}  // namespace slowfilm::command
