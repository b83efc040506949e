#include "daemon/main/slowfilmd_notify.hpp"

#include <cstddef>
#include <cstdlib>
#include <cstring>

#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

namespace slowfilm::daemon {

void notify_supervisor(std::string_view message) {
    const char* const variable = std::getenv("NOTIFY_SOCKET");
    const std::string_view path = variable != nullptr ? variable : "";
    sockaddr_un address{};
    address.sun_family = AF_UNIX;
    const bool known = !path.empty() && (path.front() == '/' || path.front() == '@');
    if (!known || path.size() >= sizeof address.sun_path) {
        return;
    }
    std::memcpy(static_cast<char*>(address.sun_path), path.data(), path.size());
    if (path.front() == '@') {
        address.sun_path[0] = '\0';  // a name outside the file system
    }
    const int socket = ::socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC, 0);
    if (socket < 0) {
        return;
    }
    const auto length = static_cast<socklen_t>(offsetof(sockaddr_un, sun_path) + path.size());
    const ssize_t sent = ::sendto(socket, message.data(), message.size(), MSG_NOSIGNAL | MSG_DONTWAIT,
                                  reinterpret_cast<const sockaddr*>(&address), length);
    static_cast<void>(sent);  // a supervisor that does not listen is no reason to stop
    ::close(socket);
}

}  // namespace slowfilm::daemon
