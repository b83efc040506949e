// Lines of text over a Unix socket: a listening one and those that have connected.
#pragma once

#include "daemon/core/result.hpp"

#include <cstddef>
#include <cstdint>
#include <functional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

namespace slowfilm::sim::instrument {

// Closed when it goes.
class Descriptor {
  public:
    explicit Descriptor(int fd = -1) : fd_{fd} {}
    Descriptor(Descriptor&& other) noexcept : fd_{std::exchange(other.fd_, -1)} {}
    Descriptor& operator=(Descriptor&& other) noexcept {
        std::swap(fd_, other.fd_);
        return *this;
    }
    ~Descriptor();
    [[nodiscard]] int get() const { return fd_; }
    [[nodiscard]] bool there() const { return fd_ >= 0; }

  private:
    int fd_;
};

class LineServer {
  public:
    LineServer() = default;
    LineServer(LineServer&& other) noexcept;
    LineServer& operator=(LineServer&& other) noexcept;
    ~LineServer();  // the socket's file goes

    // At most `clients` at a time; more are told so and closed. try_again where another program listens there.
    [[nodiscard]] static Result<LineServer> listen(const std::string& path, std::size_t clients);

    // What poll() is to look at.
    [[nodiscard]] std::vector<int> descriptors() const;
    // Accepts, reads, and answers each whole line with what `answer` makes of it. Never waits.
    void serve(const std::function<std::string(std::string_view)>& answer);
    [[nodiscard]] std::size_t clients() const { return connected_.size(); }
    [[nodiscard]] std::uint64_t accepted() const { return accepted_; }  // since it began to listen

  private:
    struct Client {
        Descriptor socket;
        std::string text;  // a line whose end has not come
    };
    void accept_all();
    [[nodiscard]] static bool read_from(Client& client, const std::function<std::string(std::string_view)>& answer);

    std::string path_;
    Descriptor socket_;
    std::size_t most_{1};
    std::vector<Client> connected_;
    std::uint64_t accepted_{0};
};

}  // namespace slowfilm::sim::instrument
