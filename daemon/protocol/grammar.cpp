#include "daemon/protocol/grammar.hpp"

#include "daemon/protocol/grammar_accept.hpp"
#include "daemon/protocol/grammar_limits.hpp"
#include "daemon/protocol/grammar_steps.hpp"

#include <array>

namespace slowfilm::protocol {
namespace {

using enum KeyKind;
using Words = std::string_view;

using limits_grammar::always;

constexpr std::array<Words, 4> chemistries{"NMC/graphite", "NMC/graphite-SiOx", "LFP/graphite", "other"};
constexpr std::array<Words, 4> formats{"pouch", "cylindrical", "prismatic", "coin"};
constexpr std::array<Words, 3> states{"pristine", "tapped", "formed"};
constexpr std::array<Words, 3> interruptions{"wait", "resume", "stop"};
constexpr std::array<Words, 3> ships{"air", "sea", "road"};

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

constexpr std::array<Key, 2> resistance_range{{
    {.name = "min", .kind = quantity, .dimension = Dimension::resistance, .meaning = "lowest"},
    {.name = "max", .kind = quantity, .dimension = Dimension::resistance, .meaning = "highest"},
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

constexpr std::array<Key, 4> start_keys{{
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
    {.name = "resistance",
     .kind = table,
     .inside = resistance_range,
     .meaning = "what the connection checks must find; never judged on a pristine cell"},
    {.name = "soaked",
     .kind = quantity,
     .dimension = Dimension::time,
     .meaning = "since the cell was filled, as the ledger remembers it"},
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

constexpr std::array<Key, 1> after_keys{{
    {.name = "ship",
     .kind = word,
     .words = ships,
     .meaning = "how the cell leaves; `check` warns of what that way does not allow"},
}};

constexpr std::array<Section, 9> sections{{
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
     .keys = steps_grammar::keep_keys,
     .meaning = "which samples are kept; both ends of every step always are"},
    {.name = "interruption",
     .heading = "[interruption]",
     .keys = interruption_keys,
     .meaning = "after a restart, a power cut, a lost instrument"},
    {.name = "step",
     .heading = "[[step]]",
     .required = true,
     .keys = steps_grammar::step_keys,
     .meaning = "what is done, in order"},
    {.name = "accept", .heading = "[accept]", .keys = accept_grammar::accept_keys, .meaning = "what makes a good cell"},
    {.name = "after", .heading = "[after]", .keys = after_keys, .meaning = "what the cell must be fit for afterwards"},
}};

}  // namespace

std::span<const Section> grammar() {
    return sections;
}

std::span<const std::string_view> step_words() {
    return steps_grammar::step_kinds;
}

}  // namespace slowfilm::protocol
