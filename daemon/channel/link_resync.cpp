// Getting in step: when a port has been opened, and whenever something came that cannot be an answer, or none did.
#include "daemon/channel/link_line.hpp"
#include "daemon/core/text.hpp"

#include <algorithm>
#include <utility>

namespace slowfilm::channel {
namespace {

using namespace literals;

// A device that talks without a pause for so long is not going to stop.
constexpr Duration drain_most = 3_s;

}  // namespace

void Link::resync() {
    ++upsets_;
    if (const Result<void> same = line_->port.still_as_set(); !same) {
        lost(same.error().message);
        return;
    }
    state_ = State::resync;
    retry_.cancel();
    drain(Step::drain);
}

// Listens until it is quiet, and forgets what comes.
void Link::drain(Step step) {
    step_ = step;
    input_.clear();
    drain_until_ = timing_.steady() + drain_most;
    step_alarm_.set(timing_.steady() + options_.quiet, [this] { quiet_now(); });
}

void Link::quiet_now() {
    if (current_) {  // an order that makes safe and is not taken at once
        step_alarm_.set(timing_.steady() + options_.quiet, [this] { quiet_now(); });
        return;
    }
    switch (step_) {
        case Step::none:
        case Step::boot:
            // The first of it: whatever a former owner left half written is ended.
            step_ = Step::drain;
            if (!options_.line_end.empty()) {
                write(options_.line_end);
            }
            drain(Step::drain);
            return;
        case Step::drain:
            if (options_.identity) {
                ask_identity();
            } else {
                in_step();
            }
            return;
        case Step::identity:
            if (answered_) {
                // Earlier ones were answered and this one is not yet: it is late, or one was lost.
                if (timing_.steady() < lost_by()) {
                    step_alarm_.set(lost_by(), [this] { quiet_now(); });
                } else {
                    owed_ = 0;
                    drain(Step::settle);
                }
                return;
            }
            output_.clear();
            out_of_step(options_.port.path +
                        ": nothing there says who it is when asked; is the instrument switched on, "
                        "set to the baud rate of its profile, and the cable the right one?");
            return;
        case Step::settle: in_step(); return;
    }
}

Time Link::lost_by() const {
    return last_traffic_ + options_.identity->deadline * deadlines_to_lose_one;
}

void Link::ask_identity() {
    if (timing_.steady() >= lost_by()) {
        owed_ = 0;
    }
    step_ = Step::identity;
    if (owed_++ == 0) {
        overheard_.clear();
    }
    answered_ = false;
    input_.clear();
    step_alarm_.set(timing_.steady() + options_.identity->deadline, [this] { quiet_now(); });
    write(options_.identity->question);
}

bool Link::is_identity(std::string_view answer) const {
    return options_.identity && options_.identity->looks_like(answer);
}

// An instrument answers in the order in which it was asked: with as many identities as were asked for, all that was
// asked before the last of them has been answered.
void Link::count_identities(std::string_view bytes) {
    if (!options_.identity || owed_ == 0) {
        return;
    }
    overheard_.append(bytes);
    for (;;) {
        overheard_.erase(0, overheard_.size() - meaningful(overheard_).size());
        const std::size_t size = overheard_.empty() ? 0 : options_.identity->answer(overheard_);
        if (size == 0) {
            break;
        }
        owed_ -= owed_ > 0 && is_identity(std::string_view(overheard_).substr(0, size)) ? 1 : 0;
        overheard_.erase(0, size);
    }
    if (overheard_.size() > options_.answer_max) {
        overheard_.clear();
    }
}

// Bytes that came while no exchange was under way and the line is not in step.
void Link::take_identity() {
    if (step_ == Step::boot) {
        input_.clear();
        return;
    }
    if (step_ == Step::drain || step_ == Step::settle) {
        input_.clear();
        if (timing_.steady() >= drain_until_) {
            out_of_step(options_.port.path +
                        ": what is there talks without being asked and does not stop; is it the "
                        "instrument of the profile, at this baud rate?");
        } else {
            step_alarm_.set(timing_.steady() + options_.quiet, [this] { quiet_now(); });
        }
        return;
    }
    for (;;) {
        input_.erase(0, input_.size() - meaningful(input_).size());
        const std::size_t size = input_.empty() ? 0 : options_.identity->answer(input_);
        if (size == 0) {
            if (input_.size() > options_.answer_max) {
                input_.clear();
            }
            return;
        }
        std::string answer = input_.substr(0, size);
        input_.erase(0, size);
        // Late answers to earlier questions come first, and an echo of this one.
        if (!options_.identity->looks_like(answer)) {
            continue;
        }
        if (const Result<void> right = options_.identity->is_right(answer); !right) {
            lost(right.error().message);
            return;
        }
        while (!answer.empty() && (answer.back() == '\n' || answer.back() == '\r')) {
            answer.pop_back();
        }
        if (!identity_.empty() && answer != identity_) {
            lost(options_.port.path + ": another instrument hangs here than before: it was '" + escaped(identity_) +
                 "', and now says it is '" + escaped(answer) + "'; put the other back, or start the daemon anew");
            return;
        }
        identity_ = std::move(answer);
        answered_ = true;
        // What answers an earlier identity question says nothing of the questions that were asked since.
        if (owed_ == 0) {
            drain(Step::settle);
            return;
        }
    }
}

void Link::in_step() {
    const bool first = state_ == State::greeting;
    state_ = State::ready;
    step_ = Step::none;
    step_alarm_.cancel();
    delay_ = reopen_first;
    trouble_.clear();
    next_write_ = timing_.steady() + options_.pause;
    if (first) {
        tell(true);
    }
    pump();
}

void Link::out_of_step(std::string why) {
    if (state_ == State::greeting) {
        lost(std::move(why));  // not heard at all: perhaps another device has the name now
        return;
    }
    trouble_ = std::move(why);
    state_ = State::unheard;
    step_ = Step::none;
    step_alarm_.cancel();
    input_.clear();
    retry_.set(timing_.steady() + delay_, [this] {
        if (state_ == State::unheard) {
            resync();
        }
    });
    delay_ = std::min(delay_ * 2, reopen_most);
    fail_all(LinkFault::silent);
}

void Link::tell(bool up) {
    for (std::size_t i = 0; i < listeners_.size(); ++i) {
        listeners_[i](up);
    }
}

}  // namespace slowfilm::channel
