// Whose turn it is: one period a channel, phases spread over it. On the machine's clock it wakes when a turn is due; on
// a virtual clock it makes the time itself, one turn after the other, and sleeps only to keep the pace.
#pragma once

#include "daemon/bench/clock.hpp"
#include "daemon/channel/lockstep.hpp"

#include <boost/asio/io_context.hpp>
#include <boost/asio/steady_timer.hpp>
#include <chrono>
#include <cstddef>
#include <cstdint>
#include <functional>
#include <optional>
#include <queue>
#include <vector>

namespace slowfilm::bench {

class Schedule {
  public:
    // When the next turn shall come. Where no task is busy, virtual time goes no faster than a bench that is only
    // looked after needs: nobody waits for it.
    struct Next {
        Duration period;
        bool busy{true};
    };
    // A turn; nothing: it sleeps until wake().
    using Turn = std::function<std::optional<Next>()>;
    // Whether virtual time may go on: false while the ledger is far behind.
    using MayGoOn = std::function<bool()>;

    Schedule(boost::asio::io_context& io, MachineClock& clock);
    // `scale`: virtual seconds in a second, > 0.
    Schedule(boost::asio::io_context& io, VirtualClock& clock, double scale, MayGoOn may_go_on);
    ~Schedule();
    Schedule(const Schedule&) = delete;
    Schedule& operator=(const Schedule&) = delete;

    // Time goes on only as far as the other side of this, whose timing is the virtual clock's, has come with it.
    void go_with(channel::Lockstep& lockstep) { lockstep_ = &lockstep; }
    // Nothing is due any more: virtual time stands still until somebody asks for something.
    [[nodiscard]] bool at_rest() const { return queue_.empty() && !virtual_->next_alarm(); }
    // From here on virtual time goes as fast as the machine's.
    void at_machines_pace();

    // Its number, from 0. It sleeps until wake().
    std::size_t add(Duration period, Turn turn);
    // Phases are spread once all are known.
    void spread_phases();
    // The next turn comes at the task's period; nothing where one is waiting already.
    void wake(std::size_t number);
    // The next turn comes at this shorter period, whatever was waiting.
    void hurry(std::size_t number, Duration period);
    // No more turns, for ever.
    void stop();

    // Virtual time stands still between hold() and as many release().
    void hold();
    void release();

    // Longest stretch of turns without giving the sockets a look-in.
    static constexpr std::chrono::milliseconds stretch{5};
    // Between two turns of virtual time while nothing is busy.
    static constexpr std::chrono::milliseconds idle_pause{10};

  private:
    struct Task {
        Duration period;
        Duration phase;
        Turn turn;
        bool waiting{false};      // stands in the queue
        bool busy{true};          // somebody waits for what it does
        std::uint64_t ticket{0};  // of the entry that counts; older ones are passed over
    };
    struct Due {
        Time at;
        std::size_t number{0};
        std::uint64_t ticket{0};
        bool operator>(const Due& other) const {
            return at.count != other.at.count ? at > other.at : number > other.number;
        }
    };

    [[nodiscard]] static Time next_turn(Duration phase, Duration period, Time after);
    [[nodiscard]] Time here() const;
    void enqueue(std::size_t number, Duration period, Time after, bool busy);
    void take_turn(Time due);
    void arm();
    void pump_machine();
    void pump_virtual();
    [[nodiscard]] std::optional<Time> next_due() const;
    [[nodiscard]] bool keep_pace(Time due, std::chrono::steady_clock::time_point wall,
                                 std::chrono::steady_clock::time_point now);
    bool go_to(Time due);
    void sleep_until(std::chrono::steady_clock::time_point wall);
    [[nodiscard]] std::chrono::steady_clock::time_point wall_of(Time due) const;
    void anchor();

    boost::asio::io_context& io_;
    boost::asio::steady_timer timer_;
    MachineClock* machine_{nullptr};
    VirtualClock* virtual_{nullptr};
    channel::Lockstep* lockstep_{nullptr};
    double scale_{1.0};
    MayGoOn may_go_on_;
    std::vector<Task> tasks_;
    std::priority_queue<Due, std::vector<Due>, std::greater<>> queue_;
    std::uint64_t generation_{0};  // of the timer: a handler that was queued before a change does nothing
    bool posted_{false};
    bool pumping_{false};
    bool stopped_{false};
    std::size_t held_{0};
    std::size_t busy_{0};  // of the tasks that stand in the queue
    std::chrono::steady_clock::time_point idle_until_;
    std::chrono::steady_clock::time_point anchor_wall_;
    Time anchor_time_;
};

}  // namespace slowfilm::bench
