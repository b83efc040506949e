// The words that stand in the ledger for our enums, and the JSON text for what is kept whole. Words outlive any
// renumbering of an enum; they are never changed once a ledger has them.
#pragma once

#include "daemon/core/cell.hpp"
#include "daemon/core/event.hpp"
#include "daemon/core/result.hpp"
#include "daemon/core/traits.hpp"

#include <optional>
#include <string>
#include <string_view>

namespace slowfilm::ledger {

[[nodiscard]] std::string_view word_of(RunState value);
[[nodiscard]] std::string_view word_of(WaitReason value);
[[nodiscard]] std::string_view word_of(EventKind value);
[[nodiscard]] std::string_view word_of(CellState value);
[[nodiscard]] std::string_view word_of(OffState value);
[[nodiscard]] std::string_view word_of(TemperatureOf value);

// The enumerator of a word. Enumerators count from 0 without holes; the first number without a word ends them.
template <class E>
[[nodiscard]] std::optional<E> from_word(std::string_view word) {
    for (std::uint8_t number = 0; !word_of(static_cast<E>(number)).empty(); ++number) {
        if (word_of(static_cast<E>(number)) == word)
            return static_cast<E>(number);
    }
    return std::nullopt;
}

// One JSON object each, keys with their unit, whole numbers only.
[[nodiscard]] std::string to_text(const ChannelTraits& traits);
[[nodiscard]] std::string to_text(const BenchCaps& caps);
[[nodiscard]] std::string to_text(const CellHistory& history);
[[nodiscard]] Result<void> from_text(std::string_view text, ChannelTraits& traits);
[[nodiscard]] Result<void> from_text(std::string_view text, BenchCaps& caps);
[[nodiscard]] Result<void> from_text(std::string_view text, CellHistory& history);

}  // namespace slowfilm::ledger
