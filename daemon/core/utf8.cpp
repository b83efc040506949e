#include "daemon/core/utf8.hpp"

namespace slowfilm {

namespace {

struct Lead {
    std::size_t length;
    char32_t bits;
    char32_t least;  // below this the form is overlong
};

Lead lead_of(unsigned char byte) {
    if (byte < 0x80U) {
        return {1, byte, 0};
    }
    if (byte >= 0xC2U && byte <= 0xDFU) {
        return {2, byte & 0x1FU, 0x80};
    }
    if (byte >= 0xE0U && byte <= 0xEFU) {
        return {3, byte & 0x0FU, 0x800};
    }
    if (byte >= 0xF0U && byte <= 0xF4U) {
        return {4, byte & 0x07U, 0x10000};
    }
    return {0, 0, 0};
}

}  // namespace

CodePoint code_point_at(std::string_view text, std::size_t at) {
    const auto byte = [&](std::size_t i) { return static_cast<unsigned char>(text[i]); };
    const Lead lead = lead_of(byte(at));
    if (lead.length == 0 || text.size() - at < lead.length) {
        return {};
    }
    char32_t value = lead.bits;
    for (std::size_t i = 1; i < lead.length; ++i) {
        const unsigned char next = byte(at + i);
        if ((next & 0xC0U) != 0x80U) {
            return {};
        }
        value = (value << 6U) | (next & 0x3FU);
    }
    const bool surrogate = value >= 0xD800 && value <= 0xDFFF;
    if (value < lead.least || surrogate || value > 0x10FFFF) {
        return {};
    }
    return {value, lead.length, true};
}

bool is_unprintable(char32_t value) {
    const auto within = [value](char32_t low, char32_t high) { return value >= low && value <= high; };
    return value < 0x20 || within(0x7F, 0x9F)             // C0, DEL, C1
           || within(0x200B, 0x200F)                      // zero width, direction marks
           || within(0x2028, 0x202E)                      // line and paragraph separators, direction overrides
           || within(0x2060, 0x206F) || value == 0xFEFF;  // invisible operators, isolates, byte order mark
}

}  // namespace slowfilm
