// What the ledger holds, as plain values. The writer takes them, the reader gives them back, a rehearsal without a file
// fills the same ones: figures are computed from these and from nothing else.
#pragma once

#include "daemon/core/cell.hpp"
#include "daemon/core/event.hpp"
#include "daemon/core/input.hpp"
#include "daemon/core/sample.hpp"
#include "daemon/core/traits.hpp"

#include <array>
#include <cstdint>
#include <optional>
#include <string>
#include <variant>
#include <vector>

namespace slowfilm::ledger {

using RunNumber = std::uint32_t;  // from 1 within a ledger

// All that is needed to run the fold again, and where it came from. Written once, at start.
struct RunHeader {
    RunNumber run{0};
    std::string cell, channel;  // channel: where it is now
    RunNumber tray{0};          // the first run of its tray; 0: it was started alone
    std::string tray_name;
    std::string protocol_title, protocol_text, protocol_sha256;
    Charge capacity;
    ChannelTraits traits;  // of the channel where it began
    BenchCaps caps;
    CellHistory history;    // of the cell, before this run
    std::string effective;  // JSON, for people: the guards with their values and origins, the bounds
    std::string software, boot_id;
    bool rehearsal{false};
    Time created;
    std::int64_t created_utc{0};  // us since 1970
};

struct RunStatus {
    RunNumber run{0};
    RunState state{RunState::planned};
    WaitReason wait{WaitReason::none};
    std::string needs;  // what a person must do, or ""
    std::optional<std::int64_t> started_utc, ended_utc;
    Time started, ended;
};

struct VisitRecord {
    RunNumber run{0};
    std::uint32_t visit{0};
    std::string path, name, pass;  // pass as "1.3", "" outside repeats
    std::string kind;              // the step's `do`
    std::uint32_t cycle{1};
    bool ends_cycle{false};
    Time started, ended;
    double charge_in_ah{0}, charge_out_ah{0}, energy_in_wh{0}, energy_out_wh{0};
    double net_at_start_ah{0};                                                       // of the run, when the visit began
    std::optional<double> voltage_start, voltage_end, current_end, temperature_max;  // V, A, degC
    std::string ended_by;
    std::optional<double> resistance;  // ohm, of a pulse
    std::string no_resistance;         // why a pulse has none; "" for one that has, and for other steps
};

// The mean open-circuit voltage over a span that ends at one of `keep.at`.
struct MarkRecord {
    RunNumber run{0};
    std::uint32_t visit{0};
    std::string path;                   // of the step
    bool of_run{false};                 // of [keep], not of the step
    Duration at;                        // as written: since the step's start, or the run's
    Time time;                          // of the end of the span
    double mean{0}, deviation{0};       // V; the standard deviation of one reading
    std::optional<double> temperature;  // degC
    std::uint32_t readings{0};
};

// The run went on on another channel after this input: from there on its plan has these traits.
struct MoveRecord {
    RunNumber run{0};
    std::uint64_t after{0};  // the last input before it
    std::string from, to;    // channels
    ChannelTraits traits;
    BenchCaps caps;
    std::int64_t utc{0};
};

struct EventRecord {
    RunNumber run{0};
    std::uint64_t sequence{0};  // of the input that caused it
    Event event{};
    std::string kind, text;  // the name and the sentence
    std::int64_t utc{0};
};

struct SampleRecord {
    RunNumber run{0};
    std::uint64_t sequence{0};
    std::uint32_t visit{0};
    std::uint32_t cycle{1};
    std::string path;    // of the step
    Duration step_time;  // since the visit began
    Sample sample;
    double charge_in_ah{0}, charge_out_ah{0};  // since the run began
    double energy_in_wh{0}, energy_out_wh{0};
    Time time;
    std::int64_t utc{0};
};

// Encoded inputs of one run, in order; see tape.hpp.
struct TapeChunk {
    RunNumber run{0};
    std::uint64_t first_sequence{0}, last_sequence{0};
    std::string bytes;
    std::int64_t utc{0};
};

struct Checkpoint {
    RunNumber run{0};
    std::uint64_t sequence{0};
    std::string state;  // engine::serialise
};

// Replaces the run's guard rows.
struct GuardMargins {
    struct Row {
        std::string name, unit;
        std::optional<double> trip, closest, closest_second;
        bool written{false};
    };
    RunNumber run{0};
    std::vector<Row> rows;
};

struct OperatorAction {
    std::int64_t utc{0};
    std::optional<RunNumber> run;
    std::string channel, verb, detail, who;  // who: "uid 1000 (name)"
};

struct CellRecord {
    std::string id;
    CellHistory history;
    std::string quarantine;  // the reason, "" where not quarantined
    std::int64_t updated_utc{0};
};

// What a person measured, or knows, of a cell: entered by hand or asked for by a step. The latest of a name stands.
struct HandReading {
    std::string cell, name;
    std::optional<double> value;  // nothing where it is a word or a time
    std::string unit, text;       // text: as it was written
    std::optional<RunNumber> run;
    std::string path;  // of the step that asked, or ""
    std::int64_t utc{0};
    std::string who;
};

// A person lifted a cell's quarantine.
struct QuarantineLifted {
    std::string cell, quarantine;  // what it was quarantined for
    std::string reason, who;
    std::int64_t utc{0};
};

// A channel that may get no current until a person acknowledges why; no text: it is free again.
struct ChannelLatch {
    std::string channel, text;
    std::int64_t utc{0};
};

using Record =
    std::variant<RunHeader, RunStatus, VisitRecord, EventRecord, SampleRecord, TapeChunk, Checkpoint, GuardMargins,
                 OperatorAction, CellRecord, MarkRecord, MoveRecord, HandReading, QuarantineLifted, ChannelLatch>;

// A run as figures need it, without its samples.
struct RunData {
    RunHeader header;
    RunStatus status;
    std::vector<VisitRecord> visits;
    std::vector<EventRecord> events;
    GuardMargins margins;
    std::vector<OperatorAction> actions;
    std::vector<MarkRecord> marks;
    std::vector<MoveRecord> moves;
    std::vector<HandReading> entered;  // because its steps asked
};

}  // namespace slowfilm::ledger
