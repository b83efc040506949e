// Each record as one row: its columns in one order, bound and read in that order.
#pragma once

#include "daemon/core/result.hpp"
#include "daemon/ledger/records.hpp"
#include "daemon/ledger/sqlite.hpp"

#include <string>
#include <string_view>

namespace slowfilm::ledger {

inline constexpr std::string_view run_columns =
    "number, cell, channel, tray, tray_name, protocol_title, protocol_text, protocol_sha256, capacity_pc, traits, "
    "caps, history, "
    "effective, "
    "software, boot_id, rehearsal, created_us, created_utc_us";
inline constexpr std::string_view status_columns =
    "number, state, wait, needs, started_utc_us, ended_utc_us, started_us, ended_us";
inline constexpr std::string_view visit_columns =
    "run, visit, path, name, pass, kind, cycle, ends_cycle, started_us, ended_us, charge_in_ah, charge_out_ah, "
    "energy_in_wh, "
    "energy_out_wh, net_at_start_ah, voltage_start_v, voltage_end_v, current_end_a, temperature_max_degc, ended_by, "
    "resistance_ohm, no_resistance";
inline constexpr std::string_view event_columns =
    "run, sequence, event, code, step, visit, time_us, value, bound, kind, text, utc_us";
inline constexpr std::string_view sample_columns =
    "run, sequence, visit, cycle, path, time_us, utc_us, step_time_us, voltage_v, voltage_quality, voltage_age_us, "
    "terminals_v, "
    "terminals_quality, terminals_age_us, current_a, current_quality, current_age_us, temperature_degc, "
    "temperature_quality, "
    "temperature_age_us, ambient_degc, ambient_quality, ambient_age_us, mode, raw_hash, charge_in_ah, charge_out_ah, "
    "energy_in_wh, energy_out_wh";
inline constexpr std::string_view tape_columns = "run, first_sequence, last_sequence, utc_us, bytes";
inline constexpr std::string_view checkpoint_columns = "run, sequence, state";
inline constexpr std::string_view margin_columns = "run, place, name, unit, trip, closest, closest_second, written";
inline constexpr std::string_view action_columns = "utc_us, run, channel, verb, detail, who";
inline constexpr std::string_view cell_columns =
    "id, furthest, known, armed, quarantined, first_leg_over, leg_pc, leg_unseen_pc, net_pc, net_unseen_pc, "
    "highest_nv, measured_pc, low_since_us, quarantine, updated_utc_us";
inline constexpr std::string_view mark_columns =
    "run, visit, of_run, at_us, path, time_us, mean_v, deviation_v, temperature_degc, readings";
inline constexpr std::string_view move_columns = "run, after_sequence, from_channel, to_channel, traits, caps, utc_us";
inline constexpr std::string_view hand_reading_columns = "cell, name, value, unit, text, run, path, utc_us, who";
inline constexpr std::string_view lifted_columns = "cell, quarantine, reason, utc_us, who";
inline constexpr std::string_view latch_columns = "channel, text, utc_us";

// "INSERT INTO table(columns) VALUES(?, ?, ...)".
[[nodiscard]] std::string insert_into(std::string_view table, std::string_view columns);

// A header's JSON texts live as long as the statement runs, so they are the caller's.
struct HeaderTexts {
    explicit HeaderTexts(const RunHeader& header);
    std::string traits, caps, history;
};
struct MoveTexts {
    explicit MoveTexts(const MoveRecord& move);
    std::string traits, caps;
};
void bind(Statement& statement, const RunHeader& header, const HeaderTexts& texts);
void bind(Statement& statement, const VisitRecord& visit);
void bind(Statement& statement, const EventRecord& event);
void bind(Statement& statement, const SampleRecord& sample);
void bind(Statement& statement, const TapeChunk& chunk);
void bind(Statement& statement, const Checkpoint& checkpoint);
void bind(Statement& statement, RunNumber run, std::size_t place, const GuardMargins::Row& row);
void bind(Statement& statement, const OperatorAction& action);
void bind(Statement& statement, const CellRecord& cell);
void bind(Statement& statement, const MarkRecord& mark);
void bind(Statement& statement, const MoveRecord& move, const MoveTexts& texts);
void bind(Statement& statement, const HandReading& reading);
void bind(Statement& statement, const QuarantineLifted& lifted);
void bind(Statement& statement, const ChannelLatch& latch);

// bad_data, naming the row and the column, where a row cannot have been written by us.
[[nodiscard]] Result<void> read(Statement& statement, RunHeader& header);
[[nodiscard]] Result<void> read(Statement& statement, RunStatus& status);
[[nodiscard]] Result<void> read(Statement& statement, VisitRecord& visit);
[[nodiscard]] Result<void> read(Statement& statement, EventRecord& event);
[[nodiscard]] Result<void> read(Statement& statement, SampleRecord& sample);
[[nodiscard]] Result<void> read(Statement& statement, TapeChunk& chunk);
[[nodiscard]] Result<void> read(Statement& statement, Checkpoint& checkpoint);
[[nodiscard]] Result<void> read(Statement& statement, GuardMargins::Row& row);  // without run and place
[[nodiscard]] Result<void> read(Statement& statement, OperatorAction& action);
[[nodiscard]] Result<void> read(Statement& statement, CellRecord& cell);
[[nodiscard]] Result<void> read(Statement& statement, MarkRecord& mark);
[[nodiscard]] Result<void> read(Statement& statement, MoveRecord& move);
[[nodiscard]] Result<void> read(Statement& statement, HandReading& reading);
[[nodiscard]] Result<void> read(Statement& statement, QuarantineLifted& lifted);
[[nodiscard]] Result<void> read(Statement& statement, ChannelLatch& latch);

// What is known of a cell after `newer` where `older` was recorded before: the furthest state and arming go one way
// once current has flowed, quarantine always; the first reason of a quarantine stays, charges are the newer ones.
[[nodiscard]] CellRecord merged(const CellRecord& older, CellRecord newer);

}  // namespace slowfilm::ledger
