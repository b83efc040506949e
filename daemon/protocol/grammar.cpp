#include "daemon/protocol/grammar.hpp"

#include "daemon/protocol/grammar_limits.hpp"

#include <array>

namespace slowfilm::protocol {
namespace {

using enum KeyKind;
using Words = std::string_view;

using limits_grammar::always;

constexpr StepSet charges = only(StepKind::charge) | only(StepKind::discharge);
constexpr StepSet moves = charges | only(StepKind::hold);

constexpr std::array<Words, 8> step_kinds{"charge", "discharge", "hold", "rest", "ramp", "pulse", "ask", "repeat"};
constexpr std::array<Words, 4> chemistries{"NMC/graphite", "NMC/graphite-SiOx", "LFP/graphite", "other"};
constexpr std::array<Words, 4> formats{"pouch", "cylindrical", "prismatic", "coin"};
constexpr std::array<Words, 3> states{"pristine", "tapped", "formed"};
constexpr std::array<Words, 3> directions{"charge", "discharge", "either"};
constexpr std::array<Words, 3> overruns{"stop", "wait", "next"};
constexpr std::array<Words, 3> interruptions{"wait", "resume", "stop"};

constexpr std::array<Key, 2> voltage_range{{
    {.name = "min", .kind = quantity, .dimension = Dimension::voltage, .sign = Sign::any, .meaning = "lowest"},
    {.name = "max", .kind = quantity, .dimension = Dimension::voltage, .sign = Sign::any, .meaning = "highest"},
}};
constexpr std::array<Key, 2> window{{
    {.name = "min",
     .kind = quantity,
     .dimension = Dimension::voltage,
     .required = always,
     .meaning = "lower end of use"},
    {.name = "max",
     .kind = quantity,
     .dimension = Dimension::voltage,
     .required = always,
     .meaning = "upper end of use"},
}};
constexpr std::array<Key, 2> temperature_range{{
    {.name = "min", .kind = quantity, .dimension = Dimension::temperature, .sign = Sign::any, .meaning = "lowest"},
    {.name = "max", .kind = quantity, .dimension = Dimension::temperature, .sign = Sign::any, .meaning = "highest"},
}};

constexpr std::array<Key, 3> root_keys{{
    {.name = "format", .kind = count, .required = always, .meaning = "version of this language: 1"},
    {.name = "title", .meaning = "a name for people"},
    {.name = "about", .meaning = "what this is for, in the author's words"},
}};

constexpr std::array<Key, 6> cell_keys{{
    {.name = "chemistry",
     .kind = word,
     .required = always,
     .words = chemistries,
     .meaning = "for plausibility only: the window is compared with it"},
    {.name = "format", .kind = word, .words = formats, .meaning = "its shape"},
    {.name = "capacity",
     .kind = quantity,
     .dimension = Dimension::charge,
     .required = always,
     .meaning = "rated; what rates and percentages are of"},
    {.name = "window", .kind = table, .required = always, .inside = window, .meaning = "the voltages of normal use"},
    {.name = "state",
     .kind = word,
     .required = always,
     .words = states,
     .meaning = "what the cell must be when the run starts"},
    {.name = "unusual_window", .meaning = "the reason for a window that does not fit the chemistry"},
}};

constexpr std::array<Key, 2> start_keys{{
    {.name = "voltage",
     .kind = table,
     .inside = voltage_range,
     .by_default = "pristine -0.10..1.0 V; tapped 0.8..3.2 V; formed window.min - 0.1 V..window.max",
     .meaning = "what the cell must show before current flows"},
    {.name = "temperature",
     .kind = table,
     .inside = temperature_range,
     .by_default = "charge_temperature",
     .meaning = "what the cell must have before current flows"},
}};

constexpr std::array<Key, 3> changes{{
    {.name = "voltage", .kind = quantity, .dimension = Dimension::voltage, .meaning = "since the last kept sample"},
    {.name = "current",
     .kind = current_or_ratio,
     .dimension = Dimension::current,
     .meaning = "likewise; a percentage is of the 1C current"},
    {.name = "temperature", .kind = quantity, .dimension = Dimension::temperature_difference, .meaning = "likewise"},
}};
constexpr std::array<Key, 2> keep_keys{{
    {.name = "every", .kind = quantity, .dimension = Dimension::time, .meaning = "at least this often"},
    {.name = "on_change", .kind = table, .inside = changes, .meaning = "and when a reading has moved by this much"},
}};

constexpr std::array<Key, 6> interruption_keys{{
    {.name = "then",
     .kind = word,
     .words = interruptions,
     .by_default = "wait",
     .meaning = "open circuit until a person decides, go on, or end the run"},
    {.name = "longest", .kind = quantity, .dimension = Dimension::time, .meaning = "a longer gap waits for a person"},
    {.name = "total", .kind = quantity, .dimension = Dimension::time, .meaning = "so do gaps that add up to more"},
    {.name = "voltage_fall_max",
     .kind = quantity,
     .dimension = Dimension::voltage,
     .meaning = "and a voltage that fell by more over the gap"},
    {.name = "voltage_rise_max",
     .kind = quantity,
     .dimension = Dimension::voltage,
     .meaning = "and a voltage that rose by more over the gap"},
    {.name = "charge_uncertain_max",
     .kind = charge_or_ratio,
     .dimension = Dimension::charge,
     .meaning = "and more charge that nobody counted"},
}};

constexpr std::array<Key, 5> ends_keys{{
    {.name = "voltage",
     .kind = quantity,
     .dimension = Dimension::voltage,
     .allowed = charges,
     .meaning = "reached in the direction of the current"},
    {.name = "current",
     .kind = current_or_rate,
     .dimension = Dimension::current,
     .allowed = only(StepKind::hold),
     .meaning = "the taper: the current has fallen to this"},
    {.name = "time",
     .kind = quantity,
     .dimension = Dimension::time,
     .allowed = moves | only(StepKind::rest),
     .meaning = "in this step"},
    {.name = "amount",
     .kind = charge_or_ratio,
     .dimension = Dimension::charge,
     .allowed = moves,
     .meaning = "charge moved in this step"},
    {.name = "net",
     .kind = charge_or_ratio,
     .dimension = Dimension::charge,
     .allowed = moves,
     .meaning = "charge in minus out since the run began"},
}};
constexpr std::array<Key, 2> at_most_keys{{
    {.name = "time", .kind = quantity, .dimension = Dimension::time, .required = always, .meaning = "in this step"},
    {.name = "amount",
     .kind = charge_or_ratio,
     .dimension = Dimension::charge,
     .allowed = moves,
     .meaning = "charge moved in this step"},
}};

constexpr std::array<Key, 14> step_keys{{
    {.name = "name", .meaning = "for people and for [accept]"},
    {.name = "do", .kind = word, .required = always, .words = step_kinds, .meaning = "what kind of step this is"},
    {.name = "rate",
     .kind = rate,
     .dimension = Dimension::rate,
     .allowed = charges,
     .meaning = "constant current as a share of the rated capacity an hour"},
    {.name = "current",
     .kind = quantity,
     .dimension = Dimension::current,
     .allowed = charges,
     .meaning = "constant current in amperes, instead of rate"},
    {.name = "voltage",
     .kind = quantity,
     .dimension = Dimension::voltage,
     .allowed = only(StepKind::hold),
     .required = only(StepKind::hold),
     .meaning = "constant voltage"},
    {.name = "rate_max",
     .kind = rate,
     .dimension = Dimension::rate,
     .allowed = only(StepKind::hold),
     .meaning = "no more current than this rate"},
    {.name = "current_max",
     .kind = quantity,
     .dimension = Dimension::current,
     .allowed = only(StepKind::hold),
     .meaning = "no more current than this, instead of rate_max"},
    {.name = "direction",
     .kind = word,
     .allowed = only(StepKind::hold),
     .words = directions,
     .by_default = "charge",
     .meaning = "which way current may flow in a hold"},
    {.name = "ends",
     .kind = table,
     .allowed = moves | only(StepKind::rest),
     .required = moves | only(StepKind::rest),
     .inside = ends_keys,
     .meaning = "the first condition met ends the step"},
    {.name = "at_most",
     .kind = value_or_table,
     .dimension = Dimension::time,
     .required = moves | only(StepKind::ask),
     .inside = at_most_keys,
     .meaning = "a cap, not an end: reaching it is an overrun"},
    {.name = "on_overrun",
     .kind = word,
     .words = overruns,
     .by_default = "stop",
     .meaning = "end the run, wait for a person, or go on with the next step"},
    {.name = "prompt",
     .allowed = only(StepKind::ask),
     .required = only(StepKind::ask),
     .meaning = "what a person is asked to do"},
    {.name = "times",
     .kind = count,
     .allowed = only(StepKind::repeat),
     .required = only(StepKind::repeat),
     .meaning = "how often the steps inside are passed"},
    {.name = "step",
     .kind = steps,
     .allowed = only(StepKind::repeat),
     .required = only(StepKind::repeat),
     .meaning = "[[step.step]]: what is repeated"},
}};

constexpr std::array<Key, 2> of_ratio{{
    {.name = "min", .kind = quantity, .dimension = Dimension::ratio, .meaning = "lowest good value"},
    {.name = "max", .kind = quantity, .dimension = Dimension::ratio, .meaning = "highest good value"},
}};
constexpr Key accept_cycle{.name = "cycle", .kind = count, .meaning = "of this cycle, from 1"};
constexpr std::array<Key, 3> of_cycle_ratio{{of_ratio[0], of_ratio[1], accept_cycle}};
constexpr std::array<Key, 5> of_charge{{
    {.name = "min", .kind = quantity, .dimension = Dimension::charge, .meaning = of_ratio[0].meaning},
    {.name = "max", .kind = quantity, .dimension = Dimension::charge, .meaning = of_ratio[1].meaning},
    {.name = "step", .meaning = "of this step, by name or by place such as 6.2"},
    accept_cycle,
    {.name = "pass", .kind = count, .meaning = "of this pass of that step's repeat, from 1"},
}};
constexpr std::array<Key, 4> accept_keys{{
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
}};

constexpr std::array<Section, 8> sections{{
    {.name = "", .heading = "", .required = true, .keys = root_keys, .meaning = "what this file is"},
    {.name = "cell", .heading = "[cell]", .required = true, .keys = cell_keys, .meaning = "the cell it is for"},
    {.name = "start", .heading = "[start]", .keys = start_keys, .meaning = "what the connection checks demand"},
    {.name = "limits",
     .heading = "[limits]",
     .required = true,
     .keys = limits_grammar::limit_keys,
     .meaning = "the guards"},
    {.name = "keep",
     .heading = "[keep]",
     .keys = keep_keys,
     .meaning = "which samples are kept; both ends of every step always are"},
    {.name = "interruption",
     .heading = "[interruption]",
     .keys = interruption_keys,
     .meaning = "after a restart, a power cut, a lost instrument"},
    {.name = "step", .heading = "[[step]]", .required = true, .keys = step_keys, .meaning = "what is done, in order"},
    {.name = "accept", .heading = "[accept]", .keys = accept_keys, .meaning = "what makes a good cell"},
}};

}  // namespace

std::span<const Section> grammar() {
    return sections;
}

std::span<const std::string_view> step_words() {
    return step_kinds;
}

}  // namespace slowfilm::protocol
