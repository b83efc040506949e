#include "daemon/core/utf8.hpp"

#include <algorithm>
#include <array>

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

bool is_blank(char32_t value) {
    struct Span {
        char32_t low, high;
    };
    static constexpr std::array<Span, 31> spans{{
        {0xA0, 0xA0},         // no-break space
        {0xAD, 0xAD},         // soft hyphen
        {0x34F, 0x34F},       // combining grapheme joiner
        {0x61C, 0x61C},       // direction mark
        {0x115F, 0x1160},     // blank letters of Hangul
        {0x1680, 0x1680},     // Ogham space
        {0x17B4, 0x17B5},     // inherent vowels of Khmer
        {0x180B, 0x180F},     // variation selectors and the vowel separator of Mongolian
        {0x2000, 0x200F},     // spaces of a width, zero width, direction marks
        {0x2028, 0x202F},     // separators, direction overrides, narrow no-break space
        {0x205F, 0x206F},     // mathematical space, invisible operators, isolates
        {0x2800, 0x2800},     // Braille blank
        {0x3000, 0x3000},     // ideographic space
        {0x3164, 0x3164},     // Hangul filler
        {0xE000, 0xF8FF},     // private use: shown as whatever a font likes, or as nothing
        {0xFDD0, 0xFDEF},     // no characters
        {0xFE00, 0xFE0F},     // variation selectors
        {0xFEFF, 0xFEFF},     // zero width no-break space
        {0xFFA0, 0xFFA0},     // half-width filler
        {0xFFF0, 0xFFFF},     // unassigned and ignored, marks of annotation, objects and broken text, no characters
        {0x13430, 0x1343F},   // format controls of hieroglyphs
        {0x16FE4, 0x16FE4},   // filler of Khitan
        {0x1BCA0, 0x1BCA3},   // controls of shorthand
        {0x1D159, 0x1D159},   // null note head
        {0x1D173, 0x1D17A},   // controls of music
        {0x1FFFE, 0x1FFFF},   // no characters
        {0x2FFFE, 0x2FFFF},   // no characters
        {0x3FFFE, 0xDFFFF},   // unassigned planes
        {0xE0000, 0xE0FFF},   // tags, variation selectors
        {0xE1000, 0xEFFFF},   // unassigned
        {0xF0000, 0x10FFFF},  // private use
    }};
    return is_unprintable(value) || std::any_of(spans.begin(), spans.end(), [value](const Span& span) {
               return value >= span.low && value <= span.high;
           });
}

}  // namespace slowfilm
