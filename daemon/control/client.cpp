#include "daemon/control/client.hpp"

#include "daemon/control/rpc.hpp"
#include "daemon/control/server.hpp"
#include "daemon/core/json.hpp"
#include "daemon/core/text.hpp"

#include <algorithm>
#include <array>
#include <cerrno>
#include <cstring>
#include <system_error>
#include <utility>

#include <poll.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

namespace slowfilm::control {

namespace json = boost::json;
using Clock = std::chrono::steady_clock;

namespace {

constexpr std::size_t answer_bytes_max = 64U << 20U;

std::string reason(int error) {
    return std::generic_category().message(error);
}

Error cannot_connect(const std::string& path, int error) {
    const std::string where = escaped(path);
    if (error == EACCES || error == EPERM) {
        return {Failure::not_allowed, "this user may not open the control socket " + where};
    }
    if (error == EAGAIN) {
        return {Failure::try_again, "the daemon on " + where + " is too busy to take a connection; try again"};
    }
    return {Failure::no_daemon, "no daemon listens on " + where + " (" + reason(error) +
                                    "); start slowfilmd, or name its socket with --socket"};
}

Error closed_by_daemon(const std::string& path) {
    return {Failure::no_daemon, "the daemon on " + escaped(path) + " closed the connection"};
}

Result<int> open_socket(const std::string& path) {
    if (path.empty() || path.size() > socket_path_max) {
        return fail(Failure::bad_config, "the control socket's path has " + std::to_string(path.size()) +
                                             " bytes; the system takes 1 to " + std::to_string(socket_path_max));
    }
    const int socket = ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (socket < 0) {
        return fail(Failure::internal, "cannot make a socket: " + reason(errno));
    }
    // Bounds both the connect and every send to a daemon that does not read.
    timeval patience{};
    patience.tv_sec = 30;
    ::setsockopt(socket, SOL_SOCKET, SO_SNDTIMEO, &patience, sizeof patience);
    sockaddr_un address{};
    address.sun_family = AF_UNIX;
    std::memcpy(static_cast<char*>(address.sun_path), path.data(), path.size());
    if (::connect(socket, reinterpret_cast<const sockaddr*>(&address), sizeof address) != 0) {
        const int error = errno;
        ::close(socket);
        return tl::unexpected{cannot_connect(path, error)};
    }
    return socket;
}

Error error_of(const json::value& value) {
    const json::object* const error = value.if_object();
    std::int64_t code = 0;
    std::string message = "the daemon refused without saying why";
    if (error != nullptr) {
        if (const json::value* number = error->if_contains("code"); number != nullptr && number->is_int64()) {
            code = number->get_int64();
        }
        if (const json::value* text = error->if_contains("message"); text != nullptr && text->is_string()) {
            message = std::string{std::string_view{text->get_string()}};
        }
    }
    return {failure_of(code), message};
}

std::uint64_t number_in(const json::object& object, std::string_view key) {
    const json::value* const value = object.if_contains(key);
    boost::system::error_code error;
    const std::uint64_t number = value != nullptr && value->is_number() ? value->to_number<std::uint64_t>(error) : 0;
    return error ? 0 : number;
}

std::string_view text_in(const json::object& object, std::string_view key) {
    const json::value* const value = object.if_contains(key);
    return value != nullptr && value->is_string() ? std::string_view{value->get_string()} : std::string_view{};
}

}  // namespace

Failure failure_of(std::int64_t code) {
    if (code == static_cast<std::int64_t>(RpcCode::method_not_found) ||
        code == static_cast<std::int64_t>(RpcCode::invalid_params) ||
        code == static_cast<std::int64_t>(RpcCode::invalid_request)) {
        return Failure::usage;
    }
    for (const Failure failure : {Failure::usage, Failure::bad_data, Failure::no_input, Failure::no_daemon,
                                  Failure::internal, Failure::cannot_create, Failure::cannot_write, Failure::try_again,
                                  Failure::not_allowed, Failure::bad_config}) {
        if (code == exit_code(failure)) {
            return failure;
        }
    }
    return Failure::internal;
}

Client::Client(int socket, std::string path) : socket_{socket}, path_{std::move(path)} {}

Client::~Client() {
    if (socket_ >= 0) {
        ::close(socket_);
    }
}

Client::Client(Client&& other) noexcept
    : socket_{std::exchange(other.socket_, -1)},
      path_{std::move(other.path_)},
      received_{std::move(other.received_)},
      next_id_{other.next_id_},
      patience_{other.patience_} {}

Client& Client::operator=(Client&& other) noexcept {
    std::swap(socket_, other.socket_);
    std::swap(path_, other.path_);
    std::swap(received_, other.received_);
    std::swap(next_id_, other.next_id_);
    std::swap(patience_, other.patience_);
    return *this;
}

Result<Client> Client::connect(const std::string& path) {
    auto socket = open_socket(path);
    if (!socket) {
        return tl::unexpected{socket.error()};
    }
    return Client{*socket, path};
}

Result<void> Client::reconnect() {
    auto socket = open_socket(path_);
    if (!socket) {
        return tl::unexpected{socket.error()};
    }
    ::close(std::exchange(socket_, *socket));
    received_.clear();
    return {};
}

Result<void> Client::send_line(std::string_view line) {
    while (!line.empty()) {
        const ssize_t count = ::send(socket_, line.data(), line.size(), MSG_NOSIGNAL);
        if (count < 0 && errno == EINTR) {
            continue;
        }
        if (count < 0 && errno == EAGAIN) {
            return fail(Failure::try_again, "the daemon on " + escaped(path_) + " takes no requests; try again");
        }
        if (count < 0) {
            return {};  // closed at the other end: its last word, which says why, may still be there to read
        }
        line.remove_prefix(static_cast<std::size_t>(count));
    }
    return {};
}

Result<json::object> Client::next_object(std::optional<Clock::time_point> deadline) {
    std::size_t scanned = 0;
    for (;;) {
        if (const std::size_t newline = received_.find('\n', scanned); newline != std::string::npos) {
            auto value = parse_json(std::string_view{received_}.substr(0, newline));
            received_.erase(0, newline + 1);
            if (!value || !value->is_object()) {
                return fail(Failure::internal,
                            "the daemon on " + escaped(path_) + " sent a line that is no JSON object");
            }
            return std::move(value->get_object());
        }
        scanned = received_.size();
        if (scanned > answer_bytes_max) {
            return fail(Failure::internal, "the daemon on " + escaped(path_) + " sent a line without end");
        }
        int wait = -1;
        if (deadline) {
            const auto left = std::chrono::ceil<std::chrono::milliseconds>(*deadline - Clock::now()).count();
            wait = static_cast<int>(std::clamp<std::int64_t>(left, 0, 3'600'000));
        }
        pollfd ready{.fd = socket_, .events = POLLIN, .revents = 0};
        const int polled = ::poll(&ready, 1, wait);
        if (polled == 0) {
            return fail(Failure::try_again, "the daemon on " + escaped(path_) + " did not answer within " +
                                                std::to_string(patience_.count()) + " ms; try again");
        }
        if (polled < 0) {
            continue;  // a signal
        }
        std::array<char, 65'536> chunk{};
        const ssize_t count = ::recv(socket_, chunk.data(), chunk.size(), 0);
        if (count < 0 && errno == EINTR) {
            continue;
        }
        if (count <= 0) {
            return tl::unexpected{closed_by_daemon(path_)};
        }
        received_.append(chunk.data(), static_cast<std::size_t>(count));
    }
}

Result<json::value> Client::call(std::string_view method, const json::object& params) {
    const std::uint64_t id = next_id_++;
    if (auto sent = send_line(request_line(id, method, params)); !sent) {
        return tl::unexpected{sent.error()};
    }
    const auto deadline = Clock::now() + patience_;
    for (;;) {
        auto object = next_object(deadline);
        if (!object) {
            return tl::unexpected{object.error()};
        }
        const json::value* const answer_id = object->if_contains("id");
        if (answer_id == nullptr || (answer_id->is_number() && number_in(*object, "id") != id)) {
            continue;  // a notification, or an answer that came too late for an earlier call
        }
        if (const json::value* error = object->if_contains("error")) {
            return tl::unexpected{error_of(*error)};
        }
        json::value* const result = object->if_contains("result");
        if (result == nullptr) {
            return fail(Failure::internal,
                        "the daemon on " + escaped(path_) + " answered with neither result nor error");
        }
        return std::move(*result);
    }
}

Result<void> Client::follow(std::optional<std::uint64_t> since, const Follower& follower) {
    for (;;) {
        auto again = follow_once(since, follower);
        if (!again) {
            return tl::unexpected{again.error()};
        }
        if (!*again) {
            return {};
        }
        if (auto back = reconnect(); !back) {
            return back;
        }
    }
}

// True: dropped; come back from `since`, which is the last number seen. False: the follower has had enough.
Result<bool> Client::follow_once(std::optional<std::uint64_t>& since, const Follower& follower) {
    json::object params;
    if (since) {
        params["since"] = *since;
    }
    auto subscribed = call("subscribe", params);
    if (!subscribed) {
        return tl::unexpected{subscribed.error()};
    }
    if (const json::object* answer = subscribed->if_object()) {
        since = number_in(*answer, "since");
        if (const std::uint64_t count = number_in(*answer, "missed"); count > 0 && follower.missed) {
            follower.missed(count);
        }
    }
    if (follower.subscribed && !follower.subscribed(since.value_or(0))) {
        return false;
    }
    for (;;) {
        auto object = next_object(std::nullopt);
        if (!object) {
            return tl::unexpected{object.error()};
        }
        const std::string_view method = text_in(*object, "method");
        if (method == "dropped") {
            return true;
        }
        const json::value* const event = object->if_contains("params");
        if (method != "event" || event == nullptr || !event->is_object()) {
            continue;
        }
        since = number_in(event->get_object(), "sequence");
        if (!follower.event(event->get_object())) {
            return false;
        }
    }
}

}  // namespace slowfilm::control
