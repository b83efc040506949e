// What daemon and guardian say to each other over their socket, a packet each. Private to guardian*.cpp.
#pragma once

#include "daemon/channel/guardian.hpp"

#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

namespace slowfilm::channel {

inline constexpr std::size_t off_frames_most = 16;
inline constexpr std::size_t off_bytes_most = 2'048;
inline constexpr std::size_t message_bytes_most = 4'096;

struct GuardMessage {
    enum class Kind : std::uint8_t { keep, forget, release };
    Kind kind{Kind::keep};
    std::uint32_t port{0};
    OffFrames off;
};

[[nodiscard]] Result<std::string> encode_keep(std::uint32_t port, const OffFrames& off);
[[nodiscard]] std::string encode_forget(std::uint32_t port);
[[nodiscard]] std::string encode_release();
// Nothing where the packet is none of ours.
[[nodiscard]] std::optional<GuardMessage> decode_message(std::string_view packet);

// With a descriptor where it is not -1. False: nobody is at the other end.
[[nodiscard]] bool send_message(int socket, std::string_view packet, int descriptor);

}  // namespace slowfilm::channel
