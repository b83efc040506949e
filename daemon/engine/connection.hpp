// Before current flows: is the right cell there, the right way round, at a sane temperature, with nothing flowing? Then
// a small current: does the voltage answer to it, and only this cell's?
//
//   none --static checks passed--> wanted --TestGrant--> before --Applied--> driven --a reading--> after --> passed
#pragma once

#include "daemon/core/event.hpp"
#include "daemon/engine/plan.hpp"
#include "daemon/engine/run.hpp"

#include <cstdint>

namespace slowfilm::engine {

inline constexpr Voltage reversed_below{-100'000'000};  // -0.10 V: a cell the wrong way round, or driven over
inline constexpr Voltage tapped_from{800'000'000};      // 0.8 V: a cell that has been there has had its tap charge

// What is to be done besides deciding.
enum class CheckAct : std::uint8_t {
    none,
    ask_group,  // the test current may flow once the group grants it
    open,       // the test current has told enough
};

struct ConnectionVerdict {
    ConnectionFault fault{ConnectionFault::none};
    bool decided{false};    // two samples in a row said the same, the test told, or the deadline passed
    std::int64_t value{0};  // in the quantity's unit
    std::int64_t limit{0};
    CheckAct act{CheckAct::none};
};

// Starts a new round of checks.
void start_checks(Run& run, StartWindow window, Time now);
// Judged on every sample while checking; readings from before the checks began do not count.
[[nodiscard]] ConnectionVerdict check_connection(const Plan& plan, Run& run, const Sample& sample, Time now);
// Time alone: no reading within the deadline is a fault. Waiting for the group has none.
[[nodiscard]] ConnectionVerdict check_deadline(const Plan& plan, const Run& run, Time now);
// Whether a voltage at rest can be that of the cell that was here.
[[nodiscard]] bool may_be_same_cell(const Plan& plan, const Run& run, Voltage voltage);
// What a cell that has got this far can show at its terminals.
[[nodiscard]] protocol::Range<Voltage> start_window(CellState state, Voltage window_min, Voltage window_max);

// A small current for one reading. A pristine cell is only ever charged, with no more than C/50 for 1 s moves, and its
// resistance is not judged; a tapped one is charged; a formed one is driven away from the nearer end of its window.
struct TestCurrent {
    bool possible{false};  // false: the channel cannot sink, and there is no room to charge
    DriveCurrent drive;
};
[[nodiscard]] TestCurrent test_current(const Plan& plan, const Run& run, Voltage voltage);
// From the current's being taken to its end at the latest.
[[nodiscard]] Duration test_time(const ChannelTraits& traits);
// The smallest change of voltage that this channel tells from its noise and its last digit.
[[nodiscard]] Voltage test_threshold(const ChannelTraits& traits);

}  // namespace slowfilm::engine
