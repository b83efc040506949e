// How a run begins: looked up and judged away from the turns, written to the ledger, and only then begun.
#include "daemon/bench/bench.hpp"
#include "daemon/bench/replay.hpp"
#include "daemon/core/text.hpp"
#include "daemon/engine/describe.hpp"

#include <boost/asio/post.hpp>
#include <utility>

namespace slowfilm::bench {
namespace {

Result<std::string> text_of(const boost::json::object& params, std::string_view key) {
    const boost::json::value* value = params.if_contains(key);
    if (value == nullptr || !value->is_string()) {
        return fail(Failure::usage, "start needs '" + std::string(key) + "', a string");
    }
    return std::string(value->get_string());
}

Result<StartRequest> read_request(const boost::json::object& params) {
    StartRequest wanted;
    struct Field {
        std::string_view key;
        std::string* into;
    };
    for (const Field& field :
         {Field{"channel", &wanted.channel}, Field{"cell", &wanted.cell}, Field{"protocol_file", &wanted.protocol_file},
          Field{"protocol_text", &wanted.protocol_text}}) {
        Result<std::string> text = text_of(params, field.key);
        if (!text) {
            return tl::unexpected(text.error());
        }
        *field.into = std::move(*text);
    }
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
    if (parsed->count <= 0) {
        return fail(Failure::bad_data, "the capacity must be above 0 Ah");
    }
    wanted.capacity = *parsed;
    return wanted;
}

}  // namespace

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
    const Result<StartRequest> wanted = read_request(request.params);
    if (!task || !wanted) {
        reply(tl::unexpected(task ? wanted.error() : task.error()));
        return;
    }
    if ((*task)->busy()) {
        const ActiveRun* run = (*task)->run();
        reply(fail(Failure::try_again,
                   "channel '" + escaped((*task)->config().name) + "' is busy: " +
                       (run == nullptr ? "another start is under way on it"
                                       : "run " + std::to_string(run->number) + " of cell '" + escaped(run->cell) +
                                             "' is " + state_word(**task) + " there; remove it once it is over")));
        return;
    }
    if (const std::string other = where_cell_is(wanted->cell); !other.empty() || starting_.contains(wanted->cell)) {
        reply(fail(Failure::bad_data, "cell '" + escaped(wanted->cell) + "' is in channel '" +
                                          escaped(other.empty() ? starting_[wanted->cell] : other) +
                                          "' already; a cell can be in one channel only"));
        return;
    }
    if (const auto orphan = orphans_.find(wanted->cell); orphan != orphans_.end()) {
        reply(fail(Failure::bad_data, "cell '" + escaped(wanted->cell) + "' has run " +
                                          std::to_string(orphan->second.run) + ", unfinished on channel '" +
                                          escaped(orphan->second.channel) +
                                          "' that this bench does not have; end it first: slowfilm stop '" +
                                          escaped(orphan->second.channel) + "'"));
        return;
    }
    if (const Result<void> allowed = energising_allowed(**task); !allowed) {
        reply(tl::unexpected(allowed.error()));
        return;
    }
    (*task)->reserve(true);
    starting_.emplace(wanted->cell, (*task)->config().name);
    // What was just learnt of this cell must be in the ledger before it is looked up there.
    feed_.commit_then([this, peer = request.peer, wanted = *wanted, traits = (*task)->channel().traits(),
                       reply = std::move(reply)](bool on_disk) {
        if (!on_disk) {
            finish_start(peer, wanted, fail(Failure::cannot_write, "nothing can be recorded: " + feed_.why_lost()),
                         reply);
            return;
        }
        prepare(peer, wanted, traits, reply);
    });
}

// A simulated fixture is loaded with the cell as its runs left it; one that is new here begins as its history says.
void Bench::load_fixture(ChannelTask& task, const ActiveRun& run) {
    channel::Channel& channel = task.channel();
    if (channel.simulated()) {
        const auto reader = ledger::Reader::open(options_.config.ledger);
        if (reader && rebuild_simulated_cell(**reader, run.cell, channel).value_or(false)) {
            return;
        }
    }
    channel.load_cell(run.cell, run.plan->capacity, run.run.history.furthest, clock_->now());
}

void Bench::prepare(const control::Peer& peer, const StartRequest& wanted, const ChannelTraits& traits,
                    control::Reply reply) {
    boost::asio::post(
        preparation_, [this, alive = alive_, peer, wanted, traits, reply = std::move(reply),
                       caps = options_.config.caps, ledger = options_.config.ledger, free_bytes = options_.free_bytes] {
            Result<Prepared> prepared = prepare_start(wanted, traits, caps, ledger, free_bytes);
            boost::asio::post(io_, [this, alive, peer, wanted, reply, prepared = std::move(prepared)]() mutable {
                if (*alive) {
                    finish_start(peer, wanted, std::move(prepared), reply);
                }
            });
        });
}

void Bench::finish_start(const control::Peer& peer, const StartRequest& wanted, Result<Prepared> prepared,
                         control::Reply reply) {
    ChannelTask& task = *tasks_[by_name_.find(wanted.channel)->second];
    const auto give_up = [&](const Error& error) {
        task.reserve(false);
        starting_.erase(wanted.cell);
        reply(tl::unexpected(error));
    };
    if (!prepared) {
        give_up(prepared.error());
        return;
    }
    if (closing_) {
        give_up({Failure::try_again, "the daemon is shutting down"});
        return;
    }
    auto run = std::make_unique<ActiveRun>();
    run->number = feed_.next_run();
    run->cell = wanted.cell;
    run->title = prepared->protocol.title;
    run->plan = std::make_unique<const engine::Plan>(std::move(prepared->plan));
    run->run = engine::new_run(*run->plan, prepared->history);
    run->recorder.emplace(*run->plan, run->number, run->cell);
    const record::RunIdentity identity{run->number, run->cell,     wanted.channel, boot_id(),
                                       false,       clock_->now(), clock_->utc()};
    feed_.put(record::header(prepared->protocol, wanted.protocol_text, *run->plan, prepared->history, identity));
    feed_.put(run->recorder->status(run->run));
    load_fixture(task, *run);
    const ledger::RunNumber number = run->number;
    task.begin(std::move(run));
    note(peer, &task, "start", "cell '" + escaped(wanted.cell) + "', " + escaped(wanted.protocol_file));
    hold();
    feed_.commit_then([this, &task, number, cell = wanted.cell, reply](bool on_disk) {
        starting_.erase(cell);
        release();
        if (!on_disk) {
            reply(fail(Failure::cannot_write, "the run could not be recorded: " + feed_.why_lost()));
            return;
        }
        if (task.run() == nullptr || task.run()->number != number) {
            reply(
                fail(Failure::try_again, "run " + std::to_string(number) + " was stopped and removed before it began"));
            return;
        }
        if (!closing_ && task.run()->run.state == RunState::planned) {
            (void)task.command(CommandKind::start);
        }
        boost::json::object result = answer("started");
        result["run"] = number;
        result["channel"] = task.config().name;
        result["cell"] = cell;
        result["state"] = state_word(task);
        reply(result);
    });
}

}  // namespace slowfilm::bench
