// The guardian's own process. Private to guardian*.cpp.
#pragma once

#include <csignal>

namespace slowfilm::channel {

// Keeps what it is told until the other end closes, then writes every port's off frames and ends the process.
// `mask`: the signals blocked before the fork; all are until what ends a daemon is ignored.
[[noreturn]] void watch_until_death(int socket, const sigset_t& mask);

}  // namespace slowfilm::channel
