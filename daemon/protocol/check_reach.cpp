// [limits]: values so wide that a guard sees nothing of what it is for, and so narrow that a sound cell or a sound
// instrument trips it. Refused where a hard guard would be on in name only; warned of where a value is unusual.
#include "daemon/protocol/check_judge.hpp"
#include "daemon/protocol/guard_table.hpp"

#include <optional>
#include <string>
#include <string_view>

namespace slowfilm::protocol {
namespace {

using namespace literals;

// What a guard's value is right between (common practice where no source is given); what is not given is not judged.
template <class Q>
struct Reach {
    std::optional<Q> nothing, unusual, narrow;  // refused above it; warned of above it, below it
    std::string_view missed;                    // what it no longer sees when it is too wide
    std::string_view sound{};                   // what trips it when it is too narrow
};

std::string path_of_trip(const Judge& j, const GuardRow& row) {
    std::string path = "limits." + std::string(row.key);
    const std::string inner = path + ".trip";
    return j.written(inner) ? inner : path;
}

std::string right_default(const GuardRow& row) {
    if (row.by_default == "must be written") {
        return "";
    }
    return "; its default is " + std::string(row.by_default);
}

// `text`: the value as the file has it, `value` as what it comes to.
template <class Q>
void judge_reach(Judge& j, GuardId id, const Q& value, const std::string& text, const Reach<Q>& reach) {
    const GuardRow& row = guard_row(id);
    const std::string what = std::string(row.key) + " " + text;
    if (reach.nothing && value > *reach.nothing) {
        j.error_once(path_of_trip(j, row), what + " guards nothing: " + std::string(reach.missed) + "; at most " +
                                               quoted(*reach.nothing) + " is allowed" + right_default(row));
    } else if (reach.unusual && value > *reach.unusual) {
        const std::string_view off = row.hardness == Hardness::soft ? ", or \"off\" where it is not wanted" : "";
        j.warning(path_of_trip(j, row), what + " is so wide that it hardly guards: " + std::string(reach.missed) +
                                            "; at most " + quoted(*reach.unusual) + " would be right" +
                                            std::string(off) + right_default(row));
    } else if (reach.narrow && value < *reach.narrow) {
        j.warning(path_of_trip(j, row),
                  what + " is so narrow that it trips what is sound: " + std::string(reach.sound) + "; at least " +
                      quoted(*reach.narrow) + " would be right" + right_default(row));
    }
}

template <class V>
void judge_limit(Judge& j, GuardId id, const Limit<V>& limit, const Reach<V>& reach) {
    if (limit.trip) {
        judge_reach(j, id, *limit.trip, quoted(*limit.trip), reach);
    }
}

void judge_voltages(Judge& j, const Limits& w) {
    const Voltage width{j.cell.window_max.count - j.cell.window_min.count};
    // From the whole window on it is refused already.
    const auto within = [&](const Limit<Voltage>& limit) { return !limit.trip || *limit.trip < width; };
    if (within(w.voltage_fall)) {
        judge_limit(j, GuardId::voltage_fall, w.voltage_fall,
                    {500_mV, 200_mV, 5_mV, "an internal short that lets the voltage fall by less is never seen",
                     "a thermostat's cycle and the meter's noise move a charging cell by some millivolts"});
    }
    if (within(w.voltage_jump)) {
        judge_limit(j, GuardId::voltage_jump, w.voltage_jump,
                    {{},
                     200_mV,
                     5_mV,
                     "a contact that lets go steps by less",
                     "readings differ by some millivolts from one to the next"});
    }
    if (within(w.lead_drop)) {
        judge_limit(j, GuardId::lead_drop, w.lead_drop,
                    {{},
                     1000_mV,
                     20_mV,
                     "a bad contact heats long before it",
                     "leads and clamps drop tens of millivolts at forming currents"});
    }
    judge_limit(j, GuardId::hold_error, w.hold_error,
                {{},
                 50_mV,
                 1_mV,
                 "a hold so far off its voltage overcharges, or does not hold",
                 "no stage holds a voltage closer than its accuracy"});
}

void judge_currents(Judge& j, const Limits& w) {
    if (w.current_error.trip && w.current_max.trip) {
        const CurrentOrRate& value = *w.current_error.trip;
        judge_reach(j, GuardId::current_error, j.current(value), quoted_with_amperes(value, j.cell.capacity),
                    {{}, j.current(*w.current_max.trip) / 5, {}, "a relay or a fuse that fails changes less", ""});
    }
    if (w.leakage_max.trip) {
        const CurrentOrRate& value = *w.leakage_max.trip;
        judge_reach(j, GuardId::leakage, j.current(value), quoted_with_amperes(value, j.cell.capacity),
                    {{}, {}, 20_uA, "", "a forming stage's ammeter does not read its zero closer than that"});
    }
}

// SEI begins to decompose, with heat of its own, from some 80 degC on (R. Spotnitz and J. Franklin, Journal of Power
// Sources 113 (2003) 81-100, from memory). IEC 62133-2:2017 charges its cells from 10 to 45 degC (from memory).
void judge_heat(Judge& j, const Limits& w) {
    judge_limit(j, GuardId::over_temperature, w.temperature_max,
                {70_degC, 60_degC, {}, "a cell so hot gases, and at some 80 degC it heats itself", ""});
    // In mK/h; a limit that is written as K/min is printed so.
    constexpr TemperatureSlope each_minute{60'000};
    judge_limit(j, GuardId::temperature_rise, w.temperature_rise,
                {each_minute * 10, each_minute * 5, TemperatureSlope{each_minute.count / 5},
                 "a cell that warms so fast is lost before anybody is there",
                 "a room in the morning and a fast charge warm a sound cell by as much"});
    const Duration least = guard_row(GuardId::temperature_rise).persistence;
    if (w.temperature_rise.persistence && *w.temperature_rise.persistence < least) {
        j.warning(
            "limits.temperature_rise.for",
            "temperature_rise.for " + quoted(*w.temperature_rise.persistence) +
                " trips no sooner: the cell must warm through a minute and the minute before it, or every step of "
                "the thermometer would be self-heating; leave it out, for " +
                quoted(least));
    }
    judge_limit(
        j, GuardId::above_ambient, w.above_ambient,
        {{}, 30'000_mK, 2'000_mK, "self-heating shows long before it", "a sound cell is warmer while it charges"});
    const std::optional<Temperature> cold = w.charge_temperature.min;
    const std::string path = "limits.charge_temperature.min";
    if (cold && *cold < 0_degC) {
        j.error_once(
            path, "charge_temperature.min " + quoted(*cold) +
                      " lets a cell be charged below freezing, where lithium plates on graphite at any forming "
                      "rate and nothing else sees it; at least \"0 degC\" is allowed, and \"10 degC\" would be right");
    } else if (cold && *cold < 10_degC) {
        j.warning(path, "charge_temperature.min " + quoted(*cold) +
                            " lets a cold cell be charged, where lithium plates on graphite and nothing else sees it; "
                            "\"10 degC\" or above would be right, as IEC 62133-2 has it");
    }
}

void judge_charges(Judge& j, const Limits& w) {
    if (w.stuck.trip && j.charge(*w.stuck.trip) < j.cell.capacity) {
        const ChargeOrRatio& value = *w.stuck.trip;
        judge_reach(j, GuardId::stuck, j.charge(value), quoted_with_charge(value, j.cell.capacity),
                    {{},
                     charge_of(20_percent, j.cell.capacity),
                     charge_of(Ratio{5'000}, j.cell.capacity),
                     "a frozen converter overcharges meanwhile",
                     "on a flat part of its curve a sound cell keeps the same digits for longer"});
    }
    // A pristine cell sits below half a volt and rises to 2 V within a minute, whatever is wrong with it later.
    for (std::size_t i = 0; i < w.climb.size(); ++i) {
        const std::string path = "limits.climb." + std::to_string(i + 1) + ".above";
        const Voltage above = w.climb[i].above;
        if (above.count > 0 && above < 1000_mV) {
            j.error(path, "a climb gate at " + quoted(above) +
                              " guards nothing: a pristine cell is there before any charge, or within its first "
                              "minute, and a reversed or shorted one may come as far; a voltage that every sound cell "
                              "has passed by then would be right, such as \"2 V\" in the tap and \"3 V\" by 8 %");
        } else if (above.count > 0 && above < 1500_mV) {
            j.warning(path,
                      "a climb gate at " + quoted(above) +
                          " hardly guards: a cell with a soft short passes it too; \"2 V\" or above would be right");
        }
    }
}

// An alarm that comes so late is none. Hard guards have caps of their own, which the grammar keeps.
template <class V>
void judge_patience(Judge& j, GuardId id, const Limit<V>& limit) {
    constexpr Duration longest = 10_min;
    const GuardRow& row = guard_row(id);
    if (limit.trip && limit.persistence && row.hardness == Hardness::soft && *limit.persistence > longest) {
        j.warning("limits." + std::string(row.key) + ".for",
                  std::string(row.key) + " that must last " + quoted(*limit.persistence) +
                      " hardly guards: what it is for has happened by then; at most " + quoted(longest) +
                      " would be right, and " + print(row.persistence) + " is its default");
    }
}

void judge_patiences(Judge& j, const Limits& w) {
    judge_patience(j, GuardId::current_error, w.current_error);
    judge_patience(j, GuardId::hold_error, w.hold_error);
    judge_patience(j, GuardId::voltage_jump, w.voltage_jump);
    judge_patience(j, GuardId::lead_drop, w.lead_drop);
    judge_patience(j, GuardId::under_temperature, w.temperature_min);
    judge_patience(j, GuardId::above_ambient, w.above_ambient);
}

// What is younger than the instrument's own period is never there.
void judge_ages(Judge& j, const Limits& w) {
    constexpr Duration least = 100_ms;
    for (const auto& [key, time] :
         {std::pair{"voltage", w.stale_voltage}, {"current", w.stale_current}, {"temperature", w.stale_temperature}}) {
        const std::string inner = std::string("limits.stale_after.") + key;
        if (!time || *time >= least) {
            continue;
        }
        const bool by_itself = j.written(inner);
        j.error_once(by_itself ? inner : "limits.stale_after",
                     "stale_after " + quoted(*time) +
                         " trips at once: no instrument on a bench reads so often; at least " + quoted(least) +
                         " is allowed, and three times the channel's period is the default");
    }
}

}  // namespace

void check_reach(Judge& j) {
    const Limits& written = j.protocol.limits;
    judge_voltages(j, written);
    judge_currents(j, written);
    judge_heat(j, written);
    judge_charges(j, written);
    judge_patiences(j, written);
    judge_ages(j, written);
}

}  // namespace slowfilm::protocol
