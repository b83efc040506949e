// Text helpers that never look at the locale.
#pragma once

#include "daemon/core/quantity.hpp"

#include <cstdint>
#include <span>
#include <string>
#include <string_view>

namespace slowfilm {

// One printable line: control characters, DEL and broken UTF-8 as \xNN, cut to `most` bytes with "...".
[[nodiscard]] std::string escaped(std::string_view text, std::size_t most = 256);
// Valid UTF-8: each broken byte becomes U+FFFD.
[[nodiscard]] std::string valid_utf8(std::string_view text);

// No code point but visible ones and single spaces between them, so that two texts that differ also look different: no
// other space, nothing invisible, no control character, no broken UTF-8.
[[nodiscard]] bool is_plain(std::string_view text);

// Shortest text that reads back to the same double, always with '.', never "nan": non-finite gives "null".
[[nodiscard]] std::string print_number(double value);
[[nodiscard]] std::string print_fixed(double value, int decimals);  // "4.200"; non-finite gives "-"

// RFC 3339, UTC, milliseconds: 2026-03-01T12:34:56.789Z.
[[nodiscard]] std::string print_utc(std::int64_t unix_microseconds);
// "1 d 02:03:04" style is nobody's standard; we print "26 h 03 min 04 s", the largest two or three parts.
[[nodiscard]] std::string print_span(Duration span);

// The nearest of `known` within an edit distance of 2 (3 for long words), or "" when none is near.
[[nodiscard]] std::string_view nearest(std::string_view word, std::span<const std::string_view> known);

// SHA-256 (FIPS 180-4) as 64 lowercase hex digits.
[[nodiscard]] std::string sha256_hex(std::string_view bytes);

}  // namespace slowfilm
