// [limits]: limits that contradict the window, each other or the steps. That a hard guard is not softened is the
// grammar's.
#include "daemon/core/text.hpp"
#include "daemon/protocol/bounds_arithmetic.hpp"
#include "daemon/protocol/check_judge.hpp"
#include "daemon/protocol/guard_table.hpp"

#include <algorithm>

namespace slowfilm::protocol {
namespace {

using namespace literals;

// IEC 62133-2:2017 gives 4.25 V as the upper limit charging voltage of cells charged to 4.2 V: 50 mV above.
constexpr Voltage voltage_max_over_window = 50_mV;
constexpr Voltage floor_under_window_max = 200_mV;
constexpr Voltage low_voltage_under_window_max = 1000_mV;
constexpr Rate leakage_rate_max{1, 50};     // the connection checks' own test current: below it a current is none
constexpr Temperature sensor_min{253'150};  // the bench's usual sensor window, -20..90 degC
constexpr Temperature sensor_max{363'150};
constexpr Temperature temperature_max_highest = 70_degC;  // check_reach says why
// The first charge of an anode with much silicon loses a third of itself to the film; no cell takes more than this.
constexpr Ratio charge_cap_max{1'600'000};
constexpr Ratio charge_cap_usual{1'400'000};

std::string limit_path(GuardId id, std::string_view key = {}) {
    std::string path = "limits." + std::string(guard_row(id).key);
    return key.empty() ? path : path.append(".").append(key);
}

std::string origin(const Judge& j, GuardId id) {
    return j.written(limit_path(id)) ? "" : " (its default)";
}

// `key = "4.3 V"` or `key = { trip = "4.3 V" }`: the place of the trip.
std::string trip_path(const Judge& j, GuardId id) {
    const std::string inner = limit_path(id, "trip");
    return j.written(inner) ? inner : limit_path(id);
}

void check_voltage_max(Judge& j) {
    if (!j.protocol.limits.voltage_max.trip) {
        return;
    }
    const Voltage trip = *j.protocol.limits.voltage_max.trip;
    const Voltage window_max = j.cell.window_max;
    const Voltage most = sum(window_max, voltage_max_over_window);
    const Voltage least = sum(window_max, sum(end_margin_unknown, ceiling_under_limit));
    if (trip > most) {
        j.error(trip_path(j, GuardId::over_voltage),
                "voltage_max " + quoted(trip) + " is " + print(difference(trip, window_max)) + " above window.max " +
                    quoted(window_max) + "; at most " + quoted(most) + " (50 mV above) is right, as IEC 62133-2 has " +
                    "\"4.25 V\" for cells charged to \"4.2 V\"");
    } else if (trip < least) {
        j.error(trip_path(j, GuardId::over_voltage),
                "voltage_max " + quoted(trip) + " leaves no room for the stage's own ceiling above window.max " +
                    quoted(window_max) + "; between " + quoted(least) + " and " + quoted(most) + " would be right");
    }
}

// Written so low, or armed so late, low_voltage is on and guards nothing.
void check_low_voltage_guards(Judge& j, Voltage trip, const std::string& path) {
    const Voltage window_min = j.cell.window_min;
    const Voltage least = difference(window_min, low_voltage_under_window_max);
    if (trip >= Voltage{} && trip < least && j.written(limit_path(GuardId::low_voltage))) {
        j.warning(path, "low_voltage.trip " + quoted(trip) + " is " + print(difference(window_min, trip)) +
                            " below window.min " + quoted(window_min) +
                            ": copper has long dissolved and a short is long through when it trips; at least " +
                            quoted(least) + " would be right");
    }
    const Voltage latest = sum(window_min, difference(j.cell.window_max, window_min) / 2);
    if (j.limits.armed_above && *j.limits.armed_above > latest && *j.limits.armed_above < j.cell.window_max) {
        j.warning(
            limit_path(GuardId::low_voltage, "armed_above"),
            "low_voltage is armed above " + quoted(*j.limits.armed_above) +
                " only, which a cell passes late in its first charge: until then no short of it is seen; at most " +
                quoted(latest) + ", such as " + quoted(sum(window_min, armed_over_window)) + ", would be right");
    }
}

void check_low_side(Judge& j) {
    const Voltage window_min = j.cell.window_min;
    const Limit<Voltage>& floor = j.limits.discharge_floor;
    const Limit<Voltage>& low = j.limits.low_voltage;
    const bool floor_refused =
        j.refused(limit_path(GuardId::discharge_floor), j.protocol.limits.discharge_floor.trip.has_value());
    if (floor.trip && !floor_refused) {
        const Voltage least = difference(window_min, floor_under_window_max);
        if (*floor.trip > window_min || *floor.trip < least) {
            j.error(trip_path(j, GuardId::discharge_floor),
                    "discharge_floor " + quoted(*floor.trip) + " is " +
                        (*floor.trip > window_min
                             ? "above window.min " + quoted(window_min)
                             : print(difference(window_min, *floor.trip)) + " below window.min " + quoted(window_min)) +
                        "; between " + quoted(least) + " and " + quoted(window_min) + " would be right");
        }
    }
    if (!low.trip || j.refused(limit_path(GuardId::low_voltage), j.protocol.limits.low_voltage.trip.has_value())) {
        return;
    }
    const std::string path = trip_path(j, GuardId::low_voltage);
    const std::string what = "low_voltage.trip " + quoted(*low.trip) + origin(j, GuardId::low_voltage);
    if (low.trip->count < 0) {
        j.error(path, what + " is below \"0 V\"; write one between \"0 V\" and discharge_floor");
    } else if (floor.trip && !floor_refused && *low.trip > *floor.trip) {
        j.error(path, what + " is above discharge_floor " + quoted(*floor.trip) + origin(j, GuardId::discharge_floor) +
                          "; every discharge would trip it: at most " + quoted(*floor.trip) + " would be right");
    }
    check_low_voltage_guards(j, *low.trip, path);
    if (!j.limits.armed_above) {
        return;
    }
    const Voltage armed = *j.limits.armed_above;
    if (armed <= *low.trip) {
        j.error(limit_path(GuardId::low_voltage, "armed_above"),
                "low_voltage is armed above " + quoted(armed) + ", which is not above its trip " + quoted(*low.trip) +
                    "; a voltage that the cell passes early in the first charge, such as " +
                    quoted(sum(window_min, armed_over_window)) + ", would be right");
    } else if (armed >= j.cell.window_max) {
        j.error(limit_path(GuardId::low_voltage, "armed_above"),
                "low_voltage is armed above " + quoted(armed) + ", which no cell passes that stays below window.max " +
                    quoted(j.cell.window_max) + "; " + quoted(sum(window_min, armed_over_window)) + " would be right");
    }
}

void check_currents(Judge& j) {
    if (!j.limits.current_max.trip) {
        return;
    }
    const CurrentOrRate& limit = *j.limits.current_max.trip;
    const Current most = current_of(Rate{10, 1}, j.cell.capacity);
    const std::string path = trip_path(j, GuardId::over_current);
    if (j.current(limit) > most) {
        j.error(path, "current_max " + quoted_with_amperes(limit, j.cell.capacity) +
                          " is more than ten times the rated capacity " + quoted(j.cell.capacity) +
                          " in an hour; at most " + quoted(most) +
                          " is allowed, and a little above the highest current of the steps is right");
    }
    if (j.limits.leakage_max.trip && j.current(*j.limits.leakage_max.trip) >= j.current(limit)) {
        j.error(
            trip_path(j, GuardId::leakage),
            "leakage_max " + quoted_with_amperes(*j.limits.leakage_max.trip, j.cell.capacity) +
                " is not below current_max " + quoted_with_amperes(limit, j.cell.capacity) +
                "; at open circuit no current should flow, so a few times the instrument's accuracy would be right");
        return;
    }
    const Current leakage_most = current_of(leakage_rate_max, j.cell.capacity);
    if (j.limits.leakage_max.trip && j.current(*j.limits.leakage_max.trip) > leakage_most) {
        j.error(
            trip_path(j, GuardId::leakage),
            "leakage_max " + quoted_with_amperes(*j.limits.leakage_max.trip, j.cell.capacity) +
                " is more than C/50, and an output that is stuck at a forming current would pass for open; at most " +
                quoted(leakage_most) + " is allowed, and a few times the instrument's accuracy would be right");
    }
}

void check_temperature_window(Judge& j, const TemperatureWindow& window, GuardId id) {
    const std::string key(guard_row(id).key);
    const bool both_written = j.written(limit_path(id, "min")) && j.written(limit_path(id, "max"));
    if (window.min && window.max && *window.min >= *window.max) {
        if (both_written) {
            return;  // the grammar has said so
        }
        j.error(limit_path(id), key + ".min " + quoted(*window.min) + " is not below max " + quoted(*window.max) +
                                    "; one is the default, and no current of that direction could ever flow");
        return;
    }
    const Limit<Temperature>& high = j.limits.temperature_max;
    if (window.max && high.trip && *window.max > *high.trip) {
        j.error(limit_path(id, "max"), key + ".max " + quoted(*window.max) + " is above temperature_max " +
                                           quoted(*high.trip) + ", which would trip first; at most " +
                                           quoted(*high.trip) + " would be right");
    }
    const Limit<Temperature>& low = j.limits.temperature_min;
    if (window.min && low.trip && *window.min < *low.trip && j.written(limit_path(id, "min"))) {
        j.error(limit_path(id, "min"), key + ".min " + quoted(*window.min) + " is below temperature_min " +
                                           quoted(*low.trip) + origin(j, GuardId::under_temperature) +
                                           ", which would trip first; at least " + quoted(*low.trip) +
                                           " would be right");
    }
}

void check_temperatures(Judge& j) {
    const Limit<Temperature>& high = j.limits.temperature_max;
    const Limit<Temperature>& low = j.limits.temperature_min;
    for (const auto& [limit, id] : {std::pair{&high, GuardId::over_temperature}, {&low, GuardId::under_temperature}}) {
        if (limit->trip && (*limit->trip < sensor_min || *limit->trip > sensor_max)) {
            j.error(trip_path(j, id),
                    std::string(guard_row(id).key) + " " + quoted(*limit->trip) +
                        " lies outside the sensors' range and can never trip; between " + quoted(sensor_min) + " and " +
                        quoted(id == GuardId::over_temperature ? temperature_max_highest : sensor_max) +
                        " would be right");
        }
    }
    if (high.trip && low.trip && *low.trip >= *high.trip) {
        j.error(
            trip_path(j, j.written("limits.temperature_min") ? GuardId::under_temperature : GuardId::over_temperature),
            "temperature_min " + quoted(*low.trip) + origin(j, GuardId::under_temperature) +
                " is not below temperature_max " + quoted(*high.trip) + "; every temperature would trip");
        return;  // what lies between them is beside the point
    }
    check_temperature_window(j, j.limits.charge_temperature, GuardId::charge_temperature);
    check_temperature_window(j, j.limits.discharge_temperature, GuardId::discharge_temperature);
}

void check_climb(Judge& j) {
    const std::vector<Climb>& gates = j.protocol.limits.climb;
    if (gates.empty() || j.written("limits.climb." + std::to_string(gates.size() + 1))) {
        return;  // none, or one was refused and the places of the others are not certain
    }
    if (j.cell.state == CellState::formed && j.state_known()) {
        j.error("limits.climb",
                "climb counts the charge from pristine, but state = \"formed\"; leave it out, or say what "
                "the cells are");
    }
    const Charge cap = j.charge(*j.limits.charge_leg_first);
    for (std::size_t i = 0; i < gates.size(); ++i) {
        const std::string path = "limits.climb." + std::to_string(i + 1);
        const Charge by = j.charge(gates[i].by);
        const std::string by_text = quoted_with_charge(gates[i].by, j.cell.capacity);
        if (by >= cap) {
            j.error(path + ".by", "this climb gate stands at " + by_text + " of charge, which charge_leg_max (" +
                                      print(cap) + ") never lets through; some 5 to 20 % of rated would be right");
        }
        if (gates[i].above.count <= 0 || gates[i].above >= j.cell.window_max) {
            j.error(path + ".above", "a climb gate at " + quoted(gates[i].above) +
                                         " lies outside the window, which ends at " + quoted(j.cell.window_max) +
                                         "; a voltage that every sound cell has passed by " + by_text +
                                         " would be right");
        }
        if (i > 0 && (by <= j.charge(gates[i - 1].by) || gates[i].above <= gates[i - 1].above)) {
            j.error(path, "climb gates go up: " + by_text + " above " + quoted(gates[i].above) + " stands after " +
                              quoted(gates[i - 1].by) + " above " + quoted(gates[i - 1].above) +
                              "; both 'by' and 'above' must grow from gate to gate");
        }
    }
}

void check_charge_caps(Judge& j) {
    const Limits& l = j.limits;
    const Charge most = charge_of(charge_cap_max, j.cell.capacity);
    const std::string inner = "limits.charge_leg_max.";
    for (const auto& [path, cap] : {std::pair{inner + "first", l.charge_leg_first},
                                    {inner + "later", l.charge_leg_later},
                                    {std::string("limits.net_max"), l.net_max}}) {
        if (cap && (j.charge(*cap) > most || j.charge(*cap).count <= 0)) {
            j.error(path, quoted_with_charge(*cap, j.cell.capacity) +
                              " guards nothing: no cell takes 160 % of its rated capacity " + quoted(j.cell.capacity) +
                              "; 105 to 130 % would be right");
        } else if (cap && j.charge(*cap) > charge_of(charge_cap_usual, j.cell.capacity)) {
            j.warning(path, quoted_with_charge(*cap, j.cell.capacity) + " hardly guards: a cell of rated capacity " +
                                quoted(j.cell.capacity) + " is overcharged long before; 105 to 130 % would be right");
        }
    }
    if (j.charge(*l.charge_leg_later) > j.charge(*l.charge_leg_first)) {
        const bool by_default = !j.written(inner + "first") || !j.written(inner + "later");
        j.error(j.written(inner + "later") ? inner + "later" : "limits.charge_leg_max",
                "charge_leg_max.later " + quoted(*l.charge_leg_later) + " is above first " +
                    quoted(*l.charge_leg_first) + (by_default ? " (one is the default)" : "") +
                    "; the first charge takes the most, for it also grows the film");
    }
}

// A change as large as the window, or a charge as large as the cell, is never seen by a guard that looks for small
// ones.
void check_changes(Judge& j) {
    const Voltage width = difference(j.cell.window_max, j.cell.window_min);
    const Limits& w = j.protocol.limits;
    for (const auto& [id, limit] : {std::pair{GuardId::voltage_fall, w.voltage_fall.trip},
                                    {GuardId::voltage_jump, w.voltage_jump.trip},
                                    {GuardId::lead_drop, w.lead_drop.trip}}) {
        if (limit && width.count > 0 && *limit >= width) {
            const GuardRow& row = guard_row(id);
            j.error(trip_path(j, id), std::string(row.key) + " " + quoted(*limit) + " is the cell's whole window (" +
                                          quoted(width) + ") and guards nothing; its default is " +
                                          std::string(row.by_default));
        }
    }
    if (w.stuck.trip && j.charge(*w.stuck.trip) >= j.cell.capacity) {
        j.error(trip_path(j, GuardId::stuck), "stuck " + quoted_with_charge(*w.stuck.trip, j.cell.capacity) +
                                                  " is all that the cell holds and guards nothing; its default is " +
                                                  std::string(guard_row(GuardId::stuck).by_default));
    }
}

// `stale_after = "2 min"` stands for all three, and is said once.
void check_stale(Judge& j) {
    const Limits& w = j.protocol.limits;
    constexpr Duration electrical_max = 60_s;
    constexpr Duration thermal_max = 10_min;
    const std::string right = " is allowed, and three times the channel's period is the default";
    for (const auto& [key, time, most] : {std::tuple{"voltage", w.stale_voltage, electrical_max},
                                          {"current", w.stale_current, electrical_max},
                                          {"temperature", w.stale_temperature, thermal_max}}) {
        const std::string inner = std::string("limits.stale_after.") + key;
        if (time && *time > most) {
            j.error_once(j.written(inner) ? inner : "limits.stale_after",
                         "a " + std::string(key) + " that is " + quoted(*time) + " old guards nothing; at most " +
                             quoted(most) + right);
        }
    }
}

void check_run_time(Judge& j) {
    const Limits& w = j.protocol.limits;
    if (!w.run_time_max) {
        return;
    }
    const Duration shortest = shortest_run(j.protocol);
    const Duration longest = bounds(j.protocol, j.cell.capacity).run_time;
    if (*w.run_time_max < shortest) {
        j.error("limits.run_time_max", "run_time_max " + quoted(*w.run_time_max) +
                                           " trips before the run can end: its steps by time alone take " +
                                           quoted(shortest) +
                                           "; leave the key out for the default, the longest the run can last + 10 %");
    } else if (*w.run_time_max < longest && longest != unbounded<Duration>) {
        j.warning("limits.run_time_max", "run_time_max " + quoted(*w.run_time_max) +
                                             " may trip a run that is within its own steps' at_most, which add up to " +
                                             quoted(longest) + "; lower those, or raise it");
    }
}

}  // namespace

void check_limits(Judge& j) {
    check_voltage_max(j);
    check_low_side(j);
    check_currents(j);
    check_temperatures(j);
    check_climb(j);
    check_charge_caps(j);
    check_changes(j);
    check_stale(j);
    check_run_time(j);
}

}  // namespace slowfilm::protocol
