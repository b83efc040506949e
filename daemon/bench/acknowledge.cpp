// Taking note of a trip: of the run's, and of the channel's own, which outlives the run.
#include "daemon/bench/bench.hpp"
#include "daemon/bench/requests.hpp"
#include "daemon/core/text.hpp"
#include "daemon/engine/describe.hpp"

namespace slowfilm::bench {

Bench::Answer Bench::acknowledge(const control::Request& request) {
    const Result<ChannelTask*> found = channel_named(request.params);
    if (!found) {
        return tl::unexpected(found.error());
    }
    const Result<std::string> reason = line_param(request.params, "reason", "an acknowledgement");
    if (!reason) {
        return tl::unexpected(reason.error());
    }
    ChannelTask& task = **found;
    const ActiveRun* run = task.run();
    const std::string channel = "channel '" + escaped(task.config().name) + "'";
    const bool latched = latch_of(task) != nullptr;
    const std::string named = run != nullptr ? "run " + std::to_string(run->number) : "";
    const bool trip = run != nullptr && run->plan != nullptr && run->state() == RunState::tripped &&
                      !run->recorder->acknowledged(run->run);
    if (run == nullptr && !latched) {
        return fail(Failure::bad_data, channel + " is empty, and not latched: there is nothing to acknowledge");
    }
    if (!trip && !latched) {
        const bool taken =
            run->plan != nullptr && (run->state() == RunState::tripped ||
                                     (run->state() == RunState::waiting && run->run.wait == WaitReason::acknowledged));
        return fail(Failure::bad_data,
                    taken ? "the trip of " + named + " is acknowledged already; what it needs now: " + run->needs()
                          : named + " is " + state_word(task) + ": there is no trip to acknowledge");
    }
    // Of a cell trip a person only takes note; the channel's own latch goes with its cause, whoever lies on it.
    const bool for_good = trip && run->run.trip_class == TripClass::cell;
    const std::string own = trouble_of(task);
    const std::string there = own.empty() ? trouble_beside(task) : own;
    const std::string what =
        trip ? named + " tripped by " + std::string(guard_row(run->run.tripped_by).name) : channel + " is latched";
    if (!for_good && !there.empty()) {
        return fail(Failure::bad_data,
                    what + ", and its cause is still there: " + there + "; acknowledge it once that is gone");
    }
    note(request.peer, &task, "acknowledge", *reason);
    if (trip && engine::refused(task.command(CommandKind::acknowledge))) {
        return fail(Failure::bad_data, what + ", and its cause is still there; acknowledge it once it is gone");
    }
    if (there.empty()) {
        unlatch(task);
    }
    boost::json::object result = answer("acknowledged");
    result["run"] = run != nullptr ? boost::json::value(run->number) : boost::json::value(nullptr);
    result["channel"] = task.config().name;
    result["state"] = state_word(task);
    const ledger::ChannelLatch* kept = latch_of(task);
    result["latch"] = kept != nullptr ? boost::json::value(kept->text) : boost::json::value(nullptr);
    result["stays_latched"] = kept != nullptr ? there : "";
    return result;
}

}  // namespace slowfilm::bench
