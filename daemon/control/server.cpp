#include "daemon/control/server.hpp"

#include "daemon/control/events.hpp"
#include "daemon/control/rpc.hpp"
#include "daemon/control/session.hpp"
#include "daemon/core/text.hpp"

#include <algorithm>
#include <boost/asio/buffer.hpp>
#include <boost/asio/local/stream_protocol.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/system/system_error.hpp>
#include <cerrno>
#include <chrono>
#include <cstring>
#include <filesystem>
#include <optional>
#include <set>
#include <system_error>
#include <utility>

#include <fcntl.h>
#include <sys/file.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

namespace slowfilm::control {

namespace asio = boost::asio;
namespace json = boost::json;
using Protocol = asio::local::stream_protocol;

namespace {

std::string reason(int error) {
    return std::generic_category().message(error);
}

// A descriptor that closes itself.
class Descriptor {
  public:
    explicit Descriptor(int value = -1) : value_{value} {}
    ~Descriptor() { reset(); }
    Descriptor(Descriptor&& other) noexcept : value_{std::exchange(other.value_, -1)} {}
    Descriptor& operator=(Descriptor&& other) noexcept {
        reset();
        value_ = std::exchange(other.value_, -1);
        return *this;
    }
    Descriptor(const Descriptor&) = delete;
    Descriptor& operator=(const Descriptor&) = delete;
    [[nodiscard]] int get() const { return value_; }

  private:
    void reset() {
        if (value_ >= 0) {
            ::close(value_);
        }
        value_ = -1;
    }
    int value_;
};

Result<void> check_path(const std::string& path) {
    if (path.empty()) {
        return fail(Failure::bad_config, "the control socket has no path");
    }
    if (path.size() > socket_path_max) {
        return fail(Failure::bad_config, "the control socket's path has " + std::to_string(path.size()) +
                                             " bytes; the system takes at most " + std::to_string(socket_path_max) +
                                             ": " + escaped(path));
    }
    return {};
}

Result<void> make_directory(const std::string& socket_path) {
    const std::filesystem::path directory = std::filesystem::path{socket_path}.parent_path();
    std::error_code error;
    if (directory.empty() || std::filesystem::is_directory(directory, error)) {
        return {};
    }
    if (directory.has_parent_path()) {
        std::filesystem::create_directories(directory.parent_path(), error);
    }
    // chmod besides, for the umask may take bits away.
    if (::mkdir(directory.c_str(), 0750) != 0 || ::chmod(directory.c_str(), 0750) != 0) {
        return fail(Failure::cannot_create,
                    "cannot make the control socket's directory " + escaped(directory.string()) + ": " + reason(errno));
    }
    return {};
}

// Held as long as the server lives, so that of two daemons starting at once only one looks at the socket file at all.
Result<Descriptor> lock_beside(const std::string& socket_path) {
    const std::string path = socket_path + ".lock";
    Descriptor lock{::open(path.c_str(), O_RDWR | O_CREAT | O_CLOEXEC | O_NOFOLLOW, 0640)};
    if (lock.get() < 0) {
        return fail(Failure::cannot_create, "cannot make " + escaped(path) + ": " + reason(errno));
    }
    if (::flock(lock.get(), LOCK_EX | LOCK_NB) != 0) {
        return fail(Failure::try_again, "another daemon listens on " + escaped(socket_path) +
                                            "; stop it first, or give this one another socket");
    }
    return lock;
}

// Only a socket that refuses a connection is a leftover.
Result<void> clear_stale(const std::string& path) {
    struct stat found {};
    if (::lstat(path.c_str(), &found) != 0) {
        return {};
    }
    if (!S_ISSOCK(found.st_mode)) {
        return fail(Failure::bad_config,
                    escaped(path) + " is there and is not a socket; it is left alone: give the daemon another path");
    }
    Descriptor probe{::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0)};
    sockaddr_un address{};
    address.sun_family = AF_UNIX;
    std::memcpy(static_cast<char*>(address.sun_path), path.data(), path.size());
    const int connected = ::connect(probe.get(), reinterpret_cast<const sockaddr*>(&address), sizeof address);
    if (connected == 0 || errno != ECONNREFUSED) {
        return fail(Failure::try_again,
                    "another daemon listens on " + escaped(path) + "; stop it first, or give this one another socket");
    }
    if (::unlink(path.c_str()) != 0) {
        return fail(Failure::cannot_create, "cannot remove the old socket " + escaped(path) + ": " + reason(errno));
    }
    return {};
}

std::optional<Peer> peer_of(int socket) {
    ucred credentials{};
    socklen_t size = sizeof credentials;
    if (::getsockopt(socket, SOL_SOCKET, SO_PEERCRED, &credentials, &size) != 0) {
        return std::nullopt;
    }
    return Peer{.uid = credentials.uid, .gid = credentials.gid, .pid = credentials.pid};
}

}  // namespace

struct Server::State : std::enable_shared_from_this<Server::State> {
    State(asio::io_context& context, ServerOptions options, Handler handler)
        : io{context},
          acceptor{context},
          pause{context},
          house{std::make_shared<Session::House>(Session::House{
              .options = std::move(options), .handler = std::move(handler), .events = EventLog{1}, .left = {}})} {
        house->events = EventLog{house->options.events_kept_max};
    }

    Result<void> listen();
    void accept();
    void accept_later();
    void admit(Protocol::socket socket);
    void close();

    asio::io_context& io;
    Protocol::acceptor acceptor;
    asio::steady_timer pause;
    std::shared_ptr<Session::House> house;
    std::set<std::shared_ptr<Session>> sessions;
    Descriptor lock;
    struct stat socket_file {};
    bool closed{false};
};

Result<void> Server::State::listen() {
    const std::string& path = house->options.path;
    try {
        acceptor.open();
        acceptor.bind(Protocol::endpoint{path});
        acceptor.listen(asio::socket_base::max_listen_connections);
    } catch (const boost::system::system_error& error) {
        return fail(Failure::cannot_create,
                    "cannot make the control socket " + escaped(path) + ": " + error.code().message());
    }
    // Who may enter the directory may speak; who may do what is decided per request.
    if (::chmod(path.c_str(), 0660) != 0 || ::lstat(path.c_str(), &socket_file) != 0) {
        return fail(Failure::cannot_create, "cannot set the mode of " + escaped(path) + ": " + reason(errno));
    }
    house->left = [weak = weak_from_this()](const std::shared_ptr<Session>& session) {
        if (const auto state = weak.lock()) {
            state->sessions.erase(session);
        }
    };
    accept();
    return {};
}

void Server::State::accept() {
    acceptor.async_accept([self = shared_from_this()](const boost::system::error_code& error, Protocol::socket socket) {
        if (self->closed) {
            return;
        }
        if (error && error != asio::error::connection_aborted) {
            self->accept_later();  // out of descriptors: the waiting connection would come back at once, for ever
            return;
        }
        if (!error) {
            self->admit(std::move(socket));
        }
        self->accept();
    });
}

void Server::State::accept_later() {
    pause.expires_after(std::chrono::milliseconds{100});
    pause.async_wait([self = shared_from_this()](const boost::system::error_code& error) {
        if (!error && !self->closed) {
            self->accept();
        }
    });
}

void Server::State::admit(Protocol::socket socket) {
    const auto peer = peer_of(socket.native_handle());
    if (!peer) {
        return;
    }
    boost::system::error_code ignored;
    socket.non_blocking(true, ignored);
    // A new client may be the one who says pause: it is always let in, and the one least missed goes instead.
    while (!sessions.empty() && sessions.size() >= house->options.clients_max) {
        const std::shared_ptr<Session> least_missed =
            *std::min_element(sessions.begin(), sessions.end(),
                              [](const auto& a, const auto& b) { return a->keep_rank() < b->keep_rank(); });
        least_missed->let_go();
        sessions.erase(least_missed);
    }
    auto session = std::make_shared<Session>(std::move(socket), *peer, house);
    sessions.insert(session);
    session->start();
}

void Server::State::close() {
    if (closed) {
        return;
    }
    closed = true;
    boost::system::error_code ignored;
    acceptor.close(ignored);
    pause.cancel();
    house->left = {};
    for (const auto& session : std::exchange(sessions, {})) {
        session->close();
    }
    // The file may be another daemon's by now, if someone removed ours by hand.
    struct stat now {};
    const std::string& path = house->options.path;
    if (socket_file.st_ino != 0 && ::lstat(path.c_str(), &now) == 0 && now.st_ino == socket_file.st_ino &&
        now.st_dev == socket_file.st_dev) {
        ::unlink(path.c_str());
    }
    lock = Descriptor{};
}

Result<std::unique_ptr<Server>> Server::open(asio::io_context& io, ServerOptions options, Handler handler) {
    const std::string path = options.path;
    if (auto good = check_path(path); !good) {
        return tl::unexpected{good.error()};
    }
    if (auto made = make_directory(path); !made) {
        return tl::unexpected{made.error()};
    }
    auto lock = lock_beside(path);
    if (!lock) {
        return tl::unexpected{lock.error()};
    }
    if (auto cleared = clear_stale(path); !cleared) {
        return tl::unexpected{cleared.error()};
    }
    auto state = std::make_shared<State>(io, std::move(options), std::move(handler));
    state->lock = std::move(*lock);
    std::unique_ptr<Server> server{new Server{state}};
    if (auto listening = state->listen(); !listening) {
        return tl::unexpected{listening.error()};
    }
    return server;
}

Server::Server(std::shared_ptr<State> state) : state_{std::move(state)} {}

Server::~Server() {
    close();
}

std::uint64_t Server::publish(json::object event) {
    const std::uint64_t sequence = state_->house->events.add(std::move(event));
    // A session that fails leaves the set while it is told.
    for (auto next = state_->sessions.begin(); next != state_->sessions.end();) {
        const auto session = *next;
        ++next;
        session->event_published();
    }
    return sequence;
}

std::uint64_t Server::last_event() const {
    return state_->house->events.last();
}

std::size_t Server::clients() const {
    return state_->sessions.size();
}

void Server::close() {
    state_->close();
}

}  // namespace slowfilm::control
