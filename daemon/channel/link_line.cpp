// Opening, reading and writing: the bytes of a link.
#include "daemon/channel/link_line.hpp"

#include <algorithm>
#include <boost/asio/buffer.hpp>
#include <boost/asio/error.hpp>
#include <boost/asio/post.hpp>
#include <cerrno>
#include <utility>

#include <poll.h>
#include <unistd.h>

namespace slowfilm::channel {

int Link::descriptor() const {
    return line_ ? line_->port.descriptor() : -1;
}

bool Link::is_virtual() const {
    return line_ && line_->port.is_virtual();
}

void Link::start() {
    if (!line_ && !retry_.waiting()) {
        open();
    }
}

void Link::open() {
    Result<Port> port = Port::open(options_.port);
    if (port) {
        opened(std::move(*port));
    } else {
        retry(std::move(port.error().message));
    }
}

void Link::opened(Port port) {
    line_ = std::make_shared<Line>(io_, std::move(port), this);
    state_ = State::greeting;
    half_written_ = false;
    owed_ = 0;
    overheard_.clear();
    input_.clear();
    output_.clear();
    echo_.clear();
    ++openings_;
    received_before_ = received_;
    sent_before_ = sent_;
    if (port_listener_) {
        port_listener_(line_->port.descriptor());
    }
    listen();
    if (options_.boot.count > 0) {
        step_ = Step::boot;
        step_alarm_.set(timing_.steady() + options_.boot, [this] { quiet_now(); });
    } else {
        quiet_now();
    }
}

void Link::close_line() {
    if (line_) {
        if (port_listener_) {
            port_listener_(-1);
        }
        line_->close();
        line_ = nullptr;
    }
    deadline_.cancel();
    pause_.cancel();
    step_alarm_.cancel();
    broken_.cancel();
    step_ = Step::none;
    state_ = State::closed;
}

void Link::lost(std::string why) {
    const bool was_up = up();
    ++upsets_;
    close_line();
    retry(std::move(why));
    fail_all(LinkFault::lost);
    if (was_up) {
        tell(false);
    }
}

void Link::retry(std::string why) {
    trouble_ = std::move(why);
    retry_.set(timing_.steady() + delay_, [this] { open(); });
    delay_ = std::min(delay_ * 2, reopen_most);
}

void Link::listen() {
    if (options_.driven) {
        return;
    }
    line_->stream.async_read_some(boost::asio::buffer(line_->bytes),
                                  [line = line_](const boost::system::error_code& error, std::size_t count) {
                                      if (line->owner != nullptr && error != boost::asio::error::operation_aborted) {
                                          line->owner->read(error ? 0 : count);
                                      }
                                  });
}

// One read a turn: a device that never stops talking leaves the others their turns.
void Link::read(std::size_t count) {
    if (count > 0) {
        received_ += count;
        const std::shared_ptr<Line> line = line_;
        took(std::string_view(line->bytes.data(), count));
        if (line_ == line) {
            listen();
        }
    } else {
        hang_up();
    }
}

void Link::hang_up() {
    lost("the port '" + options_.port.path + "' is gone: unplugged, or its converter lost power");
}

void Link::hear(std::uint64_t total) {
    constexpr int patience_ms = 10'000;  // wall-clock: the kernel hands over what was written when it likes
    std::string all;
    while (received_since_opening() < total) {
        auto& bytes = line_->bytes;
        const std::uint64_t missing = total - received_since_opening();
        const ssize_t count =
            ::read(line_->port.descriptor(), bytes.data(), std::min<std::uint64_t>(missing, bytes.size()));
        if (count > 0) {
            received_ += static_cast<std::uint64_t>(count);
            all.append(bytes.data(), static_cast<std::size_t>(count));
            continue;
        }
        pollfd ready{line_->port.descriptor(), POLLIN, 0};
        const bool waits = count < 0 && (errno == EAGAIN || errno == EINTR);
        if (!waits || ::poll(&ready, 1, patience_ms) == 0) {
            hang_up();
            return;
        }
    }
    took(all);
}

void Link::hear_by_itself() {
    if (std::exchange(options_.driven, false) && line_) {
        listen();
    }
}

void Link::write(std::string bytes) {
    // What is left of a line that was given up must not become the beginning of this one.
    output_ = half_written_ ? options_.line_end + std::move(bytes) : std::move(bytes);
    half_written_ = false;
    echo_ = options_.echoes ? output_ : "";
    last_traffic_ = timing_.steady();
    early_ = false;
    write_on();
}

void Link::write_on() {
    while (!output_.empty()) {
        const ssize_t count = ::write(line_->port.descriptor(), output_.data(), output_.size());
        if (count > 0) {
            output_.erase(0, static_cast<std::size_t>(count));
            sent_ += static_cast<std::uint64_t>(count);
            half_written_ = !output_.empty();
        } else if (count < 0 && errno == EINTR) {
            continue;
        } else if (count < 0 && errno == EAGAIN) {
            wait_writable();
            return;
        } else {
            // Not from here: whoever is asking has not heard yet that the question is under way.
            broken_.set(timing_.steady(), [this] {
                lost("the port '" + options_.port.path +
                     "' takes no more bytes: unplugged, or its converter lost power");
            });
            return;
        }
    }
    written();
}

void Link::wait_writable() {
    if (std::exchange(line_->waits_to_write, true)) {
        return;
    }
    line_->stream.async_wait(boost::asio::posix::descriptor_base::wait_write,
                             [line = line_](const boost::system::error_code& error) {
                                 line->waits_to_write = false;
                                 if (line->owner != nullptr && !error && !line->owner->output_.empty()) {
                                     line->owner->write_on();
                                 }
                             });
}

}  // namespace slowfilm::channel
