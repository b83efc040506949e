// The events that subscribers are sent: numbered from 1 without gaps, the newest of them kept as finished lines that
// all subscribers share. A subscriber is only a position in here, so a slow one costs no memory.
#pragma once

#include <boost/json/object.hpp>
#include <cstddef>
#include <cstdint>
#include <deque>
#include <memory>
#include <string>

namespace slowfilm::control {

using SharedLine = std::shared_ptr<const std::string>;

class EventLog {
  public:
    explicit EventLog(std::size_t kept_max) : kept_max_{kept_max == 0 ? 1 : kept_max} {}

    // Puts `sequence` behind `kind` ("event" where there is none) and keeps the line. Returns the number.
    std::uint64_t add(boost::json::object event);

    [[nodiscard]] std::uint64_t last() const { return first_ + lines_.size() - 1; }
    [[nodiscard]] std::uint64_t first_kept() const { return first_; }
    [[nodiscard]] std::size_t kept_max() const { return kept_max_; }
    // Only for numbers from first_kept() to last().
    [[nodiscard]] const SharedLine& line(std::uint64_t sequence) const { return lines_[sequence - first_]; }

  private:
    std::size_t kept_max_;
    std::uint64_t first_{1};
    std::deque<SharedLine> lines_;
};

}  // namespace slowfilm::control
