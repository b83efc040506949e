// sd_notify(3) without its library: one datagram to $NOTIFY_SOCKET.
#pragma once

#include <string_view>

namespace slowfilm::daemon {

// "READY=1", "STOPPING=1", "STATUS=...". Nothing where nobody asked for it.
void notify_supervisor(std::string_view message);

}  // namespace slowfilm::daemon
