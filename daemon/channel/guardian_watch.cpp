#include "daemon/channel/guardian_watch.hpp"

#include "daemon/channel/guardian_message.hpp"

#include <algorithm>
#include <array>
#include <cerrno>
#include <chrono>
#include <csignal>
#include <cstring>
#include <utility>
#include <vector>

#include <fcntl.h>
#include <poll.h>
#include <sys/ioctl.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <unistd.h>

namespace slowfilm::channel {
namespace {

using WallClock = std::chrono::steady_clock;

constexpr std::chrono::seconds patience{5};           // then what is stuck is left
constexpr std::chrono::milliseconds drain_most{200};  // for what was written to leave: 200 bytes at 9600 baud
constexpr int look_again_ms = 2;

struct Kept {
    std::uint32_t port{0};
    int descriptor{-1};
    OffFrames off;
};

// One port's way through its frames.
class Writer {
  public:
    explicit Writer(Kept kept) : kept_(std::move(kept)), rest_(kept_.off.line_end) {}

    [[nodiscard]] bool through() const { return rest_.empty() && next_ == kept_.off.frames.size(); }
    void go_on(WallClock::time_point now) {
        if (rest_.empty()) {
            if (!left(now) || now < not_before_ || through()) {
                return;
            }
            rest_ = kept_.off.frames[next_++];
        }
        const ssize_t written = ::write(kept_.descriptor, rest_.data(), rest_.size());
        if (written > 0) {
            rest_.erase(0, static_cast<std::size_t>(written));
            wrote_ = now;
            not_before_ = now + std::chrono::microseconds(kept_.off.pause.count);
        } else if (errno != EAGAIN && errno != EINTR) {
            rest_.clear();  // the port is gone
            next_ = kept_.off.frames.size();
        }
    }

  private:
    [[nodiscard]] bool left(WallClock::time_point now) const {
        int waiting = 0;
        return ::ioctl(kept_.descriptor, TIOCOUTQ, &waiting) != 0 || waiting == 0 || now - wrote_ > drain_most;
    }

    Kept kept_;
    std::string rest_;
    std::size_t next_{0};
    WallClock::time_point wrote_, not_before_;
};

void write_all(std::vector<Kept> kept) {
    std::vector<Writer> writers;
    for (Kept& port : kept) {
        // The descriptor is the daemon's: it may have been left blocking.
        ::fcntl(port.descriptor, F_SETFL, ::fcntl(port.descriptor, F_GETFL) | O_NONBLOCK);
        writers.emplace_back(std::move(port));
    }
    const WallClock::time_point end = WallClock::now() + patience;
    for (;;) {
        const WallClock::time_point now = WallClock::now();
        for (Writer& writer : writers) {
            writer.go_on(now);
        }
        const bool all = std::all_of(writers.begin(), writers.end(), [](const Writer& w) { return w.through(); });
        if (all || now > end) {
            return;
        }
        ::poll(nullptr, 0, look_again_ms);
    }
}

class Watch {
  public:
    explicit Watch(int socket) : socket_(socket) {}

    // True: the frames are to be written.
    bool wait() {
        for (;;) {
            std::array<char, message_bytes_most> bytes{};
            int descriptor = -1;
            const ssize_t got = receive(bytes, descriptor);
            if (got <= 0) {
                return true;
            }
            const auto message = decode_message({bytes.data(), static_cast<std::size_t>(got)});
            if (message && message->kind == GuardMessage::Kind::release) {
                return false;
            }
            take(message, descriptor);
        }
    }
    std::vector<Kept> all() { return std::move(kept_); }

  private:
    ssize_t receive(std::array<char, message_bytes_most>& bytes, int& descriptor) const {
        iovec part{.iov_base = bytes.data(), .iov_len = bytes.size()};
        alignas(cmsghdr) std::array<char, CMSG_SPACE(sizeof(int))> control{};
        msghdr message{};
        message.msg_iov = &part;
        message.msg_iovlen = 1;
        message.msg_control = control.data();
        message.msg_controllen = control.size();
        ssize_t got = 0;
        do {
            got = ::recvmsg(socket_, &message, MSG_CMSG_CLOEXEC);
        } while (got < 0 && errno == EINTR);
        const cmsghdr* header = got > 0 ? CMSG_FIRSTHDR(&message) : nullptr;
        if (header != nullptr && header->cmsg_type == SCM_RIGHTS) {
            std::memcpy(&descriptor, CMSG_DATA(header), sizeof descriptor);
        }
        return got;
    }

    void take(const std::optional<GuardMessage>& message, int descriptor) {
        if (message) {
            drop(message->port);
        }
        if (message && message->kind == GuardMessage::Kind::keep && descriptor >= 0) {
            kept_.push_back({message->port, descriptor, message->off});
        } else if (descriptor >= 0) {
            ::close(descriptor);
        }
    }

    void drop(std::uint32_t port) {
        const auto found = std::find_if(kept_.begin(), kept_.end(), [&](const Kept& k) { return k.port == port; });
        if (found != kept_.end()) {
            ::close(found->descriptor);
            kept_.erase(found);
        }
    }

    int socket_;
    std::vector<Kept> kept_;
};

}  // namespace

void watch_until_death(int socket, const sigset_t& mask) {
    // A Ctrl-C at the terminal and the supervisor's stop are for the daemon.
    for (const int signal : {SIGINT, SIGTERM, SIGHUP, SIGQUIT, SIGPIPE}) {
        std::signal(signal, SIG_IGN);
    }
    ::sigprocmask(SIG_SETMASK, &mask, nullptr);
    ::setsid();
    ::prctl(PR_SET_NAME, "slowfilm-guard");
    // Whatever the daemon holds open besides is not held open by us.
    const int kept = ::fcntl(socket, F_DUPFD_CLOEXEC, STDERR_FILENO + 1);
    for (int descriptor = STDERR_FILENO + 1; descriptor < 1'024; ++descriptor) {
        if (descriptor != kept) {
            ::close(descriptor);
        }
    }
    Watch watch(kept);
    if (watch.wait()) {
        write_all(watch.all());
    }
    ::_exit(0);
}

}  // namespace slowfilm::channel
