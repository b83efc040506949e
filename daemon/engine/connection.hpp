// Before current flows: is the right cell there, the right way round, at a sane temperature, with nothing flowing?
#pragma once

#include "daemon/core/event.hpp"
#include "daemon/engine/plan.hpp"
#include "daemon/engine/run.hpp"

#include <cstdint>

namespace slowfilm::engine {

inline constexpr Voltage reversed_below{-100'000'000};  // -0.10 V: a cell the wrong way round, or driven over
inline constexpr Voltage tapped_from{800'000'000};      // 0.8 V: a cell that has been there has had its tap charge

struct ConnectionVerdict {
    ConnectionFault fault{ConnectionFault::none};
    bool decided{false};    // two samples in a row said the same, or the deadline passed
    std::int64_t value{0};  // in the quantity's unit
    std::int64_t limit{0};
};

// Starts a new round of checks.
void start_checks(Run& run, StartWindow window, Time now);
// Judged on every sample while checking; readings from before the checks began do not count.
[[nodiscard]] ConnectionVerdict check_connection(const Plan& plan, Run& run, const Sample& sample, Time now);
// Time alone: no reading within the deadline is a fault.
[[nodiscard]] ConnectionVerdict check_deadline(const Plan& plan, const Run& run, Time now);
// What a cell that has got this far can show at its terminals.
[[nodiscard]] protocol::Range<Voltage> start_window(CellState state, Voltage window_min, Voltage window_max);

}  // namespace slowfilm::engine
