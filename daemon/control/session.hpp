// One client of the control socket. Reads requests as long as their answers are being read, never waits for anyone.
#pragma once

#include "daemon/control/events.hpp"
#include "daemon/control/rpc.hpp"
#include "daemon/control/server.hpp"

#include <array>
#include <boost/asio/local/stream_protocol.hpp>
#include <boost/asio/steady_timer.hpp>
#include <chrono>
#include <cstdint>
#include <deque>
#include <functional>
#include <memory>
#include <string>
#include <utility>
#include <vector>

namespace slowfilm::control {

class Session : public std::enable_shared_from_this<Session> {
  public:
    // What a session needs of its server; outlives it.
    struct House {
        ServerOptions options;
        Handler handler;
        EventLog events;
        std::function<void(const std::shared_ptr<Session>&)> left;  // the session has closed
    };
    using Socket = boost::asio::local::stream_protocol::socket;

    Session(Socket socket, Peer peer, std::shared_ptr<House> house);
    void start();
    // A new event is in the log.
    void event_published();
    void close();
    // Makes room for another client: told so in its last word, and closed.
    void let_go();
    // How readily it is let go for another client: the first of two is the one with the smaller value. Clients with
    // nothing to wait for come first, then subscribers, who can come back, then those whose answer is owed; among
    // equals the longest silent.
    [[nodiscard]] std::pair<int, std::chrono::steady_clock::time_point> keep_rank() const {
        return {requests_open_ > 0 ? 2 : subscribed_ ? 1 : 0, heard_};
    }

  private:
    class Pending;

    void read();
    void take(std::string_view bytes);
    void work();
    [[nodiscard]] bool must_wait() const;
    void handle(const LineSplitter::Line& line);
    void call_handler(RpcRequest request);
    void answer_here(const RpcRequest& request);
    [[nodiscard]] Result<boost::json::value> subscribe(const boost::json::object& params);
    void answered(const std::optional<boost::json::value>& id, const Result<boost::json::value>& result);
    void queue(std::string line);
    void write();
    void fill_batch();
    void drop();
    void close_if_over();

    Socket socket_;
    Peer peer_;
    std::shared_ptr<House> house_;
    LineSplitter lines_;
    std::array<char, 65'536> chunk_{};
    std::deque<SharedLine> out_;
    std::size_t out_bytes_{0};
    std::vector<SharedLine> batch_;                // being written
    std::chrono::steady_clock::time_point heard_;  // when the client last sent something, or came
    std::size_t requests_open_{0};
    std::uint64_t next_event_{0};         // for a subscriber
    std::uint64_t last_at_write_{0};      // the newest event when the write under way began
    boost::asio::steady_timer farewell_;  // how long a dropped client may take to read its last word
    bool subscribed_{false};
    bool reading_{false};
    bool writing_{false};
    bool working_{false};
    bool no_more_requests_{false};  // the client has said so
    bool dropped_{false};           // its last word is queued: nothing is taken from it or told to it any more
    bool closed_{false};
};

}  // namespace slowfilm::control
