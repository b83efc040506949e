// The queue of exchanges and the one that is under way.
#include "daemon/channel/link.hpp"

#include "daemon/channel/link_line.hpp"
#include "daemon/core/text.hpp"

#include <algorithm>
#include <utility>

namespace slowfilm::channel {

std::string_view name(LinkFault fault) {
    switch (fault) {
        case LinkFault::lost: return "the link is down";
        case LinkFault::silent: return "no answer came";
        case LinkFault::garbled: return "what came is no answer";
        case LinkFault::echoed: return "the adapter sends back what it is sent";
        case LinkFault::cancelled: return "the question was taken back";
    }
    return "";
}

AnswerEnd line_ending_in(char last) {
    return [last](std::string_view came) {
        const std::size_t end = came.find(last);
        return end == std::string_view::npos ? 0 : end + 1;
    };
}

Link::Link(boost::asio::io_context& io, Timing& timing, LinkOptions options)
    : io_(io),
      timing_(timing),
      options_(std::move(options)),
      deadline_(timing),
      pause_(timing),
      step_alarm_(timing),
      retry_(timing),
      broken_(timing),
      trouble_("the port '" + escaped(options_.port.path) + "' has not been opened yet") {}

Link::~Link() {
    close_line();
}

Link::Ticket Link::ask(Exchange exchange) {
    const Ticket ticket = ++tickets_;
    const bool heard = state_ == State::ready || state_ == State::resync;
    if (!up() && !(was_ours() && makes_safe(exchange))) {
        exchange.done(tl::unexpected(LinkFault::lost));
    } else if (!heard && exchange.answer) {
        exchange.done(tl::unexpected(LinkFault::silent));
    } else {
        queue_.push_back({ticket, std::move(exchange)});
        pump();
    }
    return ticket;
}

void Link::cancel(Ticket ticket) {
    if (current_ && current_->ticket == ticket) {
        output_.clear();
        // Its answer may still come.
        finish(tl::unexpected(LinkFault::cancelled), static_cast<bool>(current_->exchange.answer));
        pump();
        return;
    }
    const auto found =
        std::find_if(queue_.begin(), queue_.end(), [&](const Waiting& one) { return one.ticket == ticket; });
    if (found != queue_.end()) {
        const Waiting gone = std::move(*found);
        queue_.erase(found);
        gone.exchange.done(tl::unexpected(LinkFault::cancelled));
    }
}

bool Link::withdraw(Ticket ticket) {
    const auto found =
        std::find_if(queue_.begin(), queue_.end(), [&](const Waiting& one) { return one.ticket == ticket; });
    if (found == queue_.end()) {
        return false;
    }
    queue_.erase(found);
    return true;
}

void Link::distrust() {
    if (up()) {
        ++strays_;
        resync();
    }
}

void Link::on_change(std::function<void(bool up)> listener) {
    listeners_.push_back(std::move(listener));
}

// What is done may ask again: that is taken up here, not in a call within a call.
void Link::pump() {
    pump_again_ = true;
    if (std::exchange(pumping_, true)) {
        return;
    }
    while (std::exchange(pump_again_, false)) {
        pump_once();
    }
    pumping_ = false;
}

void Link::pump_once() {
    if (current_ || (!up() && !was_ours()) || queue_.empty() || pause_.waiting()) {
        return;
    }
    const std::optional<std::size_t> next = next_in_queue();
    if (!next) {
        return;
    }
    if (timing_.steady() < next_write_) {
        pause_.set(next_write_, [this] { pump(); });
        return;
    }
    Waiting waiting = std::move(queue_[*next]);
    queue_.erase(queue_.begin() + static_cast<std::ptrdiff_t>(*next));
    begin(std::move(waiting));
}

bool Link::was_ours() const {
    return state_ == State::greeting && !identity_.empty();
}

bool Link::makes_safe(const Exchange& exchange) {
    return exchange.urgency == Urgency::safe && !exchange.answer;
}

// A command that makes safe and needs no answer goes out even while the line is being brought in step.
std::optional<std::size_t> Link::next_in_queue() const {
    std::optional<std::size_t> best;
    for (std::size_t i = 0; i < queue_.size(); ++i) {
        const Exchange& one = queue_[i].exchange;
        const bool allowed = state_ == State::ready || makes_safe(one);
        if (allowed && (!best || one.urgency < queue_[*best].exchange.urgency)) {
            best = i;
        }
    }
    return best;
}

void Link::begin(Waiting waiting) {
    current_ = std::move(waiting);
    asked_ = timing_.steady();
    owed_ += options_.identity && current_->exchange.question == options_.identity->question ? 1 : 0;
    if (step_ == Step::none) {
        input_.clear();
    }
    deadline_.set(asked_ + current_->exchange.deadline, [this] { ran_out(); });
    write(current_->exchange.question);
}

void Link::ran_out() {
    output_.clear();  // half_written_ remembers
    finish(tl::unexpected(LinkFault::silent), true);
    pump();
}

void Link::written() {
    if (!current_) {
        return;  // a question of our own
    }
    if (early_) {
        finish(tl::unexpected(LinkFault::garbled), true);
        pump();
    } else if (!current_->exchange.answer && echo_.empty()) {
        finish(Answer{"", asked_}, false);
        pump();
    }
}

std::string_view Link::meaningful(std::string_view bytes) const {
    while (!bytes.empty() && options_.between.find(bytes.front()) != std::string::npos) {
        bytes.remove_prefix(1);
    }
    return bytes;
}

void Link::took(std::string_view bytes) {
    last_traffic_ = timing_.steady();
    count_identities(bytes);
    if (state_ == State::greeting || (step_ != Step::none && !current_)) {
        input_.append(bytes);
        take_identity();
        return;
    }
    if (!current_ || (!output_.empty() && echo_.empty())) {
        if (meaningful(bytes).empty()) {
            return;
        }
        early_ = true;
        ++strays_;
        if (!current_) {
            resync();  // an answer that nobody asked for
        }
        return;
    }
    input_.append(bytes);
    if (!echo_.empty()) {
        take_echo();
    } else {
        take_answer();
    }
}

void Link::take_echo() {
    const std::size_t count = std::min(echo_.size(), input_.size());
    if (echo_.compare(0, count, input_, 0, count) != 0) {
        finish(tl::unexpected(LinkFault::garbled), true);
        pump();
        return;
    }
    echo_.erase(0, count);
    input_.erase(0, count);
    if (!echo_.empty()) {
        return;
    }
    if (current_->exchange.answer) {
        take_answer();
    } else {
        const bool more = !meaningful(input_).empty();
        finish(Answer{"", asked_}, more);
        pump();
    }
}

void Link::take_answer() {
    if (!current_->exchange.answer) {
        if (!meaningful(input_).empty()) {
            finish(tl::unexpected(LinkFault::garbled), true);
            pump();
        }
        return;
    }
    while (current_) {
        input_.erase(0, input_.size() - meaningful(input_).size());
        const std::size_t size = input_.empty() ? 0 : current_->exchange.answer(input_);
        if (size == 0) {
            if (input_.size() > options_.answer_max) {
                finish(tl::unexpected(LinkFault::garbled), true);
                pump();
            }
            return;
        }
        std::string bytes = input_.substr(0, size);
        input_.erase(0, size);
        if (current_->exchange.belongs && !current_->exchange.belongs(bytes)) {
            continue;
        }
        if (is_identity(bytes) && current_->exchange.question != options_.identity->question) {
            continue;  // late, and to a question of our own
        }
        const bool more = !meaningful(input_).empty();
        if (!options_.echoes && !current_->exchange.belongs && bytes == current_->exchange.question) {
            finish(tl::unexpected(LinkFault::echoed), true);
        } else {
            finish(Answer{std::move(bytes), asked_}, more);
        }
        pump();
        return;
    }
}

// `upset`: the line is no longer in step.
void Link::finish(Result<Answer, LinkFault> result, bool upset) {
    deadline_.cancel();
    const bool silent = !result && result.error() == LinkFault::silent;
    strays_ += upset && !silent ? 1 : 0;
    const Waiting done = std::move(*current_);
    current_.reset();
    echo_.clear();
    next_write_ = timing_.steady() + options_.pause;
    // What is being brought in step already goes on from where it is: orders to open that are repeated must not keep
    // the questions behind them waiting for ever.
    if (upset && state_ != State::resync) {
        resync();
    }
    done.exchange.done(std::move(result));
}

void Link::fail_all(LinkFault fault) {
    std::deque<Waiting> gone = std::exchange(queue_, {});
    if (current_) {
        gone.push_front(std::move(*current_));
        current_.reset();
    }
    for (const Waiting& one : gone) {
        one.exchange.done(tl::unexpected(fault));
    }
}

}  // namespace slowfilm::channel
