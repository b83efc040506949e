// The bench's clocks. Run time is what inputs carry; steady time is what deadlines and the pace are reckoned in; UTC is
// a label beside them.
#pragma once

#include "daemon/channel/timing.hpp"
#include "daemon/core/quantity.hpp"

#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <utility>

namespace slowfilm::bench {

class Clock {
  public:
    virtual ~Clock() = default;
    Clock() = default;
    Clock(const Clock&) = delete;
    Clock& operator=(const Clock&) = delete;

    [[nodiscard]] virtual Time now() const = 0;          // run time, never backwards
    [[nodiscard]] virtual Time steady() const = 0;       // for deadlines: stands still while the machine sleeps
    [[nodiscard]] virtual Duration slept() const = 0;    // how long the machine has slept since it booted
    [[nodiscard]] virtual std::int64_t utc() const = 0;  // us since 1970, of now()
    // Run time goes on from here, where the clock would otherwise begin before it; its label is not before `utc` where
    // the clock makes its own.
    virtual void go_on_from(Time earliest, std::int64_t utc) = 0;
};

// CLOCK_BOOTTIME for runs, CLOCK_MONOTONIC for deadlines.
class MachineClock final : public Clock {
  public:
    [[nodiscard]] Time now() const override;
    [[nodiscard]] Time steady() const override;
    [[nodiscard]] Duration slept() const override;
    [[nodiscard]] std::int64_t utc() const override;
    void go_on_from(Time earliest, std::int64_t utc) override;

  private:
    Duration ahead_;  // run time minus CLOCK_BOOTTIME: not zero once the machine has been restarted under a run
};

// Stands still until it is set forward. Its UTC goes with it, from the moment it was made.
class VirtualClock final : public Clock {
  public:
    explicit VirtualClock(std::int64_t utc_at_zero);
    // It and the links' deadlines are one time.
    VirtualClock(std::int64_t utc_at_zero, channel::VirtualTiming& timing);
    [[nodiscard]] Time now() const override { return timing_.steady() + ahead_; }
    [[nodiscard]] Time steady() const override { return now(); }
    [[nodiscard]] Duration slept() const override { return {}; }
    [[nodiscard]] std::int64_t utc() const override { return utc_at_zero_ + now().count; }
    void go_on_from(Time earliest, std::int64_t utc) override;
    // Rings the alarms that are due until then, each at its own time.
    void set(Time now);
    // When the first of them is due.
    [[nodiscard]] std::optional<Time> next_alarm() const;
    // Called whenever one has been set.
    void on_alarm(std::function<void()> tell) { timing_.on_alarm(std::move(tell)); }

  private:
    channel::VirtualTiming own_;
    channel::VirtualTiming& timing_;
    Duration ahead_;  // run time minus the timing's: not zero once a run is gone on with
    std::int64_t utc_at_zero_;
};

// Microseconds since 1970 by the machine.
[[nodiscard]] std::int64_t machine_utc();
// Of this boot of the machine, "" where the kernel does not tell.
[[nodiscard]] std::string boot_id();

}  // namespace slowfilm::bench
