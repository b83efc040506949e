#include "daemon/channel/timing.hpp"

#include "daemon/core/ensure.hpp"

#include <algorithm>
#include <boost/asio/steady_timer.hpp>
#include <chrono>

#include <time.h>

namespace slowfilm::channel {
namespace {

// An alarm further off than this is no deadline of a link; a longer one would not fit a timer's nanoseconds.
constexpr std::int64_t longest_us = 86'400'000'000;

}  // namespace

void Alarm::set(Time at, std::function<void()> then) {
    cancel();
    waiting_ = std::make_shared<Pending>();
    // It lets go of itself before it acts, so that what it calls may set it again, or be the end of it.
    waiting_->act = [this, then = std::move(then)] {
        const std::function<void()> act = then;
        waiting_ = nullptr;
        act();
    };
    timing_.wake_at(at, waiting_);
}

void Alarm::cancel() {
    if (const std::shared_ptr<Pending> pending = std::move(waiting_); pending && pending->drop) {
        pending->drop();
    }
}

void Timing::ring(const Waiting& waiting) {
    if (const std::shared_ptr<Alarm::Pending> pending = waiting.lock()) {
        pending->act();
    }
}

void Timing::when_dropped(const Waiting& waiting, std::function<void()> drop) {
    if (const std::shared_ptr<Alarm::Pending> pending = waiting.lock()) {
        pending->drop = std::move(drop);
    }
}

Time MachineTiming::steady() const {
    timespec at{};
    ENSURE(::clock_gettime(CLOCK_MONOTONIC, &at) == 0);
    return {static_cast<std::int64_t>(at.tv_sec) * 1'000'000 + at.tv_nsec / 1'000};
}

void MachineTiming::wake_at(Time at, const Waiting& waiting) {
    const std::int64_t wait = std::clamp<std::int64_t>((at - steady()).count, 0, longest_us);
    auto timer = std::make_shared<boost::asio::steady_timer>(io_, std::chrono::microseconds(wait));
    timer->async_wait([timer, waiting](const boost::system::error_code&) { ring(waiting); });
    when_dropped(waiting, [timer] { timer->cancel(); });
}

std::optional<Time> VirtualTiming::next() const {
    return due_.empty() ? std::nullopt : std::optional(Time{due_.begin()->first});
}

void VirtualTiming::set(Time now) {
    ENSURE(now >= now_);
    while (!due_.empty() && due_.begin()->first <= now.count) {
        const auto first = due_.begin();
        now_ = std::max(now_, Time{first->first});
        const Waiting waiting = first->second;
        due_.erase(first);
        ring(waiting);
    }
    now_ = now;
}

void VirtualTiming::wake_at(Time at, const Waiting& waiting) {
    const auto entry = due_.emplace(at.count, waiting);
    when_dropped(waiting, [this, entry] { due_.erase(entry); });
    if (tell_) {
        tell_();
    }
}

}  // namespace slowfilm::channel
