// A look over TOML text before the parser sees it. toml++ 3.3 descends once for every part of a dotted key and dies of
// it on a long one, so depth is bounded here, outside strings and comments. It also remembers where keys and values
// stand, which the sentences about syntax errors need.
#pragma once

#include "daemon/core/diagnostic.hpp"

#include <cstddef>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace slowfilm::protocol::detail {

// One `key = value` or `[heading]`, in the order of the file.
struct Statement {
    Place place;           // of the key's first part, or of the bracket
    std::string key;       // its parts joined by '.', without quotes
    std::size_t scope{0};  // statements with the same scope share a table; 0: the root and all headings
    bool heading{false};
    bool list{false};  // [[heading]]
    bool has_equals{false};
    std::size_t key_begin{0};    // byte offset of the key
    std::size_t value_begin{0};  // byte offset of the value's first byte; 0: none
    Place value_place;
};

struct Scan {
    std::optional<Diagnostic> refused;  // the first place over a bound, or not UTF-8, or a control character
    std::vector<Statement> statements;  // only if asked for; ends where the text stops being TOML
};

// The first byte that is not UTF-8 text (RFC 3629), or a control character other than tab and line ends.
[[nodiscard]] std::optional<Diagnostic> find_bad_bytes(std::string_view text);

// `remember`: keep the statements. Never descends: the stack is a vector, bounded by toml_depth_max.
[[nodiscard]] Scan scan(std::string_view text, bool remember);

}  // namespace slowfilm::protocol::detail
