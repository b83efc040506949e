// Strict UTF-8 (RFC 3629): no overlong forms, no surrogates, nothing above U+10FFFF.
#pragma once

#include <cstddef>
#include <string_view>

namespace slowfilm {

struct CodePoint {
    char32_t value{0};
    std::size_t length{1};  // bytes taken; 1 where the byte is broken
    bool valid{false};
};

// The code point at `at`, which must be below text.size().
[[nodiscard]] CodePoint code_point_at(std::string_view text, std::size_t at);

// Control characters, and those that would reorder or hide what stands beside them on a terminal.
[[nodiscard]] bool is_unprintable(char32_t value);

// What stands on a screen as nothing, or as a gap, but is not U+0020: the spaces of Unicode 15 (category Zs), what is
// ignored in display (Default_Ignorable_Code_Point), blank letters, and what no text may hold.
[[nodiscard]] bool is_blank(char32_t value);

}  // namespace slowfilm
