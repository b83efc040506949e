// The tables of an instrument profile, read one by one.
#pragma once

#include "daemon/channel/profile.hpp"
#include "daemon/protocol/toml_reader.hpp"

#include <cstddef>
#include <optional>
#include <span>
#include <string>
#include <string_view>

namespace slowfilm::channel::detail {

// What any profile begins with. Gives its kind, as an index into `kinds`; nothing where that is none of them.
[[nodiscard]] std::optional<std::size_t> read_head(protocol::Table& root, std::span<const std::string_view> kinds,
                                                   std::string& title);

enum class OutputRole : std::uint8_t { two_quadrant, supply, load };

// [port], [timing], [identify], ... of one instrument, which stand in `holder`.
[[nodiscard]] InstrumentProfile read_instrument(protocol::Table& holder);
[[nodiscard]] OutputProfile read_output(protocol::Table& table, OutputRole role);

}  // namespace slowfilm::channel::detail
