// Our own grammar of numbers, in exact integers: std::from_chars takes "nan", "inf" and the first half of "2,6".
//
//   number   = [ "-" ] digits [ "." digits ] [ "e" [ "-" ] digits ]
#pragma once

#include "daemon/core/result.hpp"

#include <cstdint>
#include <string>
#include <string_view>

namespace slowfilm {

__extension__ using Wide = __int128;  // holds any product of two stored values

// digits * 10^exponent, negated if `negative`.
struct Decimal {
    bool negative{false};
    Wide digits{0};  // at most 22 of them
    int exponent{0};
    std::string_view rest;  // what follows the number
};

// Reads the number at the beginning of `text`, which must not be empty. The error is a phrase without its place.
[[nodiscard]] Result<Decimal, std::string> read_decimal(std::string_view text);

enum class Inexact : std::uint8_t { too_fine, too_large };

// decimal * scale as a whole number, exactly or not at all; its magnitude may not pass `most`. scale <= 1e16.
[[nodiscard]] Result<std::int64_t, Inexact> whole_count(const Decimal& decimal, std::int64_t scale, std::int64_t most);

// count / scale in decimal digits, exactly; scale must divide a power of ten times count. "-1.25", "4"
[[nodiscard]] std::string print_decimal(std::int64_t count, std::int64_t scale);

// a * b / divisor, rounded half away from zero, and held at the ends of int64. divisor > 0.
[[nodiscard]] std::int64_t multiply_divide(std::int64_t a, std::int64_t b, Wide divisor);

}  // namespace slowfilm
