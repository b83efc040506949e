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
    const bool open = run != nullptr && run->plan != nullptr ? run->run.opening.verified : task.output_open();
    if (!trip && !open) {
        return fail(Failure::bad_data,
                    "the output of " + channel + " is not seen open, and so the cause is still there; open it by hand");
    }
    note(request.peer, &task, "acknowledge", *reason);
    if (trip && engine::refused(task.command(CommandKind::acknowledge))) {
        return fail(Failure::bad_data, named + " tripped by " + std::string(guard_row(run->run.tripped_by).name) +
                                           ", and its cause is still there; acknowledge it once it is gone");
    }
    unlatch(task);
    boost::json::object result = answer("acknowledged");
    result["run"] = run != nullptr ? boost::json::value(run->number) : boost::json::value(nullptr);
    result["channel"] = task.config().name;
    result["state"] = state_word(task);
    return result;
}

}  // namespace slowfilm::bench
