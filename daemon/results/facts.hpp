// What the JSON and the text of a summary both say, taken from the record once.
#pragma once

#include "daemon/protocol/guard_table.hpp"
#include "daemon/results/summary.hpp"

#include <optional>
#include <string>
#include <vector>

namespace slowfilm::results {

struct Trip {
    GuardId guard{GuardId::over_voltage};
    double second{0.0};  // of the run
    std::string path;    // of the step, "" where the recorded protocol cannot be read
    std::string text;    // the event's sentence
    double value{0.0}, limit{0.0};
    std::string unit;
    bool acknowledged{false};
};

struct GapFact {
    double second{0.0};  // of the run, when it was over
    double length{0.0};  // s
    std::string path;
};

[[nodiscard]] std::vector<Trip> trips_of(const Summary& summary);
// Repeats that ended before all their passes, or were left out: the event's sentence each, in order.
[[nodiscard]] std::vector<std::string> repeats_of(const ledger::RunData& run);
[[nodiscard]] std::vector<GapFact> gaps_of(const Summary& summary);
// Since the run began; nothing before it has.
[[nodiscard]] std::optional<double> run_second(const ledger::RunData& run, Time time);
// Samples with a reading that made no sense and was ridden out; nothing where the record does not tell.
[[nodiscard]] std::optional<double> bad_readings_of(const ledger::RunData& run);
// What people said of the run, in order.
[[nodiscard]] std::vector<ledger::OperatorAction> notes_of(const ledger::RunData& run);
// How long it stood because a person was needed: asking, paused, waiting or tripped, up to its end or so far.
[[nodiscard]] std::optional<double> waiting_second(const ledger::RunData& run);
// How long it lasted, or has lasted so far.
[[nodiscard]] std::optional<double> duration_second(const ledger::RunData& run);

}  // namespace slowfilm::results
