// What a protocol can never exceed, by arithmetic alone: it holds for every cell, whatever the cell does. Gaps, pauses,
// waiting for people and for the other cells of a tray, and the ticks that a channel takes from one step to the next
// are not the protocol's doing and not in it. A share "of measured" is reckoned at 150 % of rated.
#pragma once

#include "daemon/protocol/protocol.hpp"

#include <boost/json/object.hpp>
#include <cstdint>
#include <limits>
#include <optional>
#include <string>

namespace slowfilm::protocol {

// A bound that stands at this value is none: the protocol leaves it open, or it is beyond what can be counted.
template <class Q>
inline constexpr Q unbounded{std::numeric_limits<std::int64_t>::max()};

struct Bounds {
    Duration run_time;  // the longest that the steps can last, one after the other; waiting for people not counted
    Duration ask_time;  // beside it: the longest that `ask` steps may wait for a person, with their delay
    // The most charge between two discharges of more than 10 % of rated, tap and holds included. Where charge_leg_max
    // gives the bound, the two samples that the guard takes to trip come on top.
    Charge charge_leg;
    Charge discharge_leg;  // the most that the steps between two charging steps can take out, as a magnitude
    // The highest that any step charges or holds to, the lowest that any discharges or holds to; the window where no
    // voltage ends a step. Nothing where no step charges, or none discharges.
    std::optional<Voltage> voltage_highest, voltage_lowest;
    // How far beyond them the stage's own ceiling and floor can lie, whatever the instrument's accuracy.
    std::optional<Voltage> ceiling_highest, floor_lowest;
    Current charge_current;     // the highest asked into the cell
    Current discharge_current;  // and out of it, as a magnitude
    Current test_current;     // of the connection checks, before the first step and after a person had the cell in hand
    std::uint64_t visits{0};  // steps gone through, each pass of a repeat counted; saturates

    bool operator==(const Bounds&) const = default;
};

[[nodiscard]] Bounds bounds(const Protocol& protocol, Charge capacity);

// The shortest time the run needs even if every condition but time is met at once; what run_time_max must leave room
// for.
[[nodiscard]] Duration shortest_run(const Protocol& protocol);

// Five to seven lines for a person, under the heading that `check` prints.
[[nodiscard]] std::string bounds_text(const Bounds& bounds);
// Keys end in their unit; what is not defined is null, with the reason under the same key in "reasons".
[[nodiscard]] boost::json::object bounds_json(const Bounds& bounds);

// The protocol's limits with every default filled in that does not depend on the channel; what stays absent
// (current_error, leakage_max, hold_error, stale_after) is taken from the channel's accuracy and period. A `for` that
// is not written takes the guard table's. What was switched off stays off. `written` stays as it was, so that a plan
// can switch off a default that its channel cannot judge (lead_drop, above_ambient, temperature_rise).
[[nodiscard]] Limits with_defaults(const Protocol& protocol);

// The cell's voltage when the run starts, as [start] says or by the state's default.
[[nodiscard]] Voltage start_voltage_min(const Protocol& protocol);
[[nodiscard]] Voltage start_voltage_max(const Protocol& protocol);

// The connection checks' test current in parts of the 1C current (common practice); half of current_max at most.
[[nodiscard]] constexpr std::int64_t test_part(CellState state) {
    switch (state) {
        case CellState::pristine: return 50;
        case CellState::tapped: return 20;
        case CellState::formed: return 10;
    }
    return 50;
}
// With less than this part of 1C a cell of common resistance (0.1 V at 1C) does not show beside an instrument's error.
inline constexpr std::int64_t test_part_least = 100;

inline constexpr Ratio measured_most{1'500'000};  // a measured capacity is at most this share of the rated one

// The stage's margins that a protocol must leave room for, whatever the instrument.
inline constexpr Voltage end_margin_unknown{
    5'000'000};  // of the ceiling over the end voltage, where accuracy is unknown
inline constexpr Voltage ceiling_over_window{10'000'000};  // the ceiling stays below window.max + this
inline constexpr Voltage ceiling_under_limit{10'000'000};  // and below voltage_max - this; a floor mirrors it

inline constexpr Voltage reversed_trip{-100'000'000};         // the guard that no key moves
inline constexpr Voltage floor_under_window{100'000'000};     // discharge_floor: window.min - this
inline constexpr Voltage low_trip_under_window{500'000'000};  // low_voltage.trip: window.min - this
inline constexpr Voltage armed_over_window{300'000'000};      // low_voltage.armed_above: window.min + this
inline constexpr Voltage voltage_fall_default{50'000'000};
inline constexpr Voltage voltage_jump_default{50'000'000};
inline constexpr Voltage lead_drop_default{300'000'000};
inline constexpr Ratio stuck_default{20'000};       // 2 % of rated
inline constexpr Ratio stuck_default_flat{50'000};  // 5 %, of LFP, whose voltage is flat
inline constexpr TemperatureDifference above_ambient_default{15'000};
inline constexpr Temperature temperature_min_default{263'150};        // -10 degC
inline constexpr TemperatureSlope temperature_rise_default{120'000};  // 2 K/min
inline constexpr Ratio charge_leg_first_default{1'250'000};           // 125 %
inline constexpr Ratio charge_leg_later_default{1'100'000};           // 110 %
inline constexpr Ratio net_max_default{1'250'000};                    // 125 %

}  // namespace slowfilm::protocol
