#include "daemon/channel/guardian_message.hpp"

#include <array>
#include <cerrno>
#include <cstring>

#include <sys/socket.h>

namespace slowfilm::channel {
namespace {

using Kind = GuardMessage::Kind;

template <class Whole>
void put(std::string& packet, Whole value) {
    std::array<char, sizeof value> bytes{};
    std::memcpy(bytes.data(), &value, sizeof value);
    packet.append(bytes.data(), bytes.size());
}

void put_text(std::string& packet, std::string_view text) {
    put(packet, static_cast<std::uint16_t>(text.size()));
    packet.append(text);
}

// Both ends are one program, forked: its byte order and sizes are the same.
class Unpack {
  public:
    explicit Unpack(std::string_view packet) : rest_(packet) {}
    template <class Whole>
    Whole take() {
        Whole value{};
        if (rest_.size() < sizeof value) {
            good_ = false;
            return value;
        }
        std::memcpy(&value, rest_.data(), sizeof value);
        rest_.remove_prefix(sizeof value);
        return value;
    }
    std::string text() {
        const auto size = take<std::uint16_t>();
        if (size > rest_.size()) {
            good_ = false;
            return {};
        }
        std::string text(rest_.substr(0, size));
        rest_.remove_prefix(size);
        return text;
    }
    [[nodiscard]] bool whole() const { return good_ && rest_.empty(); }

  private:
    std::string_view rest_;
    bool good_{true};
};

std::string begun(Kind kind, std::uint32_t port) {
    std::string packet;
    put(packet, static_cast<std::uint8_t>(kind));
    put(packet, port);
    return packet;
}

}  // namespace

Result<std::string> encode_keep(std::uint32_t port, const OffFrames& off) {
    std::size_t bytes = off.line_end.size();
    for (const std::string& frame : off.frames) {
        bytes += frame.size();
    }
    if (off.frames.empty() || off.frames.size() > off_frames_most || bytes > off_bytes_most) {
        return fail(Failure::internal, "what switches a port's outputs off is " + std::to_string(off.frames.size()) +
                                           " lines of " + std::to_string(bytes) + " bytes; 1 to " +
                                           std::to_string(off_frames_most) + " lines of at most " +
                                           std::to_string(off_bytes_most) + " bytes together would be right");
    }
    std::string packet = begun(Kind::keep, port);
    put(packet, off.pause.count);
    put_text(packet, off.line_end);
    put(packet, static_cast<std::uint8_t>(off.frames.size()));
    for (const std::string& frame : off.frames) {
        put_text(packet, frame);
    }
    return packet;
}

std::string encode_forget(std::uint32_t port) {
    return begun(Kind::forget, port);
}

std::string encode_release() {
    return begun(Kind::release, 0);
}

std::optional<GuardMessage> decode_message(std::string_view packet) {
    Unpack from(packet);
    GuardMessage message;
    const auto kind = from.take<std::uint8_t>();
    if (kind > static_cast<std::uint8_t>(Kind::release)) {
        return std::nullopt;
    }
    message.kind = static_cast<Kind>(kind);
    message.port = from.take<std::uint32_t>();
    if (message.kind == Kind::keep) {
        message.off.pause = Duration{from.take<std::int64_t>()};
        message.off.line_end = from.text();
        const auto count = from.take<std::uint8_t>();
        for (std::uint8_t i = 0; i < count; ++i) {
            message.off.frames.push_back(from.text());
        }
    }
    return from.whole() ? std::optional{std::move(message)} : std::nullopt;
}

bool send_message(int socket, std::string_view packet, int descriptor) {
    iovec part{.iov_base = const_cast<char*>(packet.data()), .iov_len = packet.size()};
    msghdr message{};
    message.msg_iov = &part;
    message.msg_iovlen = 1;
    alignas(cmsghdr) std::array<char, CMSG_SPACE(sizeof(int))> control{};
    if (descriptor >= 0) {
        message.msg_control = control.data();
        message.msg_controllen = control.size();
        cmsghdr* header = CMSG_FIRSTHDR(&message);
        header->cmsg_level = SOL_SOCKET;
        header->cmsg_type = SCM_RIGHTS;
        header->cmsg_len = CMSG_LEN(sizeof(int));
        std::memcpy(CMSG_DATA(header), &descriptor, sizeof descriptor);
    }
    ssize_t sent = 0;
    do {
        sent = ::sendmsg(socket, &message, MSG_NOSIGNAL);
    } while (sent < 0 && errno == EINTR);
    return sent == static_cast<ssize_t>(packet.size());
}

}  // namespace slowfilm::channel
