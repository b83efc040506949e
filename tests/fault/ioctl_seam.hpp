// A serial driver's side of ioctl(2) over a pseudo-terminal, which has no modem lines, parity, counters or latency
// timer of its own: this program's ioctl() is ours, asks here first and then the kernel.
#pragma once

#include <cstdint>
#include <functional>
#include <vector>

#include <asm/termbits.h>
#include <linux/serial.h>

namespace slowfilm::test {

struct SerialDriver {
    // TIOCMGET, TIOCMBIS, TIOCMBIC; without: ENOTTY, as from a pseudo-terminal.
    bool modem_lines{true};
    int lines{0};
    std::vector<int> raised, dropped;  // what TIOCMBIS and TIOCMBIC were given
    int lines_error{0};                // of TIOCMBIS and TIOCMBIC
    // TIOCEXCL, TIOCNXCL, TIOCGEXCL
    bool exclusive{false};
    std::vector<bool> exclusive_set;
    // TIOCGSERIAL, TIOCSSERIAL: the latency timer; without: ENOTTY.
    bool has_serial{true};
    bool serial_refused{false};
    int serial_flags{0};
    // Changes what TCGETS2 reads back of what was set: a converter that cannot do all that it is asked.
    std::function<void(termios2&)> reads_back;
    std::function<void(termios2&)> set_as;  // what TCSETS2 was given, before the kernel drops what it lacks
    int settings_error{0};                  // of TCSETS2
};

// The driver behind every port of this process, until it is set to null again.
void set_driver(SerialDriver* driver);

}  // namespace slowfilm::test
