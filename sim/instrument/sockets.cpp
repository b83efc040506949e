#include "sim/instrument/sockets.hpp"

#include <array>
#include <cerrno>
#include <cstring>

#include <fcntl.h>
#include <poll.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

namespace slowfilm::sim::instrument {

namespace {

constexpr std::size_t line_most = 65'536;
constexpr int patience = 5'000;  // ms for a client that does not take its answer

int unix_socket() {
    return ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
}

bool somebody_listens(const sockaddr_un& address) {
    const Descriptor probe{unix_socket()};
    return ::connect(probe.get(), reinterpret_cast<const sockaddr*>(&address), sizeof address) == 0;
}

// All of it, or the client is gone.
bool send_all(int socket, std::string_view bytes) {
    while (!bytes.empty()) {
        const ssize_t sent = ::send(socket, bytes.data(), bytes.size(), MSG_NOSIGNAL);
        if (sent > 0) {
            bytes.remove_prefix(static_cast<std::size_t>(sent));
            continue;
        }
        pollfd room{socket, POLLOUT, 0};
        if (errno != EAGAIN || ::poll(&room, 1, patience) <= 0) {
            return false;
        }
    }
    return true;
}

}  // namespace

Descriptor::~Descriptor() {
    if (fd_ >= 0) {
        ::close(fd_);
    }
}

LineServer::LineServer(LineServer&& other) noexcept {
    *this = std::move(other);
}

LineServer& LineServer::operator=(LineServer&& other) noexcept {
    std::swap(path_, other.path_);
    std::swap(socket_, other.socket_);
    std::swap(most_, other.most_);
    std::swap(connected_, other.connected_);
    std::swap(accepted_, other.accepted_);
    return *this;
}

LineServer::~LineServer() {
    if (!path_.empty()) {
        ::unlink(path_.c_str());
    }
}

Result<LineServer> LineServer::listen(const std::string& path, std::size_t clients) {
    sockaddr_un address{};
    address.sun_family = AF_UNIX;
    if (path.size() >= sizeof address.sun_path) {
        return fail(Failure::bad_config,
                    "the socket's path " + path + " is longer than the 107 bytes that one may have");
    }
    std::memcpy(address.sun_path, path.data(), path.size());
    if (somebody_listens(address)) {
        return fail(Failure::try_again, "another program listens at " + path + "; end it, or name another folder");
    }
    ::unlink(path.c_str());
    LineServer server;
    server.socket_ = Descriptor{unix_socket()};
    if (!server.socket_.there() ||
        ::bind(server.socket_.get(), reinterpret_cast<const sockaddr*>(&address), sizeof address) != 0 ||
        ::listen(server.socket_.get(), 8) != 0) {
        return fail(Failure::cannot_create, "cannot make the socket " + path + ": " + std::strerror(errno));
    }
    server.path_ = path;
    server.most_ = clients;
    return server;
}

std::vector<int> LineServer::descriptors() const {
    std::vector<int> all{socket_.get()};
    for (const Client& client : connected_) {
        all.push_back(client.socket.get());
    }
    return all;
}

void LineServer::accept_all() {
    while (true) {
        Descriptor socket{::accept4(socket_.get(), nullptr, nullptr, SOCK_CLOEXEC | SOCK_NONBLOCK)};
        if (!socket.there()) {
            return;
        }
        if (connected_.size() < most_) {
            connected_.push_back({std::move(socket), {}});
            ++accepted_;
        } else {
            (void)send_all(socket.get(), "error: as many are connected as may be at a time\n");
        }
    }
}

// False when the client has gone.
bool LineServer::read_from(Client& client, const std::function<std::string(std::string_view)>& answer) {
    std::array<char, 4096> bytes{};
    while (true) {
        const ssize_t count = ::recv(client.socket.get(), bytes.data(), bytes.size(), 0);
        if (count < 0) {
            return errno == EAGAIN || errno == EINTR;
        }
        if (count == 0) {
            return false;
        }
        client.text.append(bytes.data(), static_cast<std::size_t>(count));
        std::size_t begin = 0;
        for (std::size_t end = client.text.find('\n'); end != std::string::npos; end = client.text.find('\n', begin)) {
            if (!send_all(client.socket.get(), answer(std::string_view{client.text}.substr(begin, end - begin)))) {
                return false;
            }
            begin = end + 1;
        }
        client.text.erase(0, begin);
        if (client.text.size() > line_most) {
            (void)send_all(client.socket.get(), "error: a line has 65536 bytes at most\n");
            return false;
        }
    }
}

void LineServer::serve(const std::function<std::string(std::string_view)>& answer) {
    const auto gone = [&](Client& client) { return !read_from(client, answer); };
    std::erase_if(connected_, gone);  // before others are turned away
    accept_all();
    std::erase_if(connected_, gone);
}

}  // namespace slowfilm::sim::instrument
