// The figures and the keys of [accept]; part of grammar.cpp.
#pragma once

#include "daemon/core/figure.hpp"
#include "daemon/protocol/grammar.hpp"

#include <array>

namespace slowfilm::protocol::accept_grammar {

using enum KeyKind;

// Those that every pass of a repeat can have anew.
inline constexpr std::array<std::string_view, 5> of_passes{"coulombic_efficiency", "energy_efficiency",
                                                           "charge_capacity", "discharge_capacity", "dc_resistance"};

constexpr Key bound(std::string_view name, Dimension dimension, Sign sign = Sign::positive) {
    return {.name = name,
            .kind = quantity,
            .dimension = dimension,
            .sign = sign,
            .meaning = name == "min" ? "lowest good value" : "highest good value"};
}
inline constexpr Key of_cycle{.name = "cycle", .kind = count, .meaning = "of this cycle, from 1"};
inline constexpr Key of_step{.name = "step", .meaning = "of this step, by name or by place such as 6.2"};
inline constexpr Key of_pass{.name = "pass", .kind = count, .meaning = "of this pass of that step's repeat, from 1"};

inline constexpr Key of_siblings{
    .name = "within_mad",
    .kind = number,
    .meaning =
        "so many median absolute deviations from the median of all finished runs of this protocol, at most; 5 of "
        "them are about 3.5 in the modified z-score of Iglewicz and Hoaglin"};

inline constexpr std::array<Key, 3> of_ratio{bound("min", Dimension::ratio), bound("max", Dimension::ratio),
                                             of_siblings};
inline constexpr std::array<Key, 4> of_cycle_ratio{of_ratio[0], of_ratio[1], of_siblings, of_cycle};
inline constexpr std::array<Key, 6> of_charge{
    bound("min", Dimension::charge), bound("max", Dimension::charge), of_siblings, of_step, of_cycle, of_pass};
inline constexpr std::array<Key, 5> of_resistance{bound("min", Dimension::resistance),
                                                  bound("max", Dimension::resistance), of_siblings, of_step, of_pass};
inline constexpr std::array<Key, 7> of_decay{{
    bound("min", Dimension::voltage_slope, Sign::any),
    bound("max", Dimension::voltage_slope, Sign::any),
    of_siblings,
    of_step,
    of_pass,
    {.name = "from",
     .kind = quantity,
     .dimension = Dimension::time,
     .meaning = "from this time after that step's start, one of its keep.at"},
    {.name = "to", .kind = quantity, .dimension = Dimension::time, .meaning = "to this one, a later of them"},
}};

inline constexpr std::array<Key, 7> figure_rules{{
    {.name = "first_cycle_efficiency",
     .kind = table,
     .dimension = Dimension::ratio,
     .inside = of_ratio,
     .meaning = "charge of the first full discharge over the net charge at its start"},
    {.name = "coulombic_efficiency",
     .kind = table,
     .dimension = Dimension::ratio,
     .inside = of_cycle_ratio,
     .meaning = "charge out over charge in, of a cycle"},
    {.name = "energy_efficiency",
     .kind = table,
     .dimension = Dimension::ratio,
     .inside = of_cycle_ratio,
     .meaning = "energy out over energy in, of a cycle"},
    {.name = "charge_capacity",
     .kind = table,
     .dimension = Dimension::charge,
     .inside = of_charge,
     .meaning = "charge into the cell, of a cycle or a step"},
    {.name = "discharge_capacity",
     .kind = table,
     .dimension = Dimension::charge,
     .inside = of_charge,
     .meaning = "charge out of the cell, of a cycle or a step"},
    {.name = "dc_resistance",
     .kind = table,
     .dimension = Dimension::resistance,
     .inside = of_resistance,
     .meaning = "of a pulse: between its two levels, or one level against the rest before it (IEC 61960-3)"},
    {.name = "k_value",
     .kind = table,
     .dimension = Dimension::voltage_slope,
     .inside = of_decay,
     .meaning = "how fast the open-circuit voltage falls between two times of a rest"},
}};

inline constexpr std::array<Key, 8> of_grade{{
    {.name = "name", .required = every_kind, .meaning = "what such a cell is called: \"A\""},
    figure_rules[0],
    figure_rules[1],
    figure_rules[2],
    figure_rules[3],
    figure_rules[4],
    figure_rules[5],
    figure_rules[6],
}};

inline constexpr std::array<Key, 8> accept_keys{{
    figure_rules[0],
    figure_rules[1],
    figure_rules[2],
    figure_rules[3],
    figure_rules[4],
    figure_rules[5],
    figure_rules[6],
    {.name = "grades",
     .kind = list,
     .inside = of_grade,
     .meaning = "the first of these whose figures fit an accepted cell is its grade"},
}};

}  // namespace slowfilm::protocol::accept_grammar
