#include "daemon/core/text.hpp"
#include "daemon/protocol/bounds.hpp"
#include "daemon/protocol/bounds_arithmetic.hpp"

#include <string_view>

namespace slowfilm::protocol {
namespace {

std::string span(Duration time) {
    return time == unbounded<Duration> ? "without bound" : print_span(time);
}

// Reckoned from rates and times, so to a microampere-hour and upward: a bound is never printed smaller than it is.
std::string rounded_up(Charge charge) {
    constexpr Wide step = 3'600'000'000;
    if (charge == unbounded<Charge>) {
        return "without bound";
    }
    return print(Charge{saturated((charge.count + step - 1) / step * step)});
}

}  // namespace

std::string bounds_text(const Bounds& b) {
    std::string text = "This protocol can never exceed, whatever the cell does:\n";
    text += "  run time             " + span(b.run_time) + ", in " + std::to_string(b.visits) +
            (b.visits == 1 ? " step" : " steps") +
            "; gaps, the seconds between steps and waiting for people not counted\n";
    if (b.ask_time.count > 0) {
        text += "  waiting at `ask`     " + span(b.ask_time) + ", beside the run time\n";
    }
    const std::string test = "  connection checks    " + print(b.test_current) +
                             " for a second or so, before the first step and after a person had the cell\n";
    if (!b.voltage_highest && !b.voltage_lowest) {
        return text + "  current              no step asks for any\n" + test;
    }
    if (b.voltage_highest) {
        text += "  charge in one leg    " + rounded_up(b.charge_leg) + "\n";
        text += "  charge current       " + print(b.charge_current) + "\n";
        text += "  highest voltage      " + print(*b.voltage_highest) + ", the stage's own ceiling at most " +
                print(*b.ceiling_highest) + "\n";
    }
    if (b.voltage_lowest) {
        text += "  discharge in one leg " + rounded_up(b.discharge_leg) + "\n";
        text += "  discharge current    " + print(b.discharge_current) + "\n";
        text += "  lowest voltage       " + print(*b.voltage_lowest) + ", the stage's own floor at least " +
                print(*b.floor_lowest) + "\n";
    } else {
        text += "  discharge            no step asks for any\n";
    }
    return text + test;
}

boost::json::object bounds_json(const Bounds& b) {
    boost::json::object object;
    boost::json::object reasons;
    const auto put = [&](std::string_view key, bool defined, double value, std::string_view reason) {
        if (defined) {
            object[key] = value;
        } else {
            object[key] = nullptr;
            reasons[key] = reason;
        }
    };
    constexpr std::string_view open = "the protocol leaves it open, or it is beyond what can be counted";
    constexpr std::string_view no_charge = "no step charges";
    constexpr std::string_view no_discharge = "no step discharges";
    const auto voltage = [&](std::string_view key, const std::optional<Voltage>& value, std::string_view reason) {
        put(key, value.has_value(), volts(value.value_or(Voltage{})), reason);
    };
    put("run_duration_second", b.run_time != unbounded<Duration>, seconds(b.run_time), open);
    put("ask_duration_second", b.ask_time != unbounded<Duration>, seconds(b.ask_time), open);
    put("charge_leg_ah", b.charge_leg != unbounded<Charge>, ampere_hours(b.charge_leg), open);
    put("discharge_leg_ah", b.discharge_leg != unbounded<Charge>, ampere_hours(b.discharge_leg), open);
    put("charge_current_ampere", true, amperes(b.charge_current), {});
    put("discharge_current_ampere", true, amperes(b.discharge_current), {});
    put("connection_check_current_ampere", true, amperes(b.test_current), {});
    voltage("highest_voltage_volt", b.voltage_highest, no_charge);
    voltage("highest_ceiling_voltage_volt", b.ceiling_highest, no_charge);
    voltage("lowest_voltage_volt", b.voltage_lowest, no_discharge);
    voltage("lowest_floor_voltage_volt", b.floor_lowest, no_discharge);
    object["visits"] = b.visits;
    if (!reasons.empty()) {
        object["reasons"] = std::move(reasons);
    }
    return object;
}

}  // namespace slowfilm::protocol
