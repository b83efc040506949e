#include "daemon/channel/port.hpp"

#include "daemon/core/text.hpp"

#include <cerrno>
#include <cstring>
#include <string_view>
#include <utility>

#include <asm/termbits.h>
#include <fcntl.h>
#include <linux/serial.h>
#include <sys/file.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <unistd.h>

namespace slowfilm::channel {
namespace {

// A converter's divider seldom hits a rate to the bit; a frame of ten bits bears three per cent between both ends.
constexpr std::uint32_t baud_tolerance_percent = 2;

std::string quoted(const std::string& path) {
    return "'" + escaped(path) + "'";
}

std::string reason(int error) {
    return ::strerrordesc_np(error) != nullptr ? ::strerrordesc_np(error) : std::to_string(error);
}

std::string busy(const std::string& path) {
    return "the port " + quoted(path) +
           " is in use by another program; end that program (as root, 'fuser -v PORT' names it), or name another port";
}

tl::unexpected<Error> not_opened(const std::string& path, int error) {
    switch (error) {
        case ENOENT:
        case ENXIO:
        case ENODEV:
        case EIO:
            return fail(Failure::no_input, "there is no port " + quoted(path) +
                                               "; is the instrument plugged in and its converter powered? /dev/serial/"
                                               "by-id and by-path list those that are");
        case EACCES:
        case EPERM:
            return fail(Failure::not_allowed, "the port " + quoted(path) +
                                                  " may not be opened by this user; add the user to the group that "
                                                  "'ls -lL PORT' names, often dialout");
        case EBUSY: return fail(Failure::try_again, busy(path));
        case EMFILE:
        case ENFILE:
            return fail(Failure::try_again, "the port " + quoted(path) +
                                                " was not opened: this process has no file descriptor left (" +
                                                reason(error) + ")");
        default: return fail(Failure::no_input, "the port " + quoted(path) + " was not opened: " + reason(error));
    }
}

// Every flag by name: what is not named would be as the last user of the port left it.
termios2 wanted(const PortOptions& options) {
    termios2 t{};
    t.c_iflag = 0;
    t.c_oflag = 0;
    t.c_lflag = 0;
    t.c_cflag = CREAD | CLOCAL | BOTHER | (static_cast<tcflag_t>(BOTHER) << IBSHIFT);
    t.c_cflag |= options.data_bits == 7 ? CS7 : CS8;
    t.c_cflag |= options.stop_bits == StopBits::two ? CSTOPB : 0;
    if (options.parity != Parity::none) {
        t.c_cflag |= options.parity == Parity::odd ? PARENB | PARODD : PARENB;
        t.c_iflag |= INPCK;  // a byte of wrong parity comes as NUL, which no answer holds
    }
    t.c_cc[VMIN] = 1;  // with VMIN 1 a read of nothing is a hang-up, and no bytes yet is EAGAIN
    t.c_cc[VTIME] = 0;
    t.c_ispeed = t.c_ospeed = options.baud;
    return t;
}

bool rate_close(std::uint32_t got, std::uint32_t asked) {
    const std::uint32_t off = got > asked ? got - asked : asked - got;
    return std::uint64_t{off} * 100 <= std::uint64_t{asked} * baud_tolerance_percent;
}

// The first of the settings that differs, as a phrase; "" when none does.
std::string difference(const termios2& got, const PortOptions& options) {
    const termios2 want = wanted(options);
    const tcflag_t shape = ~static_cast<tcflag_t>(CBAUD | (static_cast<tcflag_t>(CBAUD) << IBSHIFT));
    if (!rate_close(got.c_ospeed, options.baud) || !rate_close(got.c_ispeed, options.baud)) {
        return std::to_string(options.baud) + " baud (it is at " + std::to_string(got.c_ospeed) + ")";
    }
    if ((got.c_cflag & CSIZE) != (want.c_cflag & CSIZE)) {
        return std::to_string(options.data_bits) + " data bits";
    }
    if ((got.c_cflag & (PARENB | PARODD)) != (want.c_cflag & (PARENB | PARODD))) {
        return "this parity";
    }
    if ((got.c_cflag & CSTOPB) != (want.c_cflag & CSTOPB)) {
        return "this number of stop bits";
    }
    const bool raw = got.c_iflag == want.c_iflag && got.c_oflag == want.c_oflag && got.c_lflag == want.c_lflag &&
                     (got.c_cflag & shape) == (want.c_cflag & shape) && got.c_cc[VMIN] == 1 && got.c_cc[VTIME] == 0;
    return raw ? "" : "raw mode";
}

}  // namespace

Port::Port(Port&& other) noexcept
    : options_(std::move(other.options_)),
      descriptor_(std::exchange(other.descriptor_, -1)),
      is_virtual_(other.is_virtual_),
      low_latency_(other.low_latency_),
      exclusive_(std::exchange(other.exclusive_, false)) {}

Port& Port::operator=(Port&& other) noexcept {
    if (this != &other) {
        close();
        options_ = std::move(other.options_);
        descriptor_ = std::exchange(other.descriptor_, -1);
        is_virtual_ = other.is_virtual_;
        low_latency_ = other.low_latency_;
        exclusive_ = std::exchange(other.exclusive_, false);
    }
    return *this;
}

Port::~Port() {
    close();
}

void Port::close() {
    if (descriptor_ < 0) {
        return;
    }
    if (exclusive_) {
        ::ioctl(descriptor_, TIOCNXCL);
    }
    ::close(descriptor_);
    descriptor_ = -1;
}

Result<Port> Port::open(const PortOptions& options) {
    if (options.path.find('\0') != std::string::npos || options.baud == 0) {
        return fail(Failure::bad_config, "a port needs a path and a baud rate above 0");
    }
    struct stat kind {};
    // Looked at before it is opened: opening some device that is no port may already do something.
    if (::stat(options.path.c_str(), &kind) != 0) {
        return not_opened(options.path, errno);
    }
    if (!S_ISCHR(kind.st_mode)) {
        return fail(Failure::bad_config, quoted(options.path) + " is no serial port");
    }
    int descriptor = -1;
    do {
        descriptor = ::open(options.path.c_str(), O_RDWR | O_CLOEXEC | O_NOCTTY | O_NONBLOCK);
    } while (descriptor < 0 && errno == EINTR);
    if (descriptor < 0) {
        return not_opened(options.path, errno);
    }
    Port port(options, descriptor);
    if (Result<void> good = port.take_alone(); !good) {
        return tl::unexpected(std::move(good.error()));
    }
    if (Result<void> good = port.set(); !good) {
        return tl::unexpected(std::move(good.error()));
    }
    if (Result<void> good = port.set_dtr(); !good) {
        return tl::unexpected(std::move(good.error()));
    }
    port.hurry_answers();
    return port;
}

// Before any setting is touched: the port may be another's.
Result<void> Port::take_alone() {
    termios2 settings{};
    if (::ioctl(descriptor_, TCGETS2, &settings) != 0) {
        return errno == EIO ? Result<void>(not_opened(options_.path, EIO))
                            : fail(Failure::bad_config, quoted(options_.path) + " is no serial port");
    }
    if (::flock(descriptor_, LOCK_EX | LOCK_NB) != 0) {
        return fail(Failure::try_again, busy(options_.path));
    }
    int lines = 0;
    is_virtual_ = ::ioctl(descriptor_, TIOCMGET, &lines) != 0 && (errno == ENOTTY || errno == EINVAL);
    if (is_virtual_) {
        // On a pseudo-terminal the mark outlives the process that set it, and would shut out the next.
        return {};
    }
    int others = 0;
    if (::ioctl(descriptor_, TIOCGEXCL, &others) == 0 && others != 0) {
        return fail(Failure::try_again, busy(options_.path));  // root is let in by open() all the same
    }
    exclusive_ = ::ioctl(descriptor_, TIOCEXCL) == 0;
    return {};
}

Result<void> Port::set() {
    const termios2 want = wanted(options_);
    if (::ioctl(descriptor_, TCSETS2, &want) != 0) {
        const int error = errno;
        return fail(error == EIO ? Failure::no_input : Failure::bad_config,
                    "the port " + quoted(options_.path) + " does not take its settings: " + reason(error));
    }
    return still_as_set();
}

Result<void> Port::still_as_set() const {
    termios2 got{};
    if (::ioctl(descriptor_, TCGETS2, &got) != 0) {
        return fail(Failure::cannot_write, "the port " + quoted(options_.path) + " is gone: " + reason(errno));
    }
    if (const std::string off = difference(got, options_); !off.empty()) {
        return fail(Failure::bad_config, "the port " + quoted(options_.path) + " does not keep " + off +
                                             "; the converter may not have it, or another program changed it");
    }
    return {};
}

Result<void> Port::set_dtr() {
    if (options_.dtr == Dtr::keep || is_virtual_) {
        return {};
    }
    int line = TIOCM_DTR;
    if (::ioctl(descriptor_, options_.dtr == Dtr::high ? TIOCMBIS : TIOCMBIC, &line) != 0) {
        const int error = errno;
        return fail(error == EIO ? Failure::no_input : Failure::bad_config,
                    "the port " + quoted(options_.path) + " does not let DTR be set: " + reason(error));
    }
    return {};
}

// A converter may hold a short answer back for 16 ms; where its driver can be asked not to, it is.
void Port::hurry_answers() {
    serial_struct serial{};
    if (::ioctl(descriptor_, TIOCGSERIAL, &serial) != 0) {
        return;
    }
    serial.flags |= ASYNC_LOW_LATENCY;
    low_latency_ = ::ioctl(descriptor_, TIOCSSERIAL, &serial) == 0;
}

}  // namespace slowfilm::channel
