// The tables of an instrument profile, read one by one.
#pragma once

#include "daemon/channel/profile.hpp"
#include "daemon/protocol/toml_reader.hpp"

namespace slowfilm::channel::detail {

enum class OutputRole : std::uint8_t { two_quadrant, supply, load };

// [port], [timing], [identify], ... of one instrument, which stand in `holder`.
[[nodiscard]] InstrumentProfile read_instrument(protocol::Table& holder);
[[nodiscard]] OutputProfile read_output(protocol::Table& table, OutputRole role);

}  // namespace slowfilm::channel::detail
