#include "sim/instrument/pty.hpp"

#include <algorithm>
#include <array>
#include <cerrno>
#include <cstdlib>
#include <utility>

#include <fcntl.h>
#include <poll.h>
#include <sys/stat.h>
#include <termios.h>
#include <unistd.h>

namespace slowfilm::sim::instrument {

namespace {

constexpr int patience = 5'000;  // ms for bytes that were written already: the kernel hands them over later

tl::unexpected<Error> refuse(const std::string& what) {
    return fail(Failure::cannot_create, what);
}

// Every flag, whatever a terminal begins with.
void make_raw(termios& settings) {
    ::cfmakeraw(&settings);
    settings.c_cflag &= ~static_cast<tcflag_t>(CSTOPB | CRTSCTS | HUPCL);
    settings.c_cflag |= static_cast<tcflag_t>(CREAD | CLOCAL);
    settings.c_iflag &= ~static_cast<tcflag_t>(IXOFF | IXANY);
}

Result<void> make_link(const std::string& device, const std::string& link) {
    struct stat there {};
    if (::lstat(link.c_str(), &there) == 0) {
        if (!S_ISLNK(there.st_mode)) {
            return refuse(link + " is there already and is no link; name another folder or take it away");
        }
        ::unlink(link.c_str());
    }
    if (::symlink(device.c_str(), link.c_str()) != 0) {
        return refuse("cannot make the link " + link + "; the folder must be there and be writable");
    }
    return {};
}

}  // namespace

Result<Pty> Pty::open(const std::string& link) {
    Pty pty;
    pty.fd_ = ::posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC | O_NONBLOCK);
    std::array<char, 128> name{};
    if (pty.fd_ < 0 || ::grantpt(pty.fd_) != 0 || ::unlockpt(pty.fd_) != 0 ||
        ::ptsname_r(pty.fd_, name.data(), name.size()) != 0) {
        return refuse("the system gives no pseudo-terminal for " + link);
    }
    pty.device_ = name.data();
    // Opened and closed once, so that from now on it tells whether anybody has it open.
    const int slave = ::open(pty.device_.c_str(), O_RDWR | O_NOCTTY | O_CLOEXEC);
    termios settings{};
    const bool raw = slave >= 0 && ::tcgetattr(slave, &settings) == 0 &&
                     (make_raw(settings), ::tcsetattr(slave, TCSANOW, &settings) == 0);
    if (slave >= 0) {
        ::close(slave);
    }
    if (!raw) {
        return refuse("the pseudo-terminal " + pty.device_ + " cannot be made raw");
    }
    if (auto made = make_link(pty.device_, link); !made) {
        return tl::unexpected(made.error());
    }
    pty.link_ = link;
    return pty;
}

Pty::Pty(Pty&& other) noexcept {
    *this = std::move(other);
}

Pty& Pty::operator=(Pty&& other) noexcept {
    std::swap(fd_, other.fd_);
    std::swap(device_, other.device_);
    std::swap(link_, other.link_);
    std::swap(opened_, other.opened_);
    std::swap(read_, other.read_);
    std::swap(written_, other.written_);
    std::swap(last_total_, other.last_total_);
    std::swap(last_read_, other.last_read_);
    return *this;
}

Pty::~Pty() {
    if (!link_.empty()) {
        ::unlink(link_.c_str());
    }
    if (fd_ >= 0) {
        ::close(fd_);
    }
}

bool Pty::look() {
    pollfd state{fd_, POLLIN, 0};
    (void)::poll(&state, 1, 0);
    const bool open = (state.revents & POLLHUP) == 0 || (state.revents & POLLIN) != 0;
    if (open && !opened_) {
        read_ = written_ = last_total_ = last_read_ = 0;
    }
    opened_ = open;
    return opened_;
}

std::string Pty::read(std::size_t most) {
    std::array<char, 4096> bytes{};
    const ssize_t count = ::read(fd_, bytes.data(), std::min(most, bytes.size()));
    if (count <= 0) {
        return {};  // nothing, or nobody has it open any more: look() tells
    }
    read_ += static_cast<std::uint64_t>(count);
    return {bytes.data(), static_cast<std::size_t>(count)};
}

// Who names fewer bytes than before, or none, has opened it anew, even if nobody saw it closed in between.
bool Pty::read_until(std::uint64_t total, std::string& bytes) {
    (void)look();
    if (total == 0) {
        read_ = written_ = last_read_ = 0;
    } else if (total < last_total_) {
        read_ -= last_read_;
        written_ = 0;
    }
    while (read_ < total && opened_) {  // nothing comes from one who has closed it
        const std::string more = read(static_cast<std::size_t>(total - read_));
        bytes += more;
        pollfd state{fd_, POLLIN, 0};
        if (more.empty() && ::poll(&state, 1, patience) == 0) {
            break;
        }
        if (more.empty()) {
            (void)look();
        }
    }
    const bool all = read_ >= total || !opened_;
    last_total_ = total;
    last_read_ = read_;
    return all;
}

void Pty::write(std::string_view bytes) {
    if (!look()) {
        return;
    }
    const ssize_t count = ::write(fd_, bytes.data(), bytes.size());
    written_ += count > 0 ? static_cast<std::uint64_t>(count) : 0U;
}

}  // namespace slowfilm::sim::instrument
