// A run whose channel is needed, or broken, goes on on another: its plan is made anew for what that channel can do, and
// the record says where the one ends and the other begins.
#include "daemon/bench/bench.hpp"
#include "daemon/bench/moving.hpp"
#include "daemon/bench/requests.hpp"
#include "daemon/core/text.hpp"
#include "daemon/engine/describe.hpp"
#include "daemon/protocol/check.hpp"

#include <utility>

namespace slowfilm::bench {

// The channel it is on, once all is so that it may go.
Result<ChannelTask*> Bench::movable(ledger::RunNumber number, const ChannelTask& to) const {
    const auto found = std::find_if(tasks_.begin(), tasks_.end(), [&](const auto& task) {
        return task->run() != nullptr && task->run()->number == number;
    });
    if (found == tasks_.end()) {
        return fail(Failure::no_input, "there is no run " + std::to_string(number) +
                                           " on this bench; slowfilm status lists those there are");
    }
    ChannelTask& from = **found;
    const ActiveRun& run = *from.run();
    const std::string named = "run " + std::to_string(number);
    if (&from == &to) {
        return fail(Failure::bad_data, named + " is on channel '" + escaped(to.config().name) + "' already");
    }
    if (!run.plan || !run.trouble.empty()) {
        return fail(Failure::bad_data, named + " cannot go on: " + run.trouble);
    }
    if (const std::string why = why_not_movable(run.run); !why.empty()) {
        return fail(Failure::bad_data, named + " " + why + "; pause it first");
    }
    if (!run.run.opening.verified) {
        return fail(Failure::try_again, "the output of channel '" + escaped(from.config().name) +
                                            "' is not seen open yet; do not touch the cell");
    }
    if (to.run() != nullptr) {
        return fail(Failure::try_again, "channel '" + escaped(to.config().name) + "' is not empty: run " +
                                            std::to_string(to.run()->number) + " is " + state_word(to) + " there");
    }
    if (const Result<void> allowed = energising_allowed(to); !allowed) {
        return tl::unexpected(allowed.error());
    }
    return &from;
}

void Bench::move(const control::Request& request, control::Reply reply) {
    const Result<ledger::RunNumber> number = run_param(request.params);
    const Result<ChannelTask*> to = channel_named(request.params);
    if (!number || !to) {
        reply(tl::unexpected(!number ? number.error() : to.error()));
        return;
    }
    const Result<ChannelTask*> from = movable(*number, **to);
    if (!from || (*to)->busy()) {
        reply(from ? fail(Failure::try_again,
                          "channel '" + escaped((*to)->config().name) + "' is busy: another start is under way on it")
                   : tl::unexpected(from.error()));
        return;
    }
    (*to)->reserve(true);
    ask_ledger<Replanned>(
        [number = *number, capacity = (*from)->run()->plan->capacity, traits = (*to)->channel().traits(),
         chemistry = (*to)->config().simulated.chemistry,
         caps = options_.config.caps](ledger::Reader& reader) -> Result<Replanned> {
            const Result<ledger::RunData> data = reader.run(number);
            if (!data) {
                return tl::unexpected(data.error());
            }
            const protocol::Checked checked =
                protocol::check_protocol("the recorded protocol", data->header.protocol_text);
            if (!checked.protocol) {
                return fail(Failure::bad_data, render(checked.diagnostics, data->header.protocol_text));
            }
            if (const Result<void> fits = check_chemistry(*checked.protocol, chemistry); !fits) {
                return tl::unexpected(fits.error());
            }
            Result<engine::Plan> plan = engine::make_plan(*checked.protocol, capacity, traits, caps);
            if (!plan) {
                return tl::unexpected(plan.error());
            }
            return Replanned{std::move(*plan), checked.protocol->cell.chemistry};
        },
        [this, peer = request.peer, number = *number, to = *to, reply = std::move(reply)](Result<Replanned> plan) {
            to->reserve(false);
            reply_once_recorded("move", finish_move(peer, number, *to, std::move(plan)), reply);
        });
}

Bench::Answer Bench::finish_move(const control::Peer& peer, ledger::RunNumber number, ChannelTask& to,
                                 Result<Replanned> replanned) {
    if (!replanned) {
        return fail(replanned.error().failure, "run " + std::to_string(number) + " cannot go on on channel '" +
                                                   escaped(to.config().name) + "': " + replanned.error().message);
    }
    engine::Plan& plan = replanned->plan;
    const Result<ChannelTask*> from = movable(number, to);  // once more: time has passed
    if (!from) {
        return tl::unexpected(from.error());
    }
    if (const Result<void> allowed = chamber_allows(to, plan, (*from)->run()->tray); !allowed) {
        return tl::unexpected(allowed.error());
    }
    const std::string old_channel = (*from)->config().name;
    note(peer, *from, "move", "to channel '" + escaped(to.config().name) + "'");
    std::unique_ptr<ActiveRun> run = (*from)->remove();
    test_over((*from)->index());
    ledger::MoveRecord record;
    record.run = number;
    record.after = run->run.sequence;
    record.from = old_channel;
    record.to = to.config().name;
    record.traits = plan.traits;
    record.caps = plan.caps;
    record.utc = clock_->utc();
    feed_.put(std::move(record));
    put_elsewhere(run->run);
    run->plan = std::make_unique<const engine::Plan>(std::move(plan));
    run->recorder->go_on_with(*run->plan);
    feed_.put(record::checkpoint(number, run->run));
    feed_.put(run->recorder->status(run->run));
    load_fixture(to, *run, replanned->chemistry);
    to.begin(std::move(run));
    to.open_output();
    feed_.commit();
    boost::json::object result = answer("moved");
    result["run"] = number;
    result["cell"] = to.run()->cell;
    result["from"] = old_channel;
    result["channel"] = to.config().name;
    result["state"] = state_word(to);
    return result;
}

}  // namespace slowfilm::bench
