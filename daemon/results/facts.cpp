#include "daemon/results/facts.hpp"

#include "daemon/core/unit.hpp"

#include <algorithm>
#include <iterator>

namespace slowfilm::results {

namespace {

std::string path_of(const Summary& summary, const Event& event) {
    return event.step < summary.step_paths.size() ? summary.step_paths[event.step] : "";
}

double second_of(const ledger::RunData& run, Time time) {
    return seconds(time - run.status.started);
}

}  // namespace

std::vector<Trip> trips_of(const Summary& summary) {
    std::vector<Trip> trips;
    for (const ledger::EventRecord& record : summary.run.events) {
        const Event& event = record.event;
        if (event.kind == EventKind::acknowledged && !trips.empty()) {
            trips.back().acknowledged = true;
        }
        if (event.kind != EventKind::tripped || event.code >= guard_count) {
            continue;
        }
        const GuardRow& row = guard_row(static_cast<GuardId>(event.code));
        const Unit unit = unit_of(row.dimension);
        trips.push_back({.guard = row.id,
                         .second = second_of(summary.run, event.time),
                         .path = path_of(summary, event),
                         .text = record.text,
                         .value = unit.of(event.value),
                         .limit = unit.of(event.limit),
                         .unit = std::string{unit.name},
                         .acknowledged = false});
    }
    return trips;
}

std::vector<std::string> repeats_of(const ledger::RunData& run) {
    std::vector<std::string> sentences;
    for (const ledger::EventRecord& record : run.events) {
        if (record.event.kind == EventKind::repeat_ended) {
            sentences.push_back(record.text);
        }
    }
    return sentences;
}

std::vector<GapFact> gaps_of(const Summary& summary) {
    std::vector<GapFact> gaps;
    for (const ledger::EventRecord& record : summary.run.events) {
        if (record.event.kind == EventKind::gap) {
            gaps.push_back({.second = second_of(summary.run, record.event.time),
                            .length = seconds(Duration{record.event.value}),
                            .path = path_of(summary, record.event)});
        }
    }
    return gaps;
}

std::optional<double> run_second(const ledger::RunData& run, Time time) {
    if (!run.status.started_utc) {
        return std::nullopt;
    }
    return second_of(run, time);
}

std::optional<double> bad_readings_of(const ledger::RunData& run) {
    for (const ledger::GuardMargins::Row& row : run.margins.rows) {
        if (row.name == guard_row(GuardId::not_plausible).name) {
            return row.closest;
        }
    }
    return std::nullopt;
}

std::vector<ledger::OperatorAction> notes_of(const ledger::RunData& run) {
    std::vector<ledger::OperatorAction> notes;
    std::copy_if(run.actions.begin(), run.actions.end(), std::back_inserter(notes),
                 [](const ledger::OperatorAction& action) { return action.verb == "note"; });
    return notes;
}

std::optional<double> waiting_second(const ledger::RunData& run) {
    if (!run.status.started_utc) {
        return std::nullopt;
    }
    Duration sum;
    std::optional<Time> since;
    const auto go_on = [&](Time time) {
        sum = since && time > *since ? sum + (time - *since) : sum;
        since.reset();
    };
    for (const ledger::EventRecord& record : run.events) {
        const EventKind kind = record.event.kind;
        if (kind == EventKind::asking || kind == EventKind::paused || kind == EventKind::waiting ||
            kind == EventKind::tripped) {
            since = since.value_or(record.event.time);
        } else if (kind == EventKind::resumed || kind == EventKind::confirmed || kind == EventKind::stopped ||
                   kind == EventKind::done) {
            go_on(record.event.time);
        }
    }
    go_on(run.status.ended);
    return seconds(sum);
}

std::optional<double> duration_second(const ledger::RunData& run) {
    return run_second(run, run.status.ended);
}

}  // namespace slowfilm::results
