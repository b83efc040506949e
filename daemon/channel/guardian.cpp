#include "daemon/channel/guardian.hpp"

#include "daemon/channel/guardian_message.hpp"
#include "daemon/channel/guardian_watch.hpp"

#include <cerrno>
#include <csignal>
#include <system_error>
#include <utility>

#include <poll.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

namespace slowfilm::channel {

Result<void> can_keep(const OffFrames& frames) {
    const Result<std::string> message = encode_keep(0, frames);
    return message ? Result<void>{} : fail(Failure::bad_config, message.error().message);
}

Result<Guardian> Guardian::start() {
    int ends[2] = {-1, -1};
    if (::socketpair(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0, ends) != 0) {
        return fail(Failure::internal,
                    "the guardian's socket cannot be made: " + std::generic_category().message(errno));
    }
    // A signal that comes before the child ignores it must not end it.
    sigset_t all{};
    sigset_t before{};
    ::sigfillset(&all);
    ::sigprocmask(SIG_SETMASK, &all, &before);
    const pid_t process = ::fork();
    const int error = errno;
    if (process == 0) {
        watch_until_death(ends[1], before);
    }
    ::sigprocmask(SIG_SETMASK, &before, nullptr);
    if (process < 0) {
        ::close(ends[0]);
        ::close(ends[1]);
        return fail(Failure::internal,
                    "the guardian's process cannot be made: " + std::generic_category().message(error));
    }
    ::close(ends[1]);
    return Guardian(ends[0], process);
}

Guardian::Guardian(Guardian&& other) noexcept
    : socket_(std::exchange(other.socket_, -1)), process_(std::exchange(other.process_, -1)) {}

Guardian& Guardian::operator=(Guardian&& other) noexcept {
    if (this != &other) {
        let_go();
        socket_ = std::exchange(other.socket_, -1);
        process_ = std::exchange(other.process_, -1);
    }
    return *this;
}

Guardian::~Guardian() {
    let_go();
}

void Guardian::let_go() {
    if (socket_ >= 0) {
        ::close(std::exchange(socket_, -1));
    }
    if (process_ > 0) {
        while (::waitpid(std::exchange(process_, -1), nullptr, 0) < 0 && errno == EINTR) {
        }
    }
}

Result<void> Guardian::keep(std::uint32_t port, int descriptor, const OffFrames& frames) {
    const Result<std::string> message = encode_keep(port, frames);
    if (!message) {
        return tl::unexpected(message.error());
    }
    if (!send_message(socket_, *message, descriptor)) {
        return fail(Failure::internal,
                    "the process that switches outputs off when this one dies is gone; start the daemon again");
    }
    return {};
}

void Guardian::forget(std::uint32_t port) {
    static_cast<void>(send_message(socket_, encode_forget(port), -1));  // one that is gone has forgotten
}

void Guardian::release() {
    static_cast<void>(send_message(socket_, encode_release(), -1));
    let_go();
}

bool Guardian::alive() const {
    pollfd end{.fd = socket_, .events = POLLIN, .revents = 0};
    return socket_ >= 0 && ::poll(&end, 1, 0) == 0;  // it never sends: anything that is there is its end
}

}  // namespace slowfilm::channel
