// What deadlines, pauses and delays of the serial side are reckoned in. On the machine it is CLOCK_MONOTONIC through
// Asio; on a virtual clock time stands still until somebody sets it forward, so that a night at a thousandfold pace and
// one at the machine's own leave the same record.
#pragma once

#include "daemon/core/quantity.hpp"

#include <boost/asio/io_context.hpp>
#include <cstdint>
#include <functional>
#include <map>
#include <memory>
#include <optional>
#include <utility>

namespace slowfilm::channel {

class Timing;

// One thing that is to happen later. Dropped, cancelled or set anew before its time, it does not happen: a handler that
// was already queued does nothing.
class Alarm {
  public:
    explicit Alarm(Timing& timing) : timing_(timing) {}
    ~Alarm() { cancel(); }
    Alarm(const Alarm&) = delete;
    Alarm& operator=(const Alarm&) = delete;

    // `then` runs once, at `at` or after, on the thread of the io_context; never before this call returns.
    void set(Time at, std::function<void()> then);
    void cancel();
    [[nodiscard]] bool waiting() const { return waiting_ != nullptr; }

  private:
    friend class Timing;
    struct Pending {
        std::function<void()> act;
        std::function<void()> drop;  // what the timing has set up for it is no longer needed; may be empty
    };
    Timing& timing_;
    std::shared_ptr<Pending> waiting_;
};

class Timing {
  public:
    virtual ~Timing() = default;
    Timing() = default;
    Timing(const Timing&) = delete;
    Timing& operator=(const Timing&) = delete;

    // Steady: stands still while the machine sleeps.
    [[nodiscard]] virtual Time steady() const = 0;

  protected:
    friend class Alarm;
    // Empty once the alarm was cancelled.
    using Waiting = std::weak_ptr<Alarm::Pending>;
    virtual void wake_at(Time at, const Waiting& waiting) = 0;
    // What is to be called when it is cancelled first.
    static void when_dropped(const Waiting& waiting, std::function<void()> drop);
    static void ring(const Waiting& waiting);
};

class MachineTiming final : public Timing {
  public:
    explicit MachineTiming(boost::asio::io_context& io) : io_(io) {}
    [[nodiscard]] Time steady() const override;

  private:
    void wake_at(Time at, const Waiting& waiting) override;
    boost::asio::io_context& io_;
};

// Stands still until it is set forward. It must outlive the alarms that are set on it.
class VirtualTiming final : public Timing {
  public:
    [[nodiscard]] Time steady() const override { return now_; }
    // When the first of the alarms is due: whoever drives the clock must not pass it without setting it.
    [[nodiscard]] std::optional<Time> next() const;
    // Rings what is due until then, each at its own time and in the order of times; an alarm that is set meanwhile
    // rings too when it is due.
    void set(Time now);
    // Called whenever an alarm has been set: whoever drives the clock may be asleep.
    void on_alarm(std::function<void()> tell) { tell_ = std::move(tell); }

  private:
    void wake_at(Time at, const Waiting& waiting) override;
    std::function<void()> tell_;
    Time now_;
    std::multimap<std::int64_t, Waiting> due_;
};

}  // namespace slowfilm::channel
