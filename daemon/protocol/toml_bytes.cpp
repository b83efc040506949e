#include "daemon/protocol/toml_scan.hpp"

#include <cstdint>

namespace slowfilm::protocol::detail {
namespace {

constexpr std::string_view hex_digits = "0123456789ABCDEF";

// Length of the UTF-8 sequence at `at` (RFC 3629: no overlong forms, no surrogates, up to U+10FFFF), 0 where it is
// broken.
std::size_t sequence_length(std::string_view text, std::size_t at) {
    const auto byte = [&](std::size_t i) -> unsigned {
        return at + i < text.size() ? static_cast<unsigned char>(text[at + i]) : 0U;
    };
    const auto follows = [&](std::size_t i) { return (byte(i) & 0xC0U) == 0x80U; };
    const unsigned first = byte(0);
    if (first < 0x80U) {
        return 1;
    }
    if (first >= 0xC2U && first <= 0xDFU) {
        return follows(1) ? 2 : 0;
    }
    if (first >= 0xE0U && first <= 0xEFU) {
        const bool overlong = first == 0xE0U && byte(1) < 0xA0U;
        const bool surrogate = first == 0xEDU && byte(1) >= 0xA0U;
        return follows(1) && follows(2) && !overlong && !surrogate ? 3 : 0;
    }
    if (first >= 0xF0U && first <= 0xF4U) {
        const bool overlong = first == 0xF0U && byte(1) < 0x90U;
        const bool beyond = first == 0xF4U && byte(1) >= 0x90U;
        return follows(1) && follows(2) && follows(3) && !overlong && !beyond ? 4 : 0;
    }
    return 0;
}

std::string hex_byte(unsigned char byte) {
    return {'0', 'x', hex_digits[byte >> 4U], hex_digits[byte & 0x0FU]};
}

}  // namespace

std::optional<Diagnostic> find_bad_bytes(std::string_view text) {
    if (text.starts_with("\xFF\xFE") || text.starts_with("\xFE\xFF")) {
        return Diagnostic{Severity::error, {1, 1}, "the file is UTF-16 text; save it as UTF-8"};
    }
    Place place;
    std::size_t at = text.starts_with("\xEF\xBB\xBF") ? 3 : 0;
    while (at < text.size()) {
        const auto byte = static_cast<unsigned char>(text[at]);
        const std::size_t length = sequence_length(text, at);
        if (length == 0) {
            return Diagnostic{Severity::error, place,
                              "the byte " + hex_byte(byte) + " is not UTF-8 text; save the file as UTF-8"};
        }
        const bool carriage_return = byte == '\r' && at + 1 < text.size() && text[at + 1] == '\n';
        if ((byte < 0x20U && byte != '\t' && byte != '\n' && !carriage_return) || byte == 0x7FU) {
            return Diagnostic{Severity::error, place,
                              "a control character (" + hex_byte(byte) + ") in the text; remove it"};
        }
        if (byte == '\n') {
            ++place.line;
            place.column = 1;
        } else {
            ++place.column;
        }
        at += length;
    }
    return std::nullopt;
}

}  // namespace slowfilm::protocol::detail
