#include "daemon/bench/schedule.hpp"

#include "daemon/core/ensure.hpp"

#include <algorithm>
#include <boost/asio/post.hpp>
#include <utility>

namespace slowfilm::bench {
namespace {

using WallClock = std::chrono::steady_clock;

// Further behind the pace than this, the pace starts anew: a virtual clock does not race to catch up.
constexpr std::chrono::seconds behind_max{1};
constexpr std::chrono::milliseconds look_again{2};
// While nobody waits, alarms further apart than this are gone to at leisure; a question and its answer are shorter.
constexpr Duration idle_step{100'000};
// Phases fall on whole steps, so that one waking serves several channels: waking is what costs.
constexpr Duration phase_step{5'000};

}  // namespace

Schedule::Schedule(boost::asio::io_context& io, MachineClock& clock) : io_(io), timer_(io), machine_(&clock) {}

Schedule::Schedule(boost::asio::io_context& io, VirtualClock& clock, double scale, MayGoOn may_go_on)
    : io_(io), timer_(io), virtual_(&clock), scale_(scale), may_go_on_(std::move(may_go_on)) {
    ENSURE(scale > 0.0);
    virtual_->on_alarm([this] { arm(); });
    anchor();
}

Schedule::~Schedule() {
    if (virtual_ != nullptr) {
        virtual_->on_alarm(nullptr);
    }
}

void Schedule::at_machines_pace() {
    scale_ = 1.0;
    anchor();
}

std::size_t Schedule::add(Duration period, Turn turn) {
    ENSURE(period.count > 0);
    tasks_.push_back({period, {}, std::move(turn)});
    return tasks_.size() - 1;
}

void Schedule::spread_phases() {
    const auto count = static_cast<std::int64_t>(tasks_.size());
    for (std::int64_t i = 0; i < count; ++i) {
        Task& task = tasks_[static_cast<std::size_t>(i)];
        task.phase = {task.period.count * i / count / phase_step.count * phase_step.count};
    }
}

Time Schedule::next_turn(Duration phase, Duration period, Time after) {
    const std::int64_t since = after.count - phase.count;
    const std::int64_t whole = since >= 0 ? since / period.count : -((-since - 1) / period.count) - 1;
    return Time{(whole + 1) * period.count + phase.count};
}

Time Schedule::here() const {
    return machine_ != nullptr ? machine_->steady() : virtual_->now();
}

void Schedule::enqueue(std::size_t number, Duration period, Time after, bool busy) {
    Task& task = tasks_.at(number);
    if (virtual_ != nullptr && queue_.empty() && !pumping_) {
        anchor();
    }
    busy_ -= task.waiting && task.busy ? 1 : 0;
    busy_ += busy ? 1 : 0;
    task.waiting = true;
    task.busy = busy;
    queue_.push({next_turn(task.phase, period, after), number, ++task.ticket});
}

void Schedule::wake(std::size_t number) {
    const Task& task = tasks_.at(number);
    if (stopped_ || (task.waiting && task.busy)) {
        return;
    }
    enqueue(number, task.period, here(), true);
    arm();
}

void Schedule::hurry(std::size_t number, Duration period) {
    if (stopped_) {
        return;
    }
    enqueue(number, period, here(), true);
    arm();
}

void Schedule::stop() {
    stopped_ = true;
    ++generation_;
    timer_.cancel();
}

void Schedule::hold() {
    ++held_;
}

void Schedule::release() {
    ENSURE(held_ > 0);
    if (--held_ == 0 && !pumping_) {
        arm();
    }
}

void Schedule::take_turn(Time due) {
    const Due next = queue_.top();
    queue_.pop();
    if (next.ticket != tasks_[next.number].ticket) {
        return;
    }
    tasks_[next.number].waiting = false;
    busy_ -= tasks_[next.number].busy ? 1 : 0;
    const std::optional<Next> again = tasks_[next.number].turn();
    if (again && !tasks_[next.number].waiting && !stopped_) {
        // A turn that came late does not shift those after it; turns that were missed are not made up for.
        enqueue(next.number, again->period, std::max(here(), due), again->busy);
    }
}

void Schedule::arm() {
    if (stopped_ || pumping_) {
        return;
    }
    if (machine_ != nullptr) {
        if (queue_.empty()) {
            return;
        }
        sleep_until(WallClock::time_point(std::chrono::microseconds(queue_.top().at.count)));
    } else if (!posted_) {
        posted_ = true;
        ++generation_;
        boost::asio::post(io_, [this] {
            posted_ = false;
            pump_virtual();
        });
    }
}

void Schedule::sleep_until(WallClock::time_point wall) {
    const std::uint64_t generation = ++generation_;
    timer_.expires_at(wall);
    timer_.async_wait([this, generation](const boost::system::error_code& error) {
        if (error || generation != generation_) {
            return;
        }
        if (machine_ != nullptr) {
            pump_machine();
        } else {
            pump_virtual();
        }
    });
}

void Schedule::pump_machine() {
    pumping_ = true;
    while (!stopped_ && !queue_.empty() && queue_.top().at <= machine_->steady()) {
        take_turn(queue_.top().at);
    }
    pumping_ = false;
    arm();
}

WallClock::time_point Schedule::wall_of(Time due) const {
    const double wall_us = static_cast<double>((due - anchor_time_).count) / scale_;
    return anchor_wall_ + std::chrono::microseconds(static_cast<std::int64_t>(wall_us));
}

void Schedule::anchor() {
    anchor_wall_ = WallClock::now();
    anchor_time_ = virtual_->now();
}

// Of the turns and the alarms, whichever comes first; one that was hurried may be due before the clock's time, and
// comes now.
std::optional<Time> Schedule::next_due() const {
    std::optional<Time> due = virtual_->next_alarm();
    if (!queue_.empty() && (!due || queue_.top().at < *due)) {
        due = queue_.top().at;
    }
    return due ? std::optional(std::max(*due, virtual_->now())) : std::nullopt;
}

// Alarms, then what has come over the links, then one turn. Whether there was one.
bool Schedule::go_to(Time due) {
    pumping_ = true;
    const Time reached = lockstep_ != nullptr ? virtual_->now() + lockstep_->pass(due - virtual_->now()) : due;
    virtual_->set(reached);
    if (lockstep_ != nullptr) {
        lockstep_->deliver();
    }
    const bool turn = !stopped_ && held_ == 0 && !queue_.empty() && queue_.top().at <= reached;
    if (turn) {
        take_turn(reached);
    }
    pumping_ = false;
    return turn;
}

// Sleeps until it is time for what is due, or as long as it takes until an answer may have come that is on its way.
// Whether it went on instead, as far as `now` allows.
bool Schedule::keep_pace(Time due, WallClock::time_point wall, WallClock::time_point now) {
    if (lockstep_ == nullptr || !lockstep_->outstanding()) {
        sleep_until(wall);
        return false;
    }
    const double allowed_us = std::chrono::duration<double, std::micro>(now - anchor_wall_).count() * scale_;
    const Time allowed = anchor_time_ + Duration{static_cast<std::int64_t>(allowed_us)};
    const Duration span =
        std::min(lockstep_->whole_steps(std::max(allowed - virtual_->now(), Duration{})), due - virtual_->now());
    if (span.count <= 0) {
        sleep_until(std::min(wall, wall_of(virtual_->now() + channel::Lockstep::step)));
        return false;
    }
    go_to(virtual_->now() + span);
    return true;
}

void Schedule::pump_virtual() {
    const WallClock::time_point began = WallClock::now();
    WallClock::time_point wall_now = began;
    while (!stopped_ && held_ == 0) {
        const std::optional<Time> due = next_due();
        if (!due) {
            return;
        }
        if (may_go_on_ && !may_go_on_()) {
            sleep_until(wall_now + look_again);
            return;
        }
        WallClock::time_point wall = wall_of(*due);
        if (busy_ == 0 && idle_until_ > wall) {
            wall = idle_until_;
        }
        if (wall > wall_now) {
            if (keep_pace(*due, wall, wall_now)) {
                wall_now = WallClock::now();
                continue;
            }
            return;
        }
        if (wall_now - wall > behind_max) {
            anchor();
        }
        const Time before = virtual_->now();
        const bool turn = go_to(*due);
        wall_now = WallClock::now();
        if (busy_ == 0 && (turn || virtual_->now() - before > idle_step)) {
            anchor();
            idle_until_ = wall_now + idle_pause;
        }
        if (wall_now - began > stretch) {
            arm();
            return;
        }
    }
}

}  // namespace slowfilm::bench
