// A serial line with one instrument on it, or several Modbus units: how long bytes take, and what goes wrong between an
// instrument's mouth and the host's ear. Virtual time only.
#pragma once

#include "daemon/core/quantity.hpp"
#include "sim/instrument/instrument.hpp"

#include <cstddef>
#include <cstdint>
#include <deque>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace slowfilm::sim::instrument {

struct LineOptions {
    std::string name;             // of the port
    std::int64_t baud{115'200};   // > 0
    std::int64_t character{10};   // bits, with start and stop
    Duration answer{5'000};       // from the end of a question to the first byte of its answer
    std::optional<Duration> gap;  // this long without a byte is the end of a frame; nothing: lines have ends
};

// A port is a file and a word of the clock's and the console's lines. Why a text cannot name one, as the end of a
// sentence that begins with it.
[[nodiscard]] std::optional<std::string> why_no_port_name(std::string_view name);

class Line {
  public:
    explicit Line(LineOptions options);
    Line(Line&&) = default;
    Line& operator=(Line&&) = default;

    // The name by which console and fault script know the instrument.
    void add(std::string name, std::unique_ptr<Instrument> instrument);

    // Bytes that the host sends at `now`: they come one after the other.
    void put(std::string_view bytes, Time now);
    // When the next byte, or the silence after it, is heard.
    [[nodiscard]] std::optional<Time> next_heard() const;
    // When all that was put will have been heard.
    [[nodiscard]] std::optional<Time> last_heard() const;
    // Hears what is due at `now`, which next_heard() said.
    void hear(Time now);
    // What has gone out by `now`, and when the next whole piece will have.
    [[nodiscard]] std::string take(Time now);
    [[nodiscard]] std::optional<Time> next_sent() const;
    void tick(Time now);

    // Faults of one instrument, the line's own or the instrument's.
    [[nodiscard]] Result<void, std::string> set_fault(std::string_view name, const Fault& fault, bool on, Time now);
    void unplug();
    void plug(std::string name);
    [[nodiscard]] bool plugged() const { return plugged_; }
    [[nodiscard]] int unplugged() const { return unplugged_; }  // how often
    [[nodiscard]] const std::string& name() const { return options_.name; }
    [[nodiscard]] bool has(std::string_view name) const;
    [[nodiscard]] std::vector<std::string> names() const;
    [[nodiscard]] std::string describe(std::string_view name, Time now);

  private:
    struct Station {
        std::string name;
        std::unique_ptr<Instrument> instrument;
        Time free{};  // when it has said all that it had to say
        std::string held, last;
        bool silent{false}, frozen{false}, merged{false}, garbled{false}, again{false};
        std::optional<Duration> late, split;
        std::uint64_t said{0};
    };
    [[nodiscard]] Station* find(std::string_view name);
    [[nodiscard]] Duration length(std::size_t bytes) const;
    void say(Station& station, std::string text, Time now);
    void send(Time due, std::string bytes);
    [[nodiscard]] bool own_fault(Station& station, const Fault& fault, bool on);

    struct Piece {
        Time due;
        std::string bytes;
    };
    LineOptions options_;
    std::vector<Station> stations_;
    std::deque<std::pair<Time, char>> coming_;
    std::deque<Piece> going_;
    Time arrived_{};  // when the last byte put will have come
    std::optional<Time> gap_;
    bool plugged_{true}, echoing_{false};
    int unplugged_{0};
};

}  // namespace slowfilm::sim::instrument
