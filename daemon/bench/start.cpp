// How runs begin: looked up and judged away from the turns, written to the ledger, and only then begun. One cell or a
// tray of them: a tray is as many starts, of which some may be refused.
#include "daemon/bench/bench.hpp"
#include "daemon/bench/replay.hpp"
#include "daemon/bench/requests.hpp"
#include "daemon/core/text.hpp"
#include "daemon/engine/describe.hpp"

#include <algorithm>
#include <tuple>
#include <utility>

namespace slowfilm::bench {
namespace {

Result<ProtocolWanted> read_protocol(const boost::json::object& params) {
    Result<std::string> file = text_param(params, "protocol_file");
    Result<std::string> text = text_param(params, "protocol_text");
    if (!file || !text) {
        return tl::unexpected(file ? text.error() : file.error());
    }
    return ProtocolWanted{std::move(*file), std::move(*text)};
}

Result<CellWanted> read_cell(const boost::json::object& params) {
    Result<std::string> channel = text_param(params, "channel");
    Result<std::string> cell = text_param(params, "cell");
    if (!channel || !cell) {
        return tl::unexpected(channel ? cell.error() : channel.error());
    }
    CellWanted wanted{std::move(*channel), std::move(*cell), std::nullopt};
    if (const auto reason = why_no_name(wanted.cell)) {
        return fail(Failure::bad_data, "the cell's ID '" + escaped(wanted.cell, 80) + "' " + *reason +
                                           "; it needs 1 to 64 printable characters");
    }
    const boost::json::value* capacity = params.if_contains("capacity");
    if (capacity == nullptr || capacity->is_null()) {
        return wanted;
    }
    if (!capacity->is_string()) {
        return fail(Failure::usage, "start's 'capacity' is a string such as \"5 Ah\"");
    }
    const Result<Charge, std::string> parsed = parse_quantity<Dimension::charge>(std::string(capacity->get_string()));
    if (!parsed) {
        return fail(Failure::bad_data, "the capacity " + parsed.error());
    }
    if (const auto reason = protocol::why_no_capacity(*parsed)) {
        return fail(Failure::bad_data, "a rated capacity of " + print(*parsed) + " " + *reason);
    }
    wanted.capacity = *parsed;
    return wanted;
}

}  // namespace

bool Starting::any_refused() const {
    return std::any_of(cells.begin(), cells.end(), [](const StartingCell& cell) { return cell.why_not.has_value(); });
}

bool Starting::any_wanted() const {
    return std::any_of(cells.begin(), cells.end(), [](const StartingCell& cell) { return !cell.why_not; });
}

std::string Bench::where_cell_is(std::string_view cell) const {
    for (const auto& task : tasks_) {
        if (task->run() != nullptr && task->run()->cell == cell) {
            return task->config().name;
        }
    }
    return "";
}

void Bench::start(const control::Request& request, control::Reply reply) {
    const Result<ChannelTask*> task = channel_named(request.params);
    const Result<CellWanted> wanted = read_cell(request.params);
    const Result<ProtocolWanted> protocol = read_protocol(request.params);
    if (!task || !wanted || !protocol) {
        reply(tl::unexpected(!task ? task.error() : !wanted ? wanted.error() : protocol.error()));
        return;
    }
    auto starting = std::make_shared<Starting>();
    starting->peer = request.peer;
    starting->reply = std::move(reply);
    starting->protocol = *protocol;
    starting->cells.push_back({.wanted = *wanted, .task = *task, .why_not = {}, .prepared = {}});
    begin_starting(std::move(starting));
}

void Bench::start_tray(const control::Request& request, control::Reply reply) {
    const Result<ProtocolWanted> protocol = read_protocol(request.params);
    const Result<std::string> name = text_param(request.params, "name");
    const boost::json::value* cells = request.params.if_contains("cells");
    const boost::json::value* all_or_none = request.params.if_contains("all_or_none");
    if (!protocol || !name) {
        reply(tl::unexpected(!protocol ? protocol.error() : name.error()));
        return;
    }
    if (cells == nullptr || !cells->is_array() || cells->get_array().empty() ||
        cells->get_array().size() > channels_max || all_or_none == nullptr || !all_or_none->is_bool()) {
        reply(fail(Failure::usage, "start_tray needs 'cells', a list of 1 to " + std::to_string(channels_max) +
                                       " of {channel, cell}, and 'all_or_none', true or false"));
        return;
    }
    if (const auto reason = why_no_name(*name)) {
        reply(fail(Failure::bad_data, "the tray's name '" + escaped(*name, 80) + "' " + *reason));
        return;
    }
    auto starting = std::make_shared<Starting>();
    starting->peer = request.peer;
    starting->protocol = *protocol;
    starting->is_tray = true;
    starting->all_or_none = all_or_none->get_bool();
    starting->tray_name = *name;
    for (const boost::json::value& entry : cells->get_array()) {
        if (!entry.is_object()) {
            reply(fail(Failure::usage, "each of 'cells' is an object with 'channel' and 'cell'"));
            return;
        }
        const Result<CellWanted> wanted = read_cell(entry.get_object());
        if (!wanted && wanted.error().failure == Failure::usage) {
            reply(tl::unexpected(wanted.error()));
            return;
        }
        StartingCell cell;
        const Result<ChannelTask*> task = channel_named(entry.get_object());
        if (wanted) {
            cell.wanted = *wanted;
        } else {
            cell.wanted.channel = text_param(entry.get_object(), "channel").value_or("");
            cell.wanted.cell = text_param(entry.get_object(), "cell").value_or("");
            cell.why_not = wanted.error();
        }
        if (task) {
            cell.task = *task;
        } else {
            cell.why_not = task.error();
        }
        starting->cells.push_back(std::move(cell));
    }
    starting->reply = std::move(reply);
    begin_starting(std::move(starting));
}

// What can be said without looking anything up.
Result<void> Bench::may_start(const Starting& starting, std::size_t place) const {
    const StartingCell& one = starting.cells[place];
    const std::string& cell = one.wanted.cell;
    const ChannelTask& task = *one.task;
    if (task.busy()) {
        const ActiveRun* run = task.run();
        return fail(Failure::try_again,
                    "channel '" + escaped(task.config().name) + "' is busy: " +
                        (run == nullptr ? "another start is under way on it"
                                        : "run " + std::to_string(run->number) + " of cell '" + escaped(run->cell) +
                                              "' is " + state_word(task) + " there; remove it once it is over"));
    }
    const std::string there = where_cell_is(cell);
    const auto under_way = starting_.find(cell);
    if (!there.empty() || under_way != starting_.end()) {
        return fail(Failure::bad_data, "cell '" + escaped(cell) + "' is in channel '" +
                                           escaped(there.empty() ? under_way->second : there) +
                                           "' already; a cell can be in one channel only");
    }
    if (const auto orphan = orphans_.find(cell); orphan != orphans_.end()) {
        return fail(Failure::bad_data, "cell '" + escaped(cell) + "' has run " + std::to_string(orphan->second.run) +
                                           ", unfinished on channel '" + escaped(orphan->second.channel) +
                                           "' that this bench does not have; end it first: slowfilm stop '" +
                                           escaped(orphan->second.channel) + "'");
    }
    return energising_allowed(task);
}

void Bench::reserve(Starting& starting) {
    for (std::size_t i = 0; i < starting.cells.size(); ++i) {
        StartingCell& cell = starting.cells[i];
        if (cell.why_not) {
            continue;
        }
        if (const Result<void> allowed = may_start(starting, i); !allowed) {
            cell.why_not = allowed.error();
            continue;
        }
        cell.task->reserve(true);
        cell.reserved = true;
        starting_.emplace(cell.wanted.cell, cell.task->config().name);
    }
}

// Frees what was reserved and has not begun.
void Bench::give_up(Starting& starting) {
    for (StartingCell& cell : starting.cells) {
        if (std::exchange(cell.reserved, false)) {
            cell.task->reserve(false);
            starting_.erase(cell.wanted.cell);
        }
    }
}

void Bench::begin_starting(std::shared_ptr<Starting> starting) {
    reserve(*starting);
    if (!starting->any_wanted() || (starting->all_or_none && starting->any_refused())) {
        give_up(*starting);
        tell_started(*starting);
        return;
    }
    // What was just learnt of these cells must be in the ledger before it is looked up there.
    feed_.commit_then([this, starting](bool on_disk) {
        if (on_disk) {
            prepare(starting);
            return;
        }
        give_up(*starting);
        starting->reply(fail(Failure::cannot_write, "nothing can be recorded: " + feed_.why_lost()));
    });
}

void Bench::prepare(const std::shared_ptr<Starting>& starting) {
    StartConditions conditions{{}, options_.config.caps, options_.config.ledger, options_.free_bytes, 0, clock_->utc(),
                               {}};
    std::vector<std::pair<ChannelTraits, std::string>> channels;
    for (const StartingCell& cell : starting->cells) {
        channels.emplace_back();
        if (cell.task != nullptr) {
            channels.back() = {cell.task->channel().traits(), cell.task->config().simulated.chemistry};
        }
    }
    boost::asio::post(preparation_, [this, alive = alive_, starting, channels, conditions]() mutable {
        for (std::size_t i = 0; i < starting->cells.size(); ++i) {
            StartingCell& cell = starting->cells[i];
            if (cell.why_not) {
                continue;
            }
            std::tie(conditions.traits, conditions.simulated_chemistry) = channels[i];
            Result<Prepared> prepared = prepare_start(starting->protocol, cell.wanted, conditions);
            if (prepared) {
                conditions.bytes_spoken_for += prepared->bytes;
                cell.prepared = std::move(*prepared);
            } else {
                cell.why_not = prepared.error();
            }
        }
        boost::asio::post(io_, [this, alive, starting] {
            if (*alive) {
                finish_starting(starting);
            }
        });
    });
}

// A simulated fixture is loaded with the cell as its runs left it; one that is new here begins as its history says.
void Bench::load_fixture(ChannelTask& task, const ActiveRun& run, protocol::Chemistry chemistry) {
    channel::Channel& channel = task.channel();
    if (task.simulated()) {
        const auto reader = ledger::Reader::open(options_.config.ledger);
        if (reader && rebuild_simulated_cell(**reader, run.cell, channel).value_or(false)) {
            return;
        }
    }
    channel.load_cell({run.cell, std::string(protocol::word(chemistry)), run.plan->capacity, run.run.history.furthest},
                      clock_->now());
}

void Bench::make_run(Starting& starting, StartingCell& cell, ledger::RunNumber tray) {
    auto run = std::make_unique<ActiveRun>();
    run->number = cell.run;
    run->cell = cell.wanted.cell;
    run->tray = tray;
    run->title = cell.prepared->protocol.title;
    run->plan = std::make_unique<const engine::Plan>(std::move(cell.prepared->plan));
    run->run = engine::new_run(*run->plan, cell.prepared->history);
    run->recorder.emplace(*run->plan, run->number, run->cell);
    const record::RunIdentity identity{.run = run->number,
                                       .cell = run->cell,
                                       .channel = cell.wanted.channel,
                                       .tray = tray,
                                       .tray_name = starting.tray_name,
                                       .boot_id = boot_id(),
                                       .rehearsal = false,
                                       .created = clock_->now(),
                                       .created_utc = clock_->utc()};
    feed_.put(
        record::header(cell.prepared->protocol, starting.protocol.text, *run->plan, cell.prepared->history, identity));
    feed_.put(run->recorder->status(run->run));
    load_fixture(*cell.task, *run, cell.prepared->protocol.cell.chemistry);
    cell.reserved = false;
    cell.task->begin(std::move(run));
    note(starting.peer, cell.task, "start",
         "cell '" + escaped(cell.wanted.cell) + "', " + escaped(starting.protocol.file));
}

void Bench::finish_starting(const std::shared_ptr<Starting>& starting) {
    // A tray's own runs may share a chamber: none of them has begun, and each is judged against the others' neighbours.
    for (StartingCell& cell : starting->cells) {
        if (cell.why_not) {
            continue;
        }
        if (closing_) {
            cell.why_not = Error{Failure::try_again, "the daemon is shutting down"};
        } else if (const Result<void> allowed = chamber_allows(*cell.task, cell.prepared->plan, 0); !allowed) {
            cell.why_not = allowed.error();
        } else if (const Result<void> still = energising_allowed(*cell.task); !still) {
            cell.why_not = still.error();
        }
    }
    ledger::RunNumber tray = 0;
    if (!(starting->all_or_none && starting->any_refused())) {
        for (StartingCell& cell : starting->cells) {
            if (cell.why_not) {
                continue;
            }
            cell.run = feed_.next_run();
            tray = starting->is_tray && tray == 0 ? cell.run : tray;
            make_run(*starting, cell, tray);
        }
    }
    if (!starting->any_wanted() || (starting->all_or_none && starting->any_refused())) {
        give_up(*starting);
        tell_started(*starting);
        return;
    }
    hold();
    feed_.commit_then([this, starting](bool on_disk) {
        for (StartingCell& cell : starting->cells) {
            if (cell.run == 0) {
                continue;
            }
            starting_.erase(cell.wanted.cell);
            ActiveRun* run = cell.task->run();
            if (!on_disk) {
                cell.why_not = Error{Failure::cannot_write, "the run could not be recorded: " + feed_.why_lost()};
            } else if (run == nullptr || run->number != cell.run) {
                cell.why_not = Error{Failure::try_again,
                                     "run " + std::to_string(cell.run) + " was stopped and removed before it began"};
            } else if (!closing_ && run->run.state == RunState::planned) {
                // While the disk was waited for, a neighbour may have got hot, or the channel been latched.
                if (const Result<void> still = energising_allowed(*cell.task); !still) {
                    cell.why_not = still.error();
                    (void)cell.task->command(CommandKind::stop);
                } else {
                    (void)cell.task->command(CommandKind::start);
                }
            }
        }
        give_up(*starting);
        release();
        tell_started(*starting);
    });
}

void Bench::tell_started(const Starting& starting) {
    if (!starting.is_tray && starting.cells.front().why_not) {
        starting.reply(tl::unexpected(*starting.cells.front().why_not));
        return;
    }
    const auto line_of = [&](const StartingCell& cell) {
        boost::json::object line;
        line["run"] = cell.run;
        line["channel"] = cell.wanted.channel;
        line["cell"] = cell.wanted.cell;
        line["state"] = cell.task != nullptr ? state_word(*cell.task) : "";
        return line;
    };
    if (!starting.is_tray) {
        boost::json::object result = answer("started");
        for (const auto& member : line_of(starting.cells.front())) {
            result[member.key()] = member.value();
        }
        starting.reply(result);
        return;
    }
    boost::json::object result = answer("tray");
    boost::json::array lines;
    std::size_t begun = 0;
    ledger::RunNumber tray = 0;
    for (const StartingCell& cell : starting.cells) {
        boost::json::object line = line_of(cell);
        const bool began = !cell.why_not && cell.run != 0;
        begun += began ? 1 : 0;
        tray = tray == 0 ? cell.run : tray;
        if (!began) {
            line["run"] = nullptr;
            line["state"] = "not started";
            line["why"] = cell.why_not ? cell.why_not->message : "others of its tray could not start";
        }
        lines.push_back(std::move(line));
    }
    result["name"] = starting.tray_name;
    result["tray"] = tray != 0 ? boost::json::value(tray) : boost::json::value(nullptr);
    result["started"] = begun;
    result["refused"] = starting.cells.size() - begun;
    result["cells"] = std::move(lines);
    starting.reply(result);
}

}  // namespace slowfilm::bench
