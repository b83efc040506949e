// What the ledger says lies in the fixtures when the daemon starts: every run that nobody has removed is bound to its
// channel again; one that was under way waits for a person.
#include "daemon/bench/bench.hpp"
#include "daemon/bench/replay.hpp"
#include "daemon/core/text.hpp"

#include <algorithm>
#include <set>
#include <utility>

namespace slowfilm::bench {
namespace {

bool is_finished(RunState state) {
    return state == RunState::done || state == RunState::stopped;
}

bool was_removed(const ledger::RunData& data) {
    return std::any_of(data.actions.begin(), data.actions.end(),
                       [](const ledger::OperatorAction& action) { return action.verb == "remove"; });
}

// The UTC label of a run's time, by its latest event.
std::int64_t utc_of(const ledger::RunData& data, Time time) {
    if (data.events.empty()) {
        return data.header.created_utc + (time - data.header.created).count;
    }
    const ledger::EventRecord& latest = data.events.back();
    return latest.utc + (time - latest.event.time).count;
}

}  // namespace

// Run time never goes back: it goes on from the newest there is, plus the time that the machine's clock says has
// passed.
void Bench::go_on_after(std::string_view boot, Time last, std::int64_t last_utc) {
    const bool same_line = clock_->now() >= last && boot == boot_id();
    if (options_.time_scale) {
        clock_->go_on_from(last, last_utc);
    } else if (!same_line) {
        clock_->go_on_from(last + Duration{std::max<std::int64_t>(machine_utc() - last_utc, 0)}, last_utc);
    }
}

Result<void> Bench::find_runs(ledger::Reader& reader) {
    const Result<std::vector<ledger::RunLine>> lines = reader.runs();
    if (!lines) {
        return tl::unexpected(lines.error());
    }
    std::vector<ledger::RunLine> newest_first = *lines;
    std::sort(newest_first.begin(), newest_first.end(), [](const auto& a, const auto& b) { return a.run > b.run; });
    const Result<std::vector<ledger::CellRecord>> cells = reader.cells();
    if (!cells) {
        return tl::unexpected(cells.error());
    }
    for (const ledger::CellRecord& cell : *cells) {
        if (cell.history.quarantined) {
            quarantined_.insert(cell.id);
        }
    }
    const Result<std::vector<ledger::ChannelLatch>> latches = reader.latches();
    if (!latches) {
        return tl::unexpected(latches.error());
    }
    for (const ledger::ChannelLatch& latch : *latches) {
        latches_.emplace(latch.channel, latch);
        findings_.push_back("channel '" + escaped(latch.channel) + "' is latched: " + escaped(latch.text, 400));
    }
    std::set<std::string, std::less<>> seen;
    for (const ledger::RunLine& line : newest_first) {
        const bool newest_here = seen.insert(line.channel).second;
        if (line.rehearsal) {
            continue;
        }
        // Also after runs that are gone from the bench: no time is recorded twice.
        go_on_after(line.boot_id, line.last, line.last_utc);
        if (!newest_here && (is_finished(line.state) || line.state == RunState::tripped)) {
            continue;
        }
        Result<ledger::RunData> data = reader.run(line.run);
        if (!data) {
            return tl::unexpected(data.error());
        }
        if (was_removed(*data)) {
            continue;
        }
        const auto found = by_name_.find(line.channel);
        ChannelTask* task = newest_here && found != by_name_.end() ? tasks_[found->second].get() : nullptr;
        if (task != nullptr) {
            bind_run(reader, std::move(*data), *task);
        } else if (!is_finished(line.state)) {
            bind_unrestored(*data, nullptr,
                            newest_here ? "its channel '" + escaped(line.channel) + "' is not in this bench"
                                        : "a later run took its channel '" + escaped(line.channel) + "'");
        }
    }
    for (auto& [task, run] : found_runs_) {
        task->begin(std::move(run));
        mark_interrupted(*task);
    }
    found_runs_.clear();
    feed_.commit();
    return {};
}

void Bench::bind_run(ledger::Reader& reader, ledger::RunData data, ChannelTask& task) {
    const bool told = std::any_of(data.events.begin(), data.events.end(), [](const ledger::EventRecord& record) {
        return record.event.kind == EventKind::stopped || record.event.kind == EventKind::done;
    });
    if (is_finished(data.status.state) && !told) {
        auto run = std::make_unique<ActiveRun>();  // ended by record alone: its tape does not know
        run->number = data.header.run;
        run->cell = data.header.cell;
        run->title = data.header.protocol_title;
        run->status = data.status;
        run->status.run = data.header.run;
        found_runs_.emplace_back(&task, std::move(run));
        return;
    }
    Result<RestoredRun> restored = restore_run(reader, data);
    if (!restored) {
        bind_unrestored(data, &task, restored.error().message);
        return;
    }
    auto run = std::make_unique<ActiveRun>();
    run->number = data.header.run;
    run->cell = data.header.cell;
    run->tray = data.header.tray;
    run->title = data.header.protocol_title;
    run->plan = std::move(restored->plan);
    run->run = restored->run;
    run->recorder.emplace(*run->plan, run->number, run->cell);
    run->recorder->resume_from(data.visits, data.status);
    run->restarted = !run->over();
    for (const ledger::VisitRecord& visit : data.visits) {
        run->note(visit);
    }
    for (const ledger::EventRecord& event : data.events) {
        run->note(event);
    }
    const Time last = std::max(run->run.now, data.header.created);
    go_on_after(data.header.boot_id, last, utc_of(data, last));
    if (task.simulated()) {
        if (const Result<bool> rebuilt = rebuild_simulated_cell(reader, run->cell, task.channel()); !rebuilt) {
            run->trouble = "the simulated cell could not be brought back (" + rebuilt.error().message +
                           "); stop and remove end the run";
        }
    }
    if (run->run.state == RunState::planned) {
        run->trouble = "the daemon was restarted before this run began; stop and remove it, then start it again";
    }
    found_runs_.emplace_back(&task, std::move(run));
}

void Bench::mark_interrupted(ChannelTask& task) {
    ActiveRun& run = *task.run();
    if (run.over() || run.plan == nullptr) {
        return;
    }
    if (run.run.ambient_set) {
        task.channel().set_ambient(run.run.ambient, clock_->now());  // whoever made it warm wants it so still
    }
    task.feed(Gap{run.run.now});
    // One whose interruption rule would go on by itself has begun its checks: they are cut short, a person decides.
    if (engine::is_live(run.run.state)) {
        task.feed(Gap{run.run.now});
    }
    task.hand_over(true);
    ledger::RunStatus status = run.recorder->status(run.run);
    if (status.state == RunState::waiting) {
        status.wait = WaitReason::restart;
    }
    status.needs = run.needs();
    feed_.put(status);
    findings_.push_back("run " + std::to_string(run.number) + " of cell '" + escaped(run.cell) + "' on channel '" +
                        escaped(task.config().name) + "' was under way when the daemon ended: it is " +
                        state_word(task) + " now");
}

void Bench::bind_unrestored(const ledger::RunData& data, ChannelTask* task, std::string why) {
    ledger::RunStatus status = data.status;
    status.run = data.header.run;
    status.state = RunState::waiting;
    status.wait = WaitReason::restart;
    status.needs = "its state could not be restored: " + std::move(why) + "; stop and remove end it";
    findings_.push_back("run " + std::to_string(data.header.run) + " of cell '" + escaped(data.header.cell) +
                        "': " + escaped(status.needs, 1024));
    feed_.put(status);
    if (task == nullptr) {
        orphans_.insert_or_assign(data.header.cell, Orphan{data.header.run, data.header.channel, std::move(status)});
        return;
    }
    auto run = std::make_unique<ActiveRun>();
    run->number = data.header.run;
    run->cell = data.header.cell;
    run->tray = data.header.tray;
    run->title = data.header.protocol_title;
    run->trouble = status.needs;
    run->status = std::move(status);
    found_runs_.emplace_back(task, std::move(run));
}

}  // namespace slowfilm::bench
