// The one table of guards: key, class, hardness, default, persistence and its cap, when it is judged, what it reads.
// The engine judges by it, `check` prints it, the language reference is generated from it.
//
// It stands in protocol/, one room left of engine/, because the checker must refuse a softened hard guard and may not
// see the engine.
#pragma once

#include "daemon/core/quantity.hpp"

#include <array>
#include <cstdint>
#include <span>
#include <string_view>

namespace slowfilm {

enum class GuardId : std::uint8_t {
    over_voltage,
    reversed,
    low_voltage,
    voltage_fall,  // while charging, below the visit's highest
    discharge_floor,
    over_current,
    current_error,
    current_lost,
    leakage,
    hold_error,
    voltage_jump,
    lead_drop,
    stuck,
    over_temperature,
    under_temperature,
    charge_temperature,
    discharge_temperature,
    temperature_rise,
    above_ambient,
    climb,
    charge_leg,
    charge_net,
    stale,
    not_plausible,
    run_time,
    bench_cap,      // the bench's own limits, besides the protocol's
    channel_fault,  // the driver reported one
    group,
    record_lost,  // never trips; here so that a wait has a name beside the others
};
inline constexpr std::size_t guard_count = 29;

// cell: the run is over and the cell is quarantined. channel: after acknowledge, resume runs the connection checks.
enum class TripClass : std::uint8_t { cell, channel };
// soft guards may be turned to a warning or off; hard ones never. hard_where_on: may be off or unwritten, but where it
// is on it trips, and is given no more persistence than its cap.
enum class Hardness : std::uint8_t { soft, hard, hard_where_on };
struct GuardRow {
    GuardId id;
    std::string_view key;   // in [limits]; "" where there is none
    std::string_view name;  // as events and answers spell it, snake_case
    TripClass trip_class;
    Hardness hardness;
    Dimension dimension;          // of value and limit
    std::string_view by_default;  // for people; "must be written" where there is no default
    Duration persistence;         // default `for`; 0 us means two samples in a row
    Duration persistence_max;     // cap of `for` where hard
    bool persists{true};          // else it trips at once
    std::string_view judged;      // when: "always", "while charging"
    std::string_view reads;       // the quantity; one that is bad or stale is never read as in range. "" for none
    std::string_view fires_when;
    std::string_view why;
};

[[nodiscard]] std::span<const GuardRow, guard_count> guard_table();
[[nodiscard]] const GuardRow& guard_row(GuardId id);

}  // namespace slowfilm
