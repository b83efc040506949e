// The daemon's ear: JSON-RPC 2.0, one JSON object per line, on a Unix socket. It frames, bounds and numbers; what a
// method does and who may ask for it, its owner decides.
#pragma once

#include "daemon/core/result.hpp"

#include <boost/asio/io_context.hpp>
#include <boost/json/object.hpp>
#include <boost/json/value.hpp>
#include <cstddef>
#include <cstdint>
#include <functional>
#include <memory>
#include <string>
#include <vector>

#include <sys/types.h>

namespace slowfilm::control {

// Who is at the other end, as the kernel says (SO_PEERCRED).
struct Peer {
    uid_t uid{0};
    gid_t gid{0};
    pid_t pid{0};
};

struct Request {
    std::string method;
    boost::json::object params;  // {} where the request has none
    Peer peer;
};

// Answers a request: with the `result`, or with a failure, whose exit code becomes the error's `code`. At most once;
// from any thread. Not calling it before destroying it answers with an internal failure, so that no client waits for
// ever.
using Reply = std::function<void(Result<boost::json::value>)>;

// Called on the io_context's thread for every request whose method is in ServerOptions::methods. May answer later.
using Handler = std::function<void(Request, Reply)>;

inline constexpr std::size_t socket_path_max = 107;  // bytes; sockaddr_un holds no more

struct ServerOptions {
    std::string path;                    // of the socket; its directory is made with mode 0750 where it is missing
    std::vector<std::string> methods{};  // others are answered with -32601; hello and subscribe are the server's own
    std::size_t clients_max{64};         // one more is let in all the same; the client least missed is let go for it
    std::size_t request_bytes_max{2U << 20U};  // a protocol's text travels in a request
    std::size_t requests_open_max{32};         // of one client, not yet answered; it is then not read from
    std::size_t events_kept_max{8192};         // for subscribers who come back
    std::size_t client_bytes_max{1U << 20U};   // waiting to be read by one client; a subscriber with more is dropped
    std::function<boost::json::object()> hello{};              // what `hello` answers
    std::function<Result<void>(const Peer&)> may_subscribe{};  // absent: anyone who may open the socket
};

class Server {
  public:
    // try_again: another daemon listens there. bad_config: the path is too long, or something that is no socket stands
    // there. cannot_create: the directory or the socket cannot be made. A socket that nobody listens on is removed.
    [[nodiscard]] static Result<std::unique_ptr<Server>> open(boost::asio::io_context& io, ServerOptions options,
                                                              Handler handler);
    ~Server();  // closes
    Server(const Server&) = delete;
    Server& operator=(const Server&) = delete;

    // Numbers the event (from 1, gapless: key `sequence`), keeps it, and sends it to every subscriber as a notification
    // with method "event". Never waits. On the io_context's thread only. Returns its number.
    std::uint64_t publish(boost::json::object event);
    [[nodiscard]] std::uint64_t last_event() const;
    [[nodiscard]] std::size_t clients() const;

    // Takes no more connections or requests, hands what is queued to the kernel as far as it takes it at once, closes
    // all and removes the socket. Again: nothing.
    void close();

  private:
    struct State;
    explicit Server(std::shared_ptr<State> state);
    std::shared_ptr<State> state_;
};

}  // namespace slowfilm::control
