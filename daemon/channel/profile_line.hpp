// Lines of a profile: what may stand in them, and how they are filled.
#pragma once

#include "daemon/channel/profile.hpp"
#include "daemon/protocol/toml_reader.hpp"

#include <cstdint>
#include <string>
#include <string_view>

namespace slowfilm::channel::detail {

enum class LineUse : std::uint8_t { command, question, setting };

// Complains where the line could not do what it is for: a question without a question mark, a setting without {value},
// a placeholder nobody knows, control characters.
[[nodiscard]] LineText read_line(protocol::Table& table, std::string_view key, LineUse use, protocol::Need need);

// {channel} and {value} replaced.
[[nodiscard]] std::string filled(const LineText& line, std::string_view channel, std::string_view value = {});

}  // namespace slowfilm::channel::detail
