// A blocking client of the control socket, for the command and for tests.
#pragma once

#include "daemon/core/result.hpp"

#include <boost/json/object.hpp>
#include <boost/json/value.hpp>
#include <chrono>
#include <cstdint>
#include <functional>
#include <optional>
#include <string>
#include <string_view>

namespace slowfilm::control {

class Client {
  public:
    // no_daemon: nobody listens there. not_allowed: this user may not open the socket. bad_config: the path is too
    // long.
    [[nodiscard]] static Result<Client> connect(const std::string& path);
    ~Client();
    Client(Client&& other) noexcept;
    Client& operator=(Client&& other) noexcept;
    Client(const Client&) = delete;
    Client& operator=(const Client&) = delete;

    // The method's `result`. An error the daemon answers with comes back as the failure it was there, with its
    // sentence. try_again: no answer within `patience`. no_daemon: the daemon closed the connection instead.
    [[nodiscard]] Result<boost::json::value> call(std::string_view method, const boost::json::object& params = {});
    void set_patience(std::chrono::milliseconds patience) { patience_ = patience; }

    // Whoever follows the events.
    struct Follower {
        std::function<bool(const boost::json::object& event)> event;  // false: enough
        std::function<void(std::uint64_t count)> missed{};            // so many events are no longer kept
        // Nothing after event number `since` is missed from here on; also after coming back. false: enough
        std::function<bool(std::uint64_t since)> subscribed{};
    };
    // Hands over every event after number `since`, in order; without it, those from now on. Dropped for being slow, it
    // comes back from its last number.
    [[nodiscard]] Result<void> follow(std::optional<std::uint64_t> since, const Follower& follower);

  private:
    Client(int socket, std::string path);
    [[nodiscard]] Result<void> send_line(std::string_view line);
    [[nodiscard]] Result<boost::json::object> next_object(
        std::optional<std::chrono::steady_clock::time_point> deadline);
    [[nodiscard]] Result<void> reconnect();
    [[nodiscard]] Result<bool> follow_once(std::optional<std::uint64_t>& since, const Follower& follower);

    int socket_{-1};
    std::string path_;
    std::string received_;
    std::uint64_t next_id_{1};
    std::chrono::milliseconds patience_{60'000};
};

// The failure with this exit code; `internal` where there is none.
[[nodiscard]] Failure failure_of(std::int64_t code);

}  // namespace slowfilm::control
