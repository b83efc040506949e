#include "daemon/control/session.hpp"

#include "daemon/core/text.hpp"

#include <algorithm>
#include <atomic>
#include <boost/asio/buffer.hpp>
#include <boost/asio/dispatch.hpp>
#include <boost/asio/write.hpp>
#include <chrono>
#include <exception>
#include <utility>

namespace slowfilm::control {

namespace asio = boost::asio;
namespace json = boost::json;

namespace {

constexpr std::size_t batch_lines_max = 64;
constexpr std::size_t skipped_times_max = 16;  // of request_bytes_max, before a client that sends no newline is let go
constexpr std::chrono::seconds farewell_time{30};

}  // namespace

// An answer that is owed. Destroyed without one, it answers that none came.
class Session::Pending {
  public:
    Pending(std::weak_ptr<Session> session, asio::any_io_executor executor, std::optional<json::value> id)
        : session_{std::move(session)}, executor_{std::move(executor)}, id_{std::move(id)} {}
    Pending(const Pending&) = delete;
    Pending& operator=(const Pending&) = delete;
    ~Pending() {
        try {
            answer(fail(Failure::internal, "the daemon gave no answer to this request"));
        } catch (const std::exception&) {
            // Out of memory in a destructor: the client's own patience ends its waiting.
            return;
        }
    }

    void answer(Result<json::value> result) {
        if (done_.exchange(true)) {
            return;
        }
        // The session lives on the io_context's thread and is only touched there.
        asio::dispatch(executor_, [session = session_, id = id_, result = std::move(result)] {
            if (const auto here = session.lock()) {
                here->answered(id, result);
            }
        });
    }

  private:
    std::weak_ptr<Session> session_;
    asio::any_io_executor executor_;
    std::optional<json::value> id_;
    std::atomic<bool> done_{false};
};

Session::Session(Socket socket, Peer peer, std::shared_ptr<House> house)
    : socket_{std::move(socket)},
      peer_{peer},
      house_{std::move(house)},
      lines_{house_->options.request_bytes_max},
      heard_{std::chrono::steady_clock::now()},
      farewell_{socket_.get_executor()} {}

void Session::start() {
    read();
}

void Session::read() {
    if (reading_ || closed_ || no_more_requests_) {
        return;
    }
    reading_ = true;
    socket_.async_read_some(asio::buffer(chunk_),
                            [self = shared_from_this()](const boost::system::error_code& error, std::size_t count) {
                                self->reading_ = false;
                                if (self->closed_) {
                                    return;
                                }
                                if (error && error != asio::error::eof) {
                                    self->close();
                                    return;
                                }
                                if (error) {
                                    self->no_more_requests_ = true;
                                    self->work();
                                    return;
                                }
                                self->take({self->chunk_.data(), count});
                            });
}

void Session::take(std::string_view bytes) {
    heard_ = std::chrono::steady_clock::now();
    lines_.feed(bytes);
    work();
}

// Handles what has come, as far as the client keeps up with its answers; then reads on. Answers given at once come back
// in here through answered(), which must not start a second loop inside the first.
void Session::work() {
    if (working_ || closed_) {
        return;
    }
    working_ = true;
    while (!closed_ && !dropped_ && !must_wait()) {
        const auto line = lines_.next();
        if (!line) {
            break;
        }
        handle(*line);
    }
    working_ = false;
    if (closed_) {
        return;
    }
    if (lines_.skipped() / skipped_times_max > house_->options.request_bytes_max) {
        close();
        return;
    }
    if (!must_wait()) {
        read();
    }
    close_if_over();
}

bool Session::must_wait() const {
    return requests_open_ >= house_->options.requests_open_max || out_bytes_ > house_->options.client_bytes_max;
}

void Session::handle(const LineSplitter::Line& line) {
    if (line.too_long) {
        queue(error_line(RpcError{
            .code = RpcCode::invalid_request,
            .message = "the request is longer than " + std::to_string(house_->options.request_bytes_max) + " bytes",
            .id = nullptr}));
        return;
    }
    if (line.text.find_first_not_of(" \t\r") == std::string::npos) {
        return;
    }
    auto request = parse_request(line.text);
    if (!request) {
        queue(error_line(request.error()));
        return;
    }
    if (request->method == "hello" || request->method == "subscribe") {
        answer_here(*request);
        return;
    }
    const auto& methods = house_->options.methods;
    if (std::find(methods.begin(), methods.end(), request->method) == methods.end()) {
        if (request->id) {
            queue(error_line(RpcError{.code = RpcCode::method_not_found,
                                      .message = "there is no method \"" + escaped(request->method, 64) + "\"",
                                      .id = *request->id}));
        }
        return;
    }
    call_handler(std::move(*request));
}

void Session::call_handler(RpcRequest request) {
    ++requests_open_;
    const auto pending = std::make_shared<Pending>(weak_from_this(), socket_.get_executor(), std::move(request.id));
    try {
        house_->handler(
            Request{.method = std::move(request.method), .params = std::move(request.params), .peer = peer_},
            [pending](Result<json::value> result) { pending->answer(std::move(result)); });
    } catch (const std::exception& error) {
        pending->answer(fail(Failure::internal, "the request failed inside the daemon: " + escaped(error.what())));
    }
}

void Session::answer_here(const RpcRequest& request) {
    Result<json::value> result = json::value(json::object{});
    if (request.method == "subscribe") {
        result = subscribe(request.params);
    } else if (house_->options.hello) {
        result = json::value(house_->options.hello());
    }
    if (request.id) {
        queue(result ? result_line(*request.id, *result) : error_line(*request.id, result.error()));
    }
    write();
}

// Streams from `since` on, or from now. The answer says how many of the wanted events are no longer kept.
Result<json::value> Session::subscribe(const json::object& params) {
    if (house_->options.may_subscribe) {
        if (auto allowed = house_->options.may_subscribe(peer_); !allowed) {
            return tl::unexpected{allowed.error()};
        }
    }
    const EventLog& events = house_->events;
    std::uint64_t since = events.last();
    if (const json::value* wanted = params.if_contains("since"); wanted != nullptr && !wanted->is_null()) {
        boost::system::error_code error;
        since = wanted->is_number() ? wanted->to_number<std::uint64_t>(error) : 0;
        if (!wanted->is_number() || error) {
            return fail(Failure::usage, "since must be the number of an event, 0 or more");
        }
    }
    if (since > events.last()) {
        return fail(Failure::bad_data, "event " + std::to_string(since) + " has not happened; the last is " +
                                           std::to_string(events.last()) + " (a daemon started anew counts from 1)");
    }
    next_event_ = std::max(since + 1, events.first_kept());
    subscribed_ = true;
    json::object answer;
    answer["kind"] = "subscribed";
    answer["since"] = since;
    answer["missed"] = next_event_ - (since + 1);
    answer["last"] = events.last();
    return json::value(std::move(answer));
}

void Session::answered(const std::optional<json::value>& id, const Result<json::value>& result) {
    --requests_open_;
    if (closed_) {
        return;
    }
    if (id) {
        queue(result ? result_line(*id, *result) : error_line(*id, result.error()));
    }
    work();
}

void Session::queue(std::string line) {
    if (dropped_) {
        return;
    }
    out_bytes_ += line.size();
    out_.push_back(std::make_shared<const std::string>(std::move(line)));
    write();
}

void Session::event_published() {
    if (!subscribed_ || closed_) {
        return;
    }
    const EventLog& events = house_->events;
    const bool stalled = writing_ && events.last() - last_at_write_ > events.kept_max() / 2;
    if (stalled || next_event_ < events.first_kept()) {
        drop();
        return;
    }
    write();
}

// The last word names the number to come back from. The write under way must end first, or the word would stand inside
// another line; a client that reads nothing at all is closed when its time is over.
void Session::drop() {
    subscribed_ = false;
    json::object params;
    params["kind"] = "dropped";
    params["sequence"] = next_event_ - 1;
    out_.clear();
    out_bytes_ = 0;
    farewell_.expires_after(farewell_time);
    farewell_.async_wait([self = shared_from_this()](const boost::system::error_code& error) {
        if (!error) {
            self->close();
        }
    });
    queue(notification_line("dropped", params));
    no_more_requests_ = true;
    dropped_ = true;
}

void Session::fill_batch() {
    batch_.clear();
    while (!out_.empty() && batch_.size() < batch_lines_max) {
        out_bytes_ -= out_.front()->size();
        batch_.push_back(std::move(out_.front()));
        out_.pop_front();
    }
    const EventLog& events = house_->events;
    while (subscribed_ && next_event_ <= events.last() && batch_.size() < batch_lines_max) {
        batch_.push_back(events.line(next_event_));
        ++next_event_;
    }
}

void Session::write() {
    if (writing_ || closed_) {
        return;
    }
    fill_batch();
    if (batch_.empty()) {
        return;
    }
    writing_ = true;
    last_at_write_ = house_->events.last();
    std::vector<asio::const_buffer> buffers;
    buffers.reserve(batch_.size());
    for (const SharedLine& line : batch_) {
        buffers.emplace_back(asio::buffer(*line));
    }
    asio::async_write(socket_, buffers,
                      [self = shared_from_this()](const boost::system::error_code& error, std::size_t) {
                          self->writing_ = false;
                          if (self->closed_) {
                              return;
                          }
                          if (error) {
                              self->close();
                              return;
                          }
                          self->write();
                          self->work();
                      });
}

void Session::close_if_over() {
    if (no_more_requests_ && (requests_open_ == 0 || dropped_) && !writing_ && out_.empty()) {
        close();
    }
}

void Session::let_go() {
    if (closed_) {
        return;
    }
    // Only between two lines, and only as much as the kernel takes at once: nobody waits for a client that is let go.
    if (!writing_ && out_.empty()) {
        const std::string line =
            subscribed_ ? notification_line("dropped", {{"kind", "dropped"}, {"sequence", next_event_ - 1}})
                        : error_line(nullptr, Error{.failure = Failure::try_again,
                                                    .message = "too many clients are connected, and this "
                                                               "one had been silent the longest"});
        boost::system::error_code ignored;
        socket_.write_some(asio::buffer(line), ignored);
    }
    close();
}

void Session::close() {
    if (closed_) {
        return;
    }
    closed_ = true;
    boost::system::error_code ignored;
    socket_.close(ignored);
    farewell_.cancel();
    out_.clear();
    if (house_->left) {
        house_->left(shared_from_this());
    }
}

}  // namespace slowfilm::control
