// The language's grammar, stated once: sections, keys, what each takes and where it is allowed. The parser reads by it
// and the language reference is generated from it, so that they cannot drift.
#pragma once

#include "daemon/core/quantity.hpp"
#include "daemon/protocol/guard_table.hpp"
#include "daemon/protocol/protocol.hpp"

#include <cstdint>
#include <span>
#include <string>
#include <string_view>

namespace slowfilm::protocol {

enum class KeyKind : std::uint8_t {
    text,
    truth,            // true or false
    count,            // a bare integer >= 1
    number,           // a bare number, for what has no unit of the language
    word,             // one of `words`
    quantity,         // of `dimension`
    rate,             // "C/20", and no current
    current_or_rate,  // with Sign::any, signed: positive charges
    charge_or_ratio,
    current_or_ratio,
    figure_value,    // in the unit of the figure that stands beside it
    times,           // a list of times
    table,           // of `inside`
    value_or_table,  // a plain value of `dimension`, or a table of `inside`
    limit,           // a guard: a value of `dimension`, {warn, trip, for}, or "off" where the guard is soft
    current_limit,   // the same, where a rate may stand
    charge_limit,    // the same, where a percentage may stand
    list,            // of tables of `inside`
    steps,           // [[step]] or [[step.step]]
};

// Step kinds as bits.
using StepSet = std::uint8_t;
constexpr StepSet only(StepKind kind) {
    return static_cast<StepSet>(1U << static_cast<unsigned>(kind));
}
inline constexpr StepSet every_kind = 0xFF;

// What a value must be besides being of its dimension.
enum class Sign : std::uint8_t { positive, any };
// What may be said beside the plain value: "70 % of measured"; "now" instead of a value.
enum class Also : std::uint8_t { nothing, of_measured, now };

struct Key {
    std::string_view name;
    KeyKind kind{KeyKind::text};
    Dimension dimension{Dimension::ratio};
    Sign sign{Sign::positive};
    Also also{Also::nothing};
    StepSet allowed{every_kind};  // in steps and in what a step holds: the kinds that may have it
    StepSet required{0};          // outside steps: every_kind or 0
    StepSet plain{every_kind};    // of value_or_table: the kinds that take the plain value, not the table
    std::string_view one_of{};    // of the allowed keys with this word exactly one must be written ...
    StepSet one_in{every_kind};   // ... in these kinds
    std::span<const std::string_view> words{};
    std::span<const Key> inside{};
    std::string_view by_default{};  // of a guard in [limits]: in the guard table, under the same key
    std::string_view meaning{};     // likewise
};

struct Section {
    std::string_view name;     // "limits"; "" for the top of the file
    std::string_view heading;  // as written: "[limits]", "[[step]]"
    bool required{false};
    std::span<const Key> keys;
    std::string_view meaning;
};

[[nodiscard]] std::span<const Section> grammar();
[[nodiscard]] const Section& grammar_section(std::string_view name);
// The key, which must exist: a name that is not in the grammar is our own fault.
[[nodiscard]] const Key& grammar_key(std::span<const Key> keys, std::string_view name);

// The words of `do`, in the order of StepKind.
[[nodiscard]] std::span<const std::string_view> step_words();
[[nodiscard]] std::string_view step_word(StepKind kind);
// "charge, discharge or hold".
[[nodiscard]] std::string step_list(StepSet kinds);

}  // namespace slowfilm::protocol
