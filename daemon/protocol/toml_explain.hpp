// What a TOML syntax error means to the person who wrote the file.
#pragma once

#include "daemon/core/diagnostic.hpp"

#include <string_view>

namespace slowfilm::protocol::detail {

// `place` and `parser_says` as toml++ reports them; the answer's place may be better than the parser's.
[[nodiscard]] Diagnostic explain_syntax_error(std::string_view text, Place place, std::string_view parser_says);

}  // namespace slowfilm::protocol::detail
