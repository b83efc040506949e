// A control server on its own thread in a folder of its own, and a raw client that sends whatever bytes a test wants.
#pragma once

#include "daemon/control/server.hpp"
#include "daemon/core/json.hpp"

#include <array>
#include <boost/asio/executor_work_guard.hpp>
#include <boost/asio/post.hpp>
#include <cstdlib>
#include <cstring>
#include <filesystem>
#include <future>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <thread>
#include <type_traits>
#include <utility>

#include <gtest/gtest.h>
#include <poll.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

namespace slowfilm::control {

namespace json = boost::json;

class Folder {
  public:
    Folder() {
        std::string pattern = "/tmp/slowfilm-control-XXXXXX";
        path_ = ::mkdtemp(pattern.data());
    }
    ~Folder() {
        std::error_code ignored;
        std::filesystem::remove_all(path_, ignored);
    }
    Folder(const Folder&) = delete;
    Folder& operator=(const Folder&) = delete;
    [[nodiscard]] std::string operator/(std::string_view name) const { return path_ + "/" + std::string{name}; }

  private:
    std::string path_;
};

// A socket that a test writes bytes to and reads lines from. Reads wait at most a minute: only a hung server takes that
// long.
class RawClient {
  public:
    explicit RawClient(const std::string& path) {
        socket_ = ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
        sockaddr_un address{};
        address.sun_family = AF_UNIX;
        std::memcpy(address.sun_path, path.data(), path.size());
        connected_ = ::connect(socket_, reinterpret_cast<const sockaddr*>(&address), sizeof address) == 0;
    }
    ~RawClient() { close(); }
    RawClient(const RawClient&) = delete;
    RawClient& operator=(const RawClient&) = delete;

    [[nodiscard]] bool connected() const { return connected_; }
    void close() {
        if (socket_ >= 0) {
            ::close(std::exchange(socket_, -1));
        }
    }
    void no_more() { ::shutdown(socket_, SHUT_WR); }

    // False when the other end has closed.
    bool send(std::string_view bytes) {
        while (!bytes.empty()) {
            const ssize_t count = ::send(socket_, bytes.data(), bytes.size(), MSG_NOSIGNAL);
            if (count <= 0) {
                return false;
            }
            bytes.remove_prefix(static_cast<std::size_t>(count));
        }
        return true;
    }

    // The next line without its newline; nothing at the stream's end.
    std::optional<std::string> line() {
        for (;;) {
            if (const auto end = held_.find('\n'); end != std::string::npos) {
                std::string text = held_.substr(0, end);
                held_.erase(0, end + 1);
                return text;
            }
            pollfd ready{socket_, POLLIN, 0};
            if (::poll(&ready, 1, 60'000) <= 0) {
                ADD_FAILURE() << "the server said nothing for a minute";
                return std::nullopt;
            }
            std::array<char, 65'536> chunk{};
            const ssize_t count = ::recv(socket_, chunk.data(), chunk.size(), 0);
            if (count <= 0) {
                return std::nullopt;
            }
            held_.append(chunk.data(), static_cast<std::size_t>(count));
        }
    }

    json::object object() {
        const auto text = line();
        if (!text) {
            ADD_FAILURE() << "the stream ended";
            return {};
        }
        auto value = parse_json(*text);
        if (!value || !value->is_object()) {
            ADD_FAILURE() << "not strict JSON: " << *text;
            return {};
        }
        return value->get_object();
    }

  private:
    int socket_{-1};
    bool connected_{false};
    std::string held_;
};

// Answers: `echo` gives its params back, `never` drops its Reply, `refuse` fails with busy, `later` answers from
// another thread, `who` tells the peer, `throw` throws.
class House {
  public:
    explicit House(ServerOptions options, std::optional<Handler> handler = std::nullopt)
        : path{options.path}, guard_{io.get_executor()} {
        options.methods = {"echo", "never", "refuse", "later", "who", "throw"};
        auto opened = Server::open(io, std::move(options), handler.value_or(Handler{answer}));
        if (!opened) {
            ADD_FAILURE() << opened.error().message;
            return;
        }
        server = std::move(*opened);
        thread_ = std::thread{[this] { io.run(); }};
    }
    ~House() {
        if (thread_.joinable()) {
            on_thread([this] { server->close(); });
            guard_.reset();
            io.stop();
            thread_.join();
        }
    }
    House(const House&) = delete;
    House& operator=(const House&) = delete;

    template <class F>
    std::invoke_result_t<F> on_thread(F function) {
        std::packaged_task<decltype(function())()> task{std::move(function)};
        auto result = task.get_future();
        boost::asio::post(io, [&task] { task(); });
        return result.get();
    }

    void publish(int count, std::string_view text = "x") {
        on_thread([&] {
            for (int i = 0; i < count; ++i) {
                server->publish({{"event", "warned"}, {"text", text}});
            }
        });
    }

    static void answer(Request request, Reply reply) {
        if (request.method == "echo") {
            reply(json::value(std::move(request.params)));
        } else if (request.method == "refuse") {
            reply(fail(Failure::try_again, "channel 3 is busy"));
        } else if (request.method == "later") {
            std::thread{[reply] { reply(json::value("at last")); }}.detach();
        } else if (request.method == "who") {
            reply(json::value{{"uid", request.peer.uid}, {"gid", request.peer.gid}, {"pid", request.peer.pid}});
        } else if (request.method == "throw") {
            throw std::runtime_error{"a wheel came off"};
        }
    }

    std::string path;
    boost::asio::io_context io;
    std::unique_ptr<Server> server;

  private:
    boost::asio::executor_work_guard<boost::asio::io_context::executor_type> guard_;
    std::thread thread_;
};

inline std::string request(int id, std::string_view method, std::string_view params = "{}") {
    return R"({"jsonrpc":"2.0","id":)" + std::to_string(id) + R"(,"method":")" + std::string{method} +
           R"(","params":)" + std::string{params} + "}\n";
}

inline std::int64_t code_of(const json::object& answer) {
    return answer.at("error").at("code").as_int64();
}

}  // namespace slowfilm::control
