// What operators may ask. Each answer says what was done; each refusal what was wrong and what would be right.
#include "daemon/bench/bench.hpp"
#include "daemon/bench/entering.hpp"
#include "daemon/bench/requests.hpp"
#include "daemon/core/text.hpp"
#include "daemon/engine/describe.hpp"

#include <algorithm>
#include <array>
#include <utility>

namespace slowfilm::bench {
namespace {

std::string run_text(const ActiveRun& run) {
    return "run " + std::to_string(run.number);
}

}  // namespace

const std::vector<std::string>& Bench::methods() {
    static const std::vector<std::string> all{"status", "commit", "start",   "start_tray",  "pause",
                                              "resume", "stop",   "confirm", "acknowledge", "remove",
                                              "enter",  "note",   "release", "move"};
    return all;
}

void Bench::handle(control::Request request, control::Reply reply) {
    using Method = Answer (Bench::*)(const control::Request&);
    using Later = void (Bench::*)(const control::Request&, control::Reply);
    struct Entry {
        std::string_view name;
        Method method;  // answers at once; null: `later`
        Later later;
        bool operates;
    };
    static constexpr std::array<Entry, 14> entries{{{"status", &Bench::status, nullptr, false},
                                                    {"commit", nullptr, &Bench::commit, false},
                                                    {"pause", &Bench::pause, nullptr, false},
                                                    {"stop", &Bench::stop, nullptr, true},
                                                    {"resume", &Bench::resume, nullptr, true},
                                                    {"confirm", &Bench::confirm, nullptr, true},
                                                    {"acknowledge", &Bench::acknowledge, nullptr, true},
                                                    {"remove", &Bench::remove, nullptr, true},
                                                    {"start", nullptr, &Bench::start, true},
                                                    {"start_tray", nullptr, &Bench::start_tray, true},
                                                    {"enter", nullptr, &Bench::enter, true},
                                                    {"note", nullptr, &Bench::note_run, true},
                                                    {"release", nullptr, &Bench::lift_quarantine, true},
                                                    {"move", nullptr, &Bench::move, true}}};
    const auto entry =
        std::find_if(entries.begin(), entries.end(), [&](const Entry& one) { return one.name == request.method; });
    if (entry == entries.end()) {
        reply(fail(Failure::usage, "there is no method '" + escaped(request.method) + "'"));
        return;
    }
    if (closing_ && (entry->operates || entry->name == "pause")) {
        reply(fail(Failure::try_again, "the daemon is shutting down; every output is being opened"));
        return;
    }
    if (!outputs_opened_ && entry->operates) {
        reply(fail(Failure::try_again, "the daemon is starting: it is seeing to it that every output is open"));
        return;
    }
    if (entry->operates) {
        if (const Result<void> allowed = may_operate(request.peer); !allowed) {
            reply(tl::unexpected(allowed.error()));
            return;
        }
    }
    if (entry->later != nullptr) {
        (this->*entry->later)(request, std::move(reply));
        return;
    }
    Answer result = (this->*entry->method)(request);
    if (!entry->operates) {
        // Pause answers at once, whatever the disk does: the circuit is open already.
        if (result && entry->name == "pause" && feed_.lost()) {
            result = fail(Failure::cannot_write, "paused, but it cannot be recorded: " + feed_.why_lost());
        }
        reply(std::move(result));
        return;
    }
    reply_once_recorded(entry->name, std::move(result), std::move(reply));
}

Result<void> Bench::may_watch(const control::Peer& peer) const {
    if (options_.config.access.may_watch(peer.uid, peer.gid)) {
        return {};
    }
    return fail(Failure::not_allowed, describe_user(peer.uid) + " is not in the bench's watch list");
}

Result<void> Bench::may_operate(const control::Peer& peer) const {
    if (options_.config.access.may_operate(peer.uid, peer.gid)) {
        return {};
    }
    return fail(Failure::not_allowed,
                describe_user(peer.uid) + " is not in the bench's operate list; only pause is open to everyone");
}

Result<ChannelTask*> Bench::channel_named(const boost::json::object& params) {
    const Result<std::string> name = text_param(params, "channel");
    if (!name) {
        return tl::unexpected(name.error());
    }
    const auto found = by_name_.find(*name);
    if (found == by_name_.end()) {
        std::string known;
        for (const auto& task : tasks_) {
            if (known.size() < 200) {
                known += (known.empty() ? "'" : ", '") + escaped(task->config().name) + "'";
            }
        }
        return fail(Failure::no_input, "there is no channel '" + escaped(*name) + "' on this bench; it has " + known);
    }
    return tasks_[found->second].get();
}

Result<ChannelTask*> Bench::run_named(const boost::json::object& params) {
    Result<ChannelTask*> task = channel_named(params);
    if (task && (*task)->run() == nullptr) {
        return fail(Failure::bad_data,
                    "channel '" + escaped((*task)->config().name) + "' is empty: there is no run on it");
    }
    return task;
}

Result<std::vector<ChannelTask*>> Bench::channels_named(const boost::json::object& params) {
    std::vector<ChannelTask*> chosen;
    if (const boost::json::value* all = params.if_contains("all");
        all != nullptr && all->is_bool() && all->get_bool()) {
        for (const auto& task : tasks_) {
            chosen.push_back(task.get());
        }
        return chosen;
    }
    const boost::json::value* names = params.if_contains("channels");
    if (names == nullptr || !names->is_array() || names->get_array().empty()) {
        return fail(Failure::usage, "the request needs 'channels', a list of names, or 'all': true");
    }
    for (const boost::json::value& name : names->get_array()) {
        const Result<ChannelTask*> task = channel_named({{"channel", name}});
        if (!task) {
            return tl::unexpected(task.error());
        }
        if (std::find(chosen.begin(), chosen.end(), *task) == chosen.end()) {
            chosen.push_back(*task);
        }
    }
    return chosen;
}

void Bench::note(const control::Peer& peer, const ChannelTask* task, std::string_view verb, std::string detail) {
    ledger::OperatorAction action;
    action.utc = clock_->utc();
    if (task != nullptr) {
        action.channel = task->config().name;
        if (task->run() != nullptr) {
            action.run = task->run()->number;
        }
    }
    action.verb = verb;
    action.detail = std::move(detail);
    action.who = who(peer);
    feed_.put(std::move(action));
}

std::string Bench::state_word(const ChannelTask& task) const {
    return task.run() == nullptr ? "empty" : std::string(engine::name(task.run()->state()));
}

namespace {

boost::json::object line_of(const ChannelTask& task, const std::string& state) {
    boost::json::object line;
    line["channel"] = task.config().name;
    line["run"] = task.run() != nullptr ? boost::json::value(task.run()->number) : boost::json::value(nullptr);
    line["state"] = state;
    return line;
}

}  // namespace

// Never refused: no current is never wrong for people. A run that has none already stays as it is.
Bench::Answer Bench::pause(const control::Request& request) {
    const Result<std::vector<ChannelTask*>> chosen = channels_named(request.params);
    if (!chosen) {
        return tl::unexpected(chosen.error());
    }
    boost::json::array lines;
    for (ChannelTask* task : *chosen) {
        ActiveRun* run = task->run();
        const bool can_pause = run != nullptr && run->plan != nullptr &&
                               (engine::is_live(run->run.state) || run->run.state == RunState::asking);
        if (can_pause) {
            (void)task->command(CommandKind::pause);
        }
        if (run != nullptr) {
            note(request.peer, task, "pause", state_word(*task));
        }
        lines.push_back(line_of(*task, state_word(*task)));
    }
    feed_.commit();
    boost::json::object result = answer("paused");
    result["channels"] = std::move(lines);
    return result;
}

// An unfinished run whose channel is not on this bench is ended by record alone; nothing of it can carry current here.
std::optional<ledger::RunNumber> Bench::stop_orphan(const control::Peer& peer, std::string_view channel) {
    for (auto orphan = orphans_.begin(); orphan != orphans_.end(); ++orphan) {
        if (orphan->second.channel != channel) {
            continue;
        }
        ledger::RunStatus status = orphan->second.status;
        status.state = RunState::stopped;
        status.wait = WaitReason::none;
        status.needs.clear();
        status.ended = clock_->now();
        status.ended_utc = clock_->utc();
        feed_.put(status);
        feed_.put(ledger::OperatorAction{clock_->utc(), orphan->second.run, std::string(channel), "stop",
                                         "its channel is not on this bench", who(peer)});
        const ledger::RunNumber number = orphan->second.run;
        orphans_.erase(orphan);
        return number;
    }
    return std::nullopt;
}

Bench::Answer Bench::stop(const control::Request& request) {
    const boost::json::value* names = request.params.if_contains("channels");
    if (names != nullptr && names->is_array() && names->get_array().size() == 1 && names->get_array()[0].is_string()) {
        const std::string name(names->get_array()[0].get_string());
        const auto orphan = by_name_.contains(name) ? std::nullopt : stop_orphan(request.peer, name);
        if (orphan) {
            boost::json::object result = answer("stopped");
            boost::json::object line;
            line["channel"] = name;
            line["run"] = *orphan;
            line["state"] = "stopped";
            result["channels"] = boost::json::array{std::move(line)};
            return result;
        }
    }
    const Result<std::vector<ChannelTask*>> chosen = channels_named(request.params);
    if (!chosen) {
        return tl::unexpected(chosen.error());
    }
    const bool all = request.params.contains("all") && !request.params.contains("channels");
    for (const ChannelTask* task : *chosen) {
        if (all) {
            continue;
        }
        if (task->run() == nullptr) {
            return fail(Failure::bad_data,
                        "channel '" + escaped(task->config().name) + "' is empty: there is no run to stop");
        }
        if (task->run()->over()) {
            return fail(Failure::bad_data,
                        run_text(*task->run()) + " is " + state_word(*task) + " already; remove frees the channel");
        }
    }
    boost::json::array lines;
    for (ChannelTask* task : *chosen) {
        ActiveRun* run = task->run();
        if (run == nullptr || run->over()) {
            continue;
        }
        note(request.peer, task, "stop", "");
        if (run->plan) {
            (void)task->command(CommandKind::stop);
        } else {
            task->stop_by_record();
        }
        lines.push_back(line_of(*task, state_word(*task)));
    }
    feed_.commit();
    boost::json::object result = answer("stopped");
    result["channels"] = std::move(lines);
    return result;
}

Result<void> Bench::energising_allowed(const ChannelTask& task) const {
    if (feed_.lost()) {
        return fail(Failure::cannot_write, "nothing can be recorded (" + feed_.why_lost() +
                                               "), and current that cannot be recorded does not flow; make room on the "
                                               "ledger's disk and restart the daemon");
    }
    if (task.config().serial() && options_.guardian_alive && !options_.guardian_alive()) {
        return fail(Failure::try_again, std::string(guardian_is_gone));
    }
    if (const channel::Health health = task.channel().health(); !health.ready) {
        return fail(Failure::try_again, "channel '" + escaped(task.config().name) + "' is not ready: " +
                                            escaped(health.trouble, 1000) + "; it is tried again by itself");
    }
    if (const ledger::ChannelLatch* latch = latch_of(task); latch != nullptr) {
        return fail(Failure::bad_data, "channel '" + escaped(task.config().name) + "' is latched (" +
                                           escaped(latch->text) +
                                           "): it gets no current until somebody has found the cause: slowfilm "
                                           "acknowledge '" +
                                           escaped(task.config().name) + "' --reason TEXT");
    }
    if (const std::string beside = trouble_beside(task); !beside.empty()) {
        return fail(Failure::bad_data,
                    "channel '" + escaped(task.config().name) + "' gets no current: " + beside + " first");
    }
    if (const ActiveRun* run = task.run(); run != nullptr && quarantined_.contains(run->cell)) {
        return fail(Failure::bad_data,
                    "cell '" + escaped(run->cell) + "' is quarantined: it gets no current until a person lifts that");
    }
    if (const ActiveRun* run = task.run(); run != nullptr && !run->trouble.empty() && !run->over()) {
        return fail(Failure::bad_data, run_text(*run) + " cannot go on: " + run->trouble);
    }
    return {};
}

// The ID that a person has read off the cell in the fixture, where it is the run's.
Result<std::string> Bench::cell_there(const control::Request& request, const ChannelTask& task, std::string_view verb) {
    const ActiveRun& run = *task.run();
    Result<std::string> cell = text_param(request.params, "cell");
    if (!cell || *cell == run.cell) {
        return cell;
    }
    if (cell->empty()) {
        return fail(Failure::bad_data, std::string(verb) + " needs the ID that stands on the cell; it is empty");
    }
    note(request.peer, &task, std::string(verb) + " refused", "cell '" + escaped(*cell) + "'");
    feed_.commit();
    return fail(Failure::bad_data, "channel '" + escaped(task.config().name) + "' holds cell '" + escaped(run.cell) +
                                       "', not '" + escaped(*cell) + "'; look at the cell in the fixture");
}

Bench::Answer Bench::resume(const control::Request& request) {
    const Result<ChannelTask*> task = run_named(request.params);
    if (!task) {
        return tl::unexpected(task.error());
    }
    if (const Result<void> allowed = energising_allowed(**task); !allowed) {
        return tl::unexpected(allowed.error());
    }
    const ActiveRun& run = *(*task)->run();
    const RunState before = run.state();
    const bool named = request.params.contains("cell");
    if (named) {
        if (const Result<std::string> cell = cell_there(request, **task, "resume"); !cell) {
            return tl::unexpected(cell.error());
        }
    } else if (run.plan && engine::cell_in_doubt(*run.plan, run.run, clock_->now())) {
        const std::string channel = escaped((*task)->config().name);
        return fail(Failure::bad_data, run_text(run) +
                                           " has stood where somebody may have had its cell in hand; read "
                                           "the ID off the cell in channel '" +
                                           channel + "' and write slowfilm resume --cell ID '" + channel + "'");
    }
    note(request.peer, *task, "resume", named ? "cell '" + escaped(run.cell) + "'" : "");
    if (engine::refused((*task)->command(CommandKind::resume))) {
        return fail(Failure::bad_data, run_text(run) + " is " + std::string(engine::name(before)) +
                                           ": only a run that is paused or waiting can be resumed");
    }
    boost::json::object result = answer("resumed");
    result["run"] = run.number;
    result["channel"] = (*task)->config().name;
    result["state"] = state_word(**task);
    return result;
}

Bench::Answer Bench::confirm(const control::Request& request) {
    const Result<ChannelTask*> task = run_named(request.params);
    if (!task) {
        return tl::unexpected(task.error());
    }
    const ActiveRun& run = *(*task)->run();
    if (const Result<std::string> cell = text_param(request.params, "cell"); !cell) {
        return tl::unexpected(cell.error());
    }
    if (run.state() != RunState::asking) {
        return fail(Failure::bad_data, run_text(run) + " on channel '" + escaped((*task)->config().name) + "' is " +
                                           state_word(**task) + ": it asks for no confirm");
    }
    const Result<std::string> cell = cell_there(request, **task, "confirm");
    if (!cell) {
        return tl::unexpected(cell.error());
    }
    if (const Result<void> allowed = energising_allowed(**task); !allowed) {
        return tl::unexpected(allowed.error());
    }
    const boost::json::value* given = request.params.if_contains("enter");
    if (given != nullptr && !given->is_object()) {
        return fail(Failure::usage, "confirm's 'enter' is an object of texts by name");
    }
    const engine::StepLabel& label = run.plan->labels[run.run.step];
    Result<std::vector<ledger::HandReading>> entered =
        read_entered(label.enter, given != nullptr ? given->get_object() : boost::json::object{});
    if (!entered) {
        return tl::unexpected(entered.error());
    }
    for (ledger::HandReading& reading : *entered) {
        reading.cell = run.cell;
        reading.run = run.number;
        reading.path = label.path;
        reading.utc = clock_->utc();
        reading.who = who(request.peer);
        feed_.put(std::move(reading));
    }
    note(request.peer, *task, "confirm", "cell '" + escaped(*cell) + "'");
    (void)(*task)->command(CommandKind::confirm);
    boost::json::object result = answer("confirmed");
    result["run"] = run.number;
    result["channel"] = (*task)->config().name;
    result["cell"] = run.cell;
    result["state"] = state_word(**task);
    return result;
}

Bench::Answer Bench::remove(const control::Request& request) {
    const Result<ChannelTask*> task = run_named(request.params);
    if (!task) {
        return tl::unexpected(task.error());
    }
    const ActiveRun& run = *(*task)->run();
    if (!run.over()) {
        const bool tripped = run.state() == RunState::tripped;
        return fail(Failure::bad_data,
                    run_text(run) + " is " + state_word(**task) + ": " +
                        (tripped ? "stop it first" : "only a run that is over can be removed; stop it first"));
    }
    if (run.plan && !run.run.opening.verified) {
        return fail(Failure::try_again, "the output of channel '" + escaped((*task)->config().name) +
                                            "' is not seen open yet; do not touch the cell");
    }
    if (is_hot(**task)) {
        const Reading<Temperature>& last = (*task)->last_sample().temperature;
        return fail(Failure::try_again,
                    "cell '" + escaped(run.cell) + "' on channel '" + escaped((*task)->config().name) + "' is hot (" +
                        (last.good() ? print(last.value)
                                     : std::string("and its thermometer gives no value now: mend that first")) +
                        "); do not touch the cell: keep away, let it cool where it is, and remove it once status "
                        "tells no heat any more");
    }
    note(request.peer, *task, "remove", state_word(**task));
    boost::json::object result = answer("removed");
    result["run"] = run.number;
    result["channel"] = (*task)->config().name;
    result["cell"] = run.cell;
    if (run.plan && run.run.history.quarantined) {
        quarantined_.insert(run.cell);
    }
    (void)(*task)->remove();
    test_over((*task)->index());
    feed_.commit();
    result["state"] = "empty";
    return result;
}

}  // namespace slowfilm::bench
