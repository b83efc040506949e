// Input for the two ends of the channel-board link: text whose lines get right CRCs, so that mutations go deeper than
// the CRC lets them, unless the first byte asks for the bytes as they are.
#pragma once

#include "daemon/wire/board/frame.hpp"
#include "tests/fuzz/fuzz.hpp"

#include <string>

namespace slowfilm::fuzz {

inline std::string with_crcs(const std::string& text) {
    constexpr std::string_view digits = "0123456789ABCDEF";
    std::string lines;
    std::string content;
    for (const char c : text) {
        if (c != '\n') {
            content += c;
            continue;
        }
        const unsigned crc = wire::board::crc16(content.data(), content.size());
        lines += content + "*";
        for (const unsigned shift : {12U, 8U, 4U, 0U}) {
            lines += digits[(crc >> shift) & 0xFU];
        }
        lines += '\n';
        content.clear();
    }
    return lines + content;
}

}  // namespace slowfilm::fuzz
