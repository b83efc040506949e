// What is shown and kept of a run on its channel.
#include "daemon/bench/channel_task.hpp"
#include "daemon/engine/describe.hpp"

#include <utility>
#include <variant>

namespace slowfilm::bench {

bool ActiveRun::over() const {
    if (plan) {
        return engine::is_over(run);
    }
    return status.state == RunState::stopped || status.state == RunState::done;
}

std::string ActiveRun::needs() const {
    if (stuck()) {
        return recorder->needs(run);
    }
    if (!plan || (!trouble.empty() && !over())) {
        return over() ? "" : trouble;
    }
    if (restarted && run.state == RunState::waiting) {
        return "the daemon was restarted during this run; look at the cell, then resume --cell ID or stop";
    }
    return recorder->needs(run);
}

std::string ActiveRun::alarm() const {
    if (!plan) {
        return idle_text;
    }
    if (stuck()) {
        const Current none{plan->guards[static_cast<std::size_t>(GuardId::leakage)].trip};
        return "open this channel by hand now: its output is asked to be open and is not seen open: " +
               (run.last.current.good() ? engine::describe_not_open(run.last.current.value, none)
                                        : std::string("its current has never been read"));
    }
    if (run.idle_said != 0) {
        return idle_text;
    }
    const std::optional<Duration> left = engine::copper_left(run.history, run.now);
    return run.low_said > 0 && left ? engine::describe_copper(run.last.voltage.value, *left) : "";
}

void ActiveRun::note(const ledger::VisitRecord& visit) {
    charge_in_ah += visit.charge_in_ah;
    charge_out_ah += visit.charge_out_ah;
}

void ActiveRun::note(const ledger::EventRecord& event) {
    if (event.event.kind == EventKind::tripped) {
        trip_text = event.text;
    } else if (event.event.kind == EventKind::idle_alarm) {
        idle_text = event.text;
    }
}

void ActiveRun::keep(ledger::Record record) {
    if (const auto* visit = std::get_if<ledger::VisitRecord>(&record)) {
        note(*visit);
    } else if (const auto* event = std::get_if<ledger::EventRecord>(&record)) {
        note(*event);
    }
    records.push_back(std::move(record));
}

}  // namespace slowfilm::bench
