#include "daemon/core/text.hpp"

#include "daemon/core/decimal.hpp"
#include "daemon/core/ensure.hpp"
#include "daemon/core/utf8.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <chrono>
#include <cmath>
#include <vector>

#include <sodium.h>

namespace slowfilm {

namespace {

constexpr std::string_view hex_digits = "0123456789abcdef";

void append_hex(std::string& out, unsigned char byte) {
    out += hex_digits[byte >> 4U];
    out += hex_digits[byte & 0x0FU];
}

// "07" for 7 with width 2.
std::string padded(std::int64_t number, std::size_t width) {
    std::string digits = std::to_string(number);
    return digits.size() < width ? std::string(width - digits.size(), '0') + digits : digits;
}

}  // namespace

std::string escaped(std::string_view text, std::size_t most) {
    constexpr std::string_view cut = "...";
    std::string out;
    std::size_t room_for_cut = 0;  // out's length before the piece that would leave no room for "..."
    for (std::size_t at = 0; at < text.size();) {
        const CodePoint point = code_point_at(text, at);
        std::string piece;
        if (point.valid && !is_unprintable(point.value)) {
            piece = text.substr(at, point.length);
        } else {
            for (const char byte : text.substr(at, point.length)) {
                piece += "\\x";
                append_hex(piece, static_cast<unsigned char>(byte));
            }
        }
        if (out.size() + piece.size() > most) {
            out.resize(room_for_cut);
            return out += cut.substr(0, most);
        }
        out += piece;
        if (out.size() + cut.size() <= most) {
            room_for_cut = out.size();
        }
        at += point.length;
    }
    return out;
}

bool is_plain(std::string_view text) {
    bool space_before = true;
    for (std::size_t at = 0; at < text.size();) {
        const CodePoint point = code_point_at(text, at);
        const bool space = point.value == U' ';
        if (!point.valid || is_blank(point.value) || (space && space_before)) {
            return false;
        }
        space_before = space;
        at += point.length;
    }
    return !space_before;
}

std::string valid_utf8(std::string_view text) {
    std::string out;
    out.reserve(text.size());
    for (std::size_t at = 0; at < text.size();) {
        const CodePoint point = code_point_at(text, at);
        out += point.valid ? text.substr(at, point.length) : std::string_view{"\xEF\xBF\xBD"};
        at += point.length;
    }
    return out;
}

std::string print_number(double value) {
    if (!std::isfinite(value)) {
        return "null";
    }
    std::array<char, 32> buffer{};
    const auto [end, error] = std::to_chars(buffer.data(), buffer.data() + buffer.size(), value);
    ENSURE(error == std::errc{});
    return {buffer.data(), end};
}

std::string print_fixed(double value, int decimals) {
    if (!std::isfinite(value)) {
        return "-";
    }
    std::array<char, 352> buffer{};  // 1.8e308 has 309 digits before the point
    const auto [end, error] = std::to_chars(buffer.data(), buffer.data() + buffer.size(), value,
                                            std::chars_format::fixed, std::clamp(decimals, 0, 30));
    ENSURE(error == std::errc{});
    std::string text{buffer.data(), end};
    const bool nothing_but_zero = text.find_first_of("123456789") == std::string::npos;
    return nothing_but_zero && text.starts_with('-') ? text.substr(1) : text;
}

std::string print_utc(std::int64_t unix_microseconds) {
    using namespace std::chrono;
    // RFC 3339 has years 0000 to 9999; what lies outside is held at the ends.
    constexpr std::int64_t first = -62'167'219'200'000'000;  // 0000-01-01
    constexpr std::int64_t last = 253'402'300'799'999'999;   // 9999-12-31
    const sys_time<microseconds> instant{microseconds{std::clamp(unix_microseconds, first, last)}};
    const auto day = floor<days>(instant);
    const year_month_day date{day};
    const hh_mm_ss time{floor<milliseconds>(instant - day)};
    return padded(static_cast<int>(date.year()), 4) + "-" + padded(static_cast<unsigned>(date.month()), 2) + "-" +
           padded(static_cast<unsigned>(date.day()), 2) + "T" + padded(time.hours().count(), 2) + ":" +
           padded(time.minutes().count(), 2) + ":" + padded(time.seconds().count(), 2) + "." +
           padded(time.subseconds().count(), 3) + "Z";
}

namespace {

struct SpanPart {
    std::uint64_t length;  // us
    std::string_view unit;
};

// Up to three parts from the largest that is not zero, without zeros at the end.
std::string join_parts(std::uint64_t us, std::span<const SpanPart> parts) {
    std::string text;
    std::string zeros;
    for (const SpanPart& part : parts) {
        const std::uint64_t number = us / part.length;
        us %= part.length;
        const std::string piece =
            text.empty() ? std::to_string(number) + " " + std::string{part.unit}
                         : " " + padded(static_cast<std::int64_t>(number), 2) + " " + std::string{part.unit};
        if (number == 0 && !text.empty()) {
            zeros += piece;
            continue;
        }
        text += zeros + piece;
        zeros.clear();
    }
    return text;
}

}  // namespace

std::string print_span(Duration span) {
    constexpr std::uint64_t second = 1'000'000;
    constexpr std::uint64_t hour = 3'600 * second;
    constexpr std::array<SpanPart, 4> parts{{{24 * hour, "d"}, {hour, "h"}, {60 * second, "min"}, {second, "s"}}};
    const std::span<const SpanPart> all{parts};
    const std::string sign = span.count < 0 ? "-" : "";
    const auto us =
        span.count < 0 ? 0 - static_cast<std::uint64_t>(span.count) : static_cast<std::uint64_t>(span.count);
    if (us >= 72 * hour) {
        return sign + join_parts(us, all.first(3));
    }
    if (us >= hour) {
        return sign + join_parts(us, all.subspan(1, 3));
    }
    if (us >= 60 * second) {
        return sign + join_parts(us, all.last(2));
    }
    if (us == 0) {
        return "0 s";
    }
    if (us >= second) {  // to the millisecond, without zeros at the end
        return sign + print_decimal(static_cast<std::int64_t>(us / 1'000), 1'000) + " s";
    }
    return sign + (us >= 1'000 ? std::to_string(us / 1'000) + " ms" : std::to_string(us) + " us");
}

namespace {

// Edit distance with swaps of neighbours (optimal string alignment); rows of length b + 1.
std::size_t edit_distance(std::string_view a, std::string_view b) {
    std::vector<std::size_t> before(b.size() + 1);
    std::vector<std::size_t> above(b.size() + 1);
    std::vector<std::size_t> row(b.size() + 1);
    for (std::size_t j = 0; j <= b.size(); ++j) {
        above[j] = j;
    }
    for (std::size_t i = 1; i <= a.size(); ++i) {
        row[0] = i;
        for (std::size_t j = 1; j <= b.size(); ++j) {
            const std::size_t change = a[i - 1] == b[j - 1] ? 0 : 1;
            row[j] = std::min({above[j] + 1, row[j - 1] + 1, above[j - 1] + change});
            const bool swapped = i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1];
            if (swapped) {
                row[j] = std::min(row[j], before[j - 2] + 1);
            }
        }
        std::swap(before, above);
        std::swap(above, row);
    }
    return above[b.size()];
}

}  // namespace

std::string_view nearest(std::string_view word, std::span<const std::string_view> known) {
    constexpr std::size_t longest = 64;  // a longer word is no slip of the hand, and would cost its square
    if (word.size() > longest) {
        return {};
    }
    std::string_view best;
    std::size_t best_distance = word.size() >= 8 ? 3 : 2;
    best_distance = std::min(best_distance, word.size() > 0 ? word.size() - 1 : 0) + 1;
    for (const std::string_view candidate : known) {
        const std::size_t distance = candidate.size() > longest ? longest : edit_distance(word, candidate);
        if (distance < best_distance) {
            best_distance = distance;
            best = candidate;
        }
    }
    return best;
}

std::string sha256_hex(std::string_view bytes) {
    std::array<unsigned char, crypto_hash_sha256_BYTES> digest{};
    const int failed =
        crypto_hash_sha256(digest.data(), reinterpret_cast<const unsigned char*>(bytes.data()), bytes.size());
    ENSURE(failed == 0);
    std::string text;
    text.reserve(2 * digest.size());
    for (const unsigned char byte : digest) {
        append_hex(text, byte);
    }
    return text;
}

}  // namespace slowfilm
