// All virtual instruments of a bench file on one virtual clock. Bytes go in, time goes on, bytes come out: nothing else
// happens in here, so the same bytes at the same times give the same record at any speed.
#pragma once

#include "daemon/core/quantity.hpp"
#include "daemon/core/result.hpp"
#include "sim/instrument/fault.hpp"
#include "sim/instrument/fixture.hpp"
#include "sim/instrument/line.hpp"

#include <cstddef>
#include <map>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace slowfilm::sim::instrument {

// What happens to an instrument and when.
struct PlannedFault {
    std::string instrument;
    Fault fault;
    Duration after{};              // since the bench began
    std::optional<Duration> for_;  // nothing: it stays
};

class VirtualBench {
  public:
    // What a bench file describes (config.hpp makes it).
    struct Parts {
        std::map<std::string, std::shared_ptr<Fixture>> cells;
        std::vector<Line> lines;
        std::vector<PlannedFault> faults;
    };
    explicit VirtualBench(Parts parts);

    [[nodiscard]] Time now() const { return now_; }
    // Everything up to and at `time`, which is not before now().
    void run_to(Time time);
    // The time at which something may next be sent: an answer that is due, or a question whose last byte is still
    // coming.
    [[nodiscard]] std::optional<Time> next() const;

    [[nodiscard]] std::size_t lines() const { return parts_.lines.size(); }
    [[nodiscard]] const Line& line(std::size_t index) const { return parts_.lines.at(index); }
    // What the host sends now, and what has come for it by now.
    void put(std::size_t line, std::string_view bytes) { parts_.lines.at(line).put(bytes, now_); }
    [[nodiscard]] std::string take(std::size_t line) { return parts_.lines.at(line).take(now_); }

    [[nodiscard]] Result<void, std::string> begin(const std::string& instrument, const Fault& fault);
    // Ends all faults of an instrument; the number that it had.
    [[nodiscard]] std::size_t clear(std::string_view instrument);
    void plan(PlannedFault fault, Time from);
    void plan_end(const PlannedFault& fault, Time begun);  // of one that has begun and has an end
    [[nodiscard]] Line* line_of(std::string_view instrument);
    [[nodiscard]] std::vector<std::string> instruments() const;
    [[nodiscard]] Fixture* cell(const std::string& name);
    [[nodiscard]] std::vector<std::string> cells() const;
    [[nodiscard]] std::string describe(std::string_view instrument);

  private:
    struct Event {
        std::string instrument;
        Fault fault;
        bool on{true};
    };
    void happen(const Event& event);
    void tick();

    Parts parts_;
    Time now_{};
    Time next_tick_{};
    std::multimap<Time, Event> events_;
    std::vector<Event> active_;
};

}  // namespace slowfilm::sim::instrument
