// The keys of [limits]; part of grammar.cpp. Their meanings and defaults stand in the guard table.
#pragma once

#include "daemon/protocol/grammar.hpp"

#include <array>

namespace slowfilm::protocol::limits_grammar {

using enum KeyKind;

// In a section a key is either required or not.
inline constexpr StepSet always = every_kind;

inline constexpr std::array<Key, 3> voltage_limit{{
    {.name = "warn", .kind = quantity, .dimension = Dimension::voltage, .meaning = "an event is noted, nothing stops"},
    {.name = "trip", .kind = quantity, .dimension = Dimension::voltage, .meaning = "no current any more"},
    {.name = "for", .kind = quantity, .dimension = Dimension::time, .meaning = "how long it must last"},
}};
inline constexpr std::array<Key, 4> armed_limit{{
    {.name = "warn",
     .kind = quantity,
     .dimension = Dimension::voltage,
     .sign = Sign::any,
     .meaning = voltage_limit[0].meaning},
    {.name = "trip",
     .kind = quantity,
     .dimension = Dimension::voltage,
     .sign = Sign::any,
     .meaning = voltage_limit[1].meaning},
    voltage_limit[2],
    {.name = "armed_above",
     .kind = quantity,
     .dimension = Dimension::voltage,
     .by_default = "window.min + 0.3 V",
     .meaning = "judged once the cell has been above it; remembered per cell"},
}};
inline constexpr std::array<Key, 3> current_limit_keys{{
    {.name = "warn", .kind = current_or_rate, .dimension = Dimension::current, .meaning = voltage_limit[0].meaning},
    {.name = "trip", .kind = current_or_rate, .dimension = Dimension::current, .meaning = voltage_limit[1].meaning},
    voltage_limit[2],
}};
inline constexpr std::array<Key, 3> temperature_limit{{
    {.name = "warn",
     .kind = quantity,
     .dimension = Dimension::temperature,
     .sign = Sign::any,
     .meaning = voltage_limit[0].meaning},
    {.name = "trip",
     .kind = quantity,
     .dimension = Dimension::temperature,
     .sign = Sign::any,
     .meaning = voltage_limit[1].meaning},
    voltage_limit[2],
}};
inline constexpr std::array<Key, 3> slope_limit{{
    {.name = "warn", .kind = quantity, .dimension = Dimension::temperature_slope, .meaning = voltage_limit[0].meaning},
    {.name = "trip", .kind = quantity, .dimension = Dimension::temperature_slope, .meaning = voltage_limit[1].meaning},
    voltage_limit[2],
}};
inline constexpr std::array<Key, 3> difference_limit{{
    {.name = "warn",
     .kind = quantity,
     .dimension = Dimension::temperature_difference,
     .meaning = voltage_limit[0].meaning},
    {.name = "trip",
     .kind = quantity,
     .dimension = Dimension::temperature_difference,
     .meaning = voltage_limit[1].meaning},
    voltage_limit[2],
}};
inline constexpr std::array<Key, 3> charge_limit_keys{{
    {.name = "warn", .kind = charge_or_ratio, .dimension = Dimension::charge, .meaning = voltage_limit[0].meaning},
    {.name = "trip", .kind = charge_or_ratio, .dimension = Dimension::charge, .meaning = voltage_limit[1].meaning},
    voltage_limit[2],
}};
inline constexpr std::array<Key, 3> charge_temperatures{{
    {.name = "min",
     .kind = quantity,
     .dimension = Dimension::temperature,
     .sign = Sign::any,
     .required = always,
     .meaning = "no charging below it"},
    {.name = "max",
     .kind = quantity,
     .dimension = Dimension::temperature,
     .sign = Sign::any,
     .required = always,
     .meaning = "no charging above it"},
    voltage_limit[2],
}};
inline constexpr std::array<Key, 3> discharge_temperatures{{
    {.name = "min",
     .kind = quantity,
     .dimension = Dimension::temperature,
     .sign = Sign::any,
     .by_default = "-10 degC",
     .meaning = "no discharging below it"},
    {.name = "max",
     .kind = quantity,
     .dimension = Dimension::temperature,
     .sign = Sign::any,
     .by_default = "temperature_max",
     .meaning = "no discharging above it"},
    voltage_limit[2],
}};
inline constexpr std::array<Key, 2> climb_gate{{
    {.name = "by",
     .kind = charge_or_ratio,
     .dimension = Dimension::charge,
     .required = always,
     .meaning = "by this much charge from pristine ..."},
    {.name = "above",
     .kind = quantity,
     .dimension = Dimension::voltage,
     .required = always,
     .meaning = "... the voltage has passed this"},
}};
inline constexpr std::array<Key, 2> leg_caps{{
    {.name = "first",
     .kind = charge_or_ratio,
     .dimension = Dimension::charge,
     .by_default = "125 %",
     .meaning = "until the first discharge of more than 10 % of rated"},
    {.name = "later",
     .kind = charge_or_ratio,
     .dimension = Dimension::charge,
     .by_default = "110 %",
     .meaning = "between two such discharges"},
}};
inline constexpr std::array<Key, 3> stale_times{{
    {.name = "voltage", .kind = quantity, .dimension = Dimension::time, .meaning = "age of a voltage"},
    {.name = "current", .kind = quantity, .dimension = Dimension::time, .meaning = "age of a current"},
    {.name = "temperature", .kind = quantity, .dimension = Dimension::time, .meaning = "age of a temperature"},
}};

inline constexpr std::array<Key, 22> limit_keys{{
    {.name = "voltage_max",
     .kind = limit,
     .dimension = Dimension::voltage,
     .required = always,
     .inside = voltage_limit},
    {.name = "low_voltage", .kind = limit, .dimension = Dimension::voltage, .sign = Sign::any, .inside = armed_limit},
    {.name = "voltage_fall", .kind = limit, .dimension = Dimension::voltage, .inside = voltage_limit},
    {.name = "discharge_floor", .kind = limit, .dimension = Dimension::voltage, .inside = voltage_limit},
    {.name = "current_max",
     .kind = current_limit,
     .dimension = Dimension::current,
     .required = always,
     .inside = current_limit_keys},
    {.name = "current_error", .kind = current_limit, .dimension = Dimension::current, .inside = current_limit_keys},
    {.name = "leakage_max", .kind = current_limit, .dimension = Dimension::current, .inside = current_limit_keys},
    {.name = "hold_error", .kind = limit, .dimension = Dimension::voltage, .inside = voltage_limit},
    {.name = "voltage_jump", .kind = limit, .dimension = Dimension::voltage, .inside = voltage_limit},
    {.name = "lead_drop", .kind = limit, .dimension = Dimension::voltage, .inside = voltage_limit},
    {.name = "stuck", .kind = charge_limit, .dimension = Dimension::charge, .inside = charge_limit_keys},
    {.name = "temperature_max",
     .kind = limit,
     .dimension = Dimension::temperature,
     .sign = Sign::any,
     .required = always,
     .inside = temperature_limit},
    {.name = "temperature_min",
     .kind = limit,
     .dimension = Dimension::temperature,
     .sign = Sign::any,
     .inside = temperature_limit},
    {.name = "charge_temperature", .kind = table, .required = always, .inside = charge_temperatures},
    {.name = "discharge_temperature", .kind = table, .inside = discharge_temperatures},
    {.name = "temperature_rise", .kind = limit, .dimension = Dimension::temperature_slope, .inside = slope_limit},
    {.name = "above_ambient",
     .kind = limit,
     .dimension = Dimension::temperature_difference,
     .inside = difference_limit},
    {.name = "climb", .kind = list, .inside = climb_gate},
    {.name = "charge_leg_max", .kind = table, .inside = leg_caps},
    {.name = "net_max", .kind = charge_or_ratio, .dimension = Dimension::charge},
    {.name = "stale_after", .kind = value_or_table, .dimension = Dimension::time, .inside = stale_times},
    {.name = "run_time_max", .kind = quantity, .dimension = Dimension::time},
}};

// A step's own limits: those that mean something for one step alone. None must be written there, and what is not keeps
// the value of [limits].
inline constexpr std::array<Key, 3> step_temperatures{{
    {.name = "min",
     .kind = quantity,
     .dimension = Dimension::temperature,
     .sign = Sign::any,
     .meaning = "not below it in this step"},
    {.name = "max",
     .kind = quantity,
     .dimension = Dimension::temperature,
     .sign = Sign::any,
     .meaning = "not above it in this step"},
    voltage_limit[2],
}};

constexpr Key in_step(std::string_view name) {
    for (Key key : limit_keys) {
        if (key.name == name) {
            key.required = 0;
            key.inside = key.kind == table ? std::span<const Key>{step_temperatures} : key.inside;
            return key;
        }
    }
    throw "no such limit";  // at compile time
}

inline constexpr std::array<Key, 15> step_limit_keys{
    in_step("voltage_max"),           in_step("discharge_floor"),  in_step("voltage_fall"),
    in_step("current_max"),           in_step("current_error"),    in_step("hold_error"),
    in_step("voltage_jump"),          in_step("lead_drop"),        in_step("stuck"),
    in_step("temperature_max"),       in_step("temperature_min"),  in_step("charge_temperature"),
    in_step("discharge_temperature"), in_step("temperature_rise"), in_step("above_ambient"),
};

}  // namespace slowfilm::protocol::limits_grammar
