// What people know of a cell or a run and the ledger must: hand readings, notes, and the end of a quarantine.
#include "daemon/bench/bench.hpp"
#include "daemon/bench/entering.hpp"
#include "daemon/bench/requests.hpp"
#include "daemon/core/text.hpp"

#include <utility>

namespace slowfilm::bench {

std::string Bench::who(const control::Peer& peer) {
    return describe_user(peer.uid) + ", gid " + std::to_string(peer.gid);
}

void Bench::reply_once_recorded(std::string_view verb, Answer result, control::Reply reply) {
    feed_.commit_then([this, verb = std::string(verb), result = std::move(result),
                       reply = std::move(reply)](bool on_disk) {
        if (result && !on_disk) {
            reply(fail(Failure::cannot_write, verb +
                                                  " was carried out, but it cannot be recorded: " + feed_.why_lost() +
                                                  "; make room on the ledger's disk, then restart the daemon"));
            return;
        }
        reply(result);
    });
}

void Bench::enter(const control::Request& request, control::Reply reply) {
    const Result<std::string> cell = text_param(request.params, "cell");
    const Result<std::string> name = text_param(request.params, "name");
    const Result<std::string> value = text_param(request.params, "value");
    if (!cell || !name || !value) {
        reply(tl::unexpected(!cell ? cell.error() : !name ? name.error() : value.error()));
        return;
    }
    if (const auto reason = why_no_name(*cell)) {
        reply(fail(Failure::bad_data, "the cell's ID '" + escaped(*cell, 80) + "' " + *reason +
                                          "; it needs 1 to 64 printable characters"));
        return;
    }
    Result<ledger::HandReading> reading = read_hand_value(*name, *value, clock_->utc());
    if (!reading) {
        reply(tl::unexpected(reading.error()));
        return;
    }
    reading->cell = *cell;
    reading->who = who(request.peer);
    const boost::json::value* fresh = request.params.if_contains("new");
    const bool is_new = fresh != nullptr && fresh->is_bool() && fresh->get_bool();
    ask_ledger<bool>(
        [cell = *cell](ledger::Reader& reader) -> Result<bool> {
            const auto found = reader.cell(cell);
            return found ? Result<bool>(found->has_value()) : tl::unexpected(found.error());
        },
        [this, reading = *reading, is_new, reply = std::move(reply)](const Result<bool>& known) {
            if (!known) {
                reply(tl::unexpected(known.error()));
                return;
            }
            if (*known == is_new) {
                const std::string named = "'" + escaped(reading.cell) + "'";
                reply(is_new ? fail(Failure::bad_data,
                                    "the ledger knows a cell " + named + " already; leave --new out if it is that one")
                             : fail(Failure::no_input, "the ledger knows no cell " + named +
                                                           "; slowfilm cells lists them, and --new makes one known"));
                return;
            }
            feed_.put(reading);
            boost::json::object result = answer("entered");
            result["cell"] = reading.cell;
            result["name"] = reading.name;
            result["text"] = reading.text;
            reply_once_recorded("enter", std::move(result), reply);
        });
}

void Bench::note_run(const control::Request& request, control::Reply reply) {
    const Result<ledger::RunNumber> run = run_param(request.params);
    const Result<std::string> text = line_param(request.params, "text", "a note");
    if (!run || !text) {
        reply(tl::unexpected(!run ? run.error() : text.error()));
        return;
    }
    ask_ledger<bool>(
        [run = *run](ledger::Reader& reader) -> Result<bool> {
            const Result<void> there = reader.has_run(run);
            return there ? Result<bool>(true) : tl::unexpected(there.error());
        },
        [this, run = *run, text = *text, peer = request.peer, reply = std::move(reply)](const Result<bool>& there) {
            if (!there) {
                reply(tl::unexpected(there.error()));
                return;
            }
            feed_.put(ledger::OperatorAction{clock_->utc(), run, "", "note", text, who(peer)});
            boost::json::object result = answer("noted");
            result["run"] = run;
            result["text"] = text;
            reply_once_recorded("note", std::move(result), reply);
        });
}

void Bench::lift_quarantine(const control::Request& request, control::Reply reply) {
    const Result<std::string> cell = text_param(request.params, "cell");
    const Result<std::string> reason = line_param(request.params, "reason", "the end of a quarantine");
    if (!cell || !reason) {
        reply(tl::unexpected(!cell ? cell.error() : reason.error()));
        return;
    }
    using Found = std::optional<ledger::CellRecord>;
    ask_ledger<Found>(
        [cell = *cell](ledger::Reader& reader) { return reader.cell(cell); },
        [this, cell = *cell, reason = *reason, peer = request.peer, reply = std::move(reply)](Result<Found> found) {
            if (!found) {
                reply(tl::unexpected(found.error()));
                return;
            }
            const std::string named = "cell '" + escaped(cell) + "'";
            if (!*found) {
                reply(
                    fail(Failure::no_input, "the ledger knows no " + named + "; slowfilm cells lists those it knows"));
                return;
            }
            if (const std::string there = where_cell_is(cell); !there.empty()) {
                reply(fail(Failure::bad_data, named + " is in channel '" + escaped(there) +
                                                  "' still; take it out and remove its run first"));
                return;
            }
            if (!(*found)->history.quarantined) {
                reply(fail(Failure::bad_data, named + " is not quarantined: there is nothing to lift"));
                return;
            }
            feed_.put(ledger::QuarantineLifted{cell, (*found)->quarantine, reason, who(peer), clock_->utc()});
            quarantined_.erase(cell);
            boost::json::object result = answer("released");
            result["cell"] = cell;
            result["quarantine"] = (*found)->quarantine;
            reply_once_recorded("release", std::move(result), reply);
        });
}

}  // namespace slowfilm::bench
