// CRC-32/ISO-HDLC (the one of zip and Ethernet): notices any burst of up to 32 wrong bits in a tape chunk.
#pragma once

#include <array>
#include <cstdint>
#include <string_view>

namespace slowfilm::ledger {

namespace detail {
constexpr std::array<std::uint32_t, 256> crc32_table() {
    std::array<std::uint32_t, 256> table{};
    for (std::uint32_t byte = 0; byte < table.size(); ++byte) {
        std::uint32_t value = byte;
        for (int bit = 0; bit < 8; ++bit) value = (value & 1U) != 0 ? (value >> 1U) ^ 0xEDB88320U : value >> 1U;
        table[byte] = value;
    }
    return table;
}
}  // namespace detail

[[nodiscard]] constexpr std::uint32_t crc32(std::string_view bytes) {
    constexpr auto table = detail::crc32_table();
    std::uint32_t value = 0xFFFFFFFFU;
    for (const char c : bytes) value = table[(value ^ static_cast<std::uint8_t>(c)) & 0xFFU] ^ (value >> 8U);
    return value ^ 0xFFFFFFFFU;
}

}  // namespace slowfilm::ledger
