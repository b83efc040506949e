#include "daemon/core/event.hpp"

namespace slowfilm {

std::string_view name(RunState state) {
    switch (state) {
        case RunState::planned: return "planned";
        case RunState::checking: return "checking";
        case RunState::forming: return "forming";
        case RunState::resting: return "resting";
        case RunState::asking: return "asking";
        case RunState::paused: return "paused";
        case RunState::waiting: return "waiting";
        case RunState::tripped: return "tripped";
        case RunState::stopped: return "stopped";
        case RunState::done: return "done";
    }
    return "";
}

std::string_view name(WaitReason reason) {
    switch (reason) {
        case WaitReason::none: return "none";
        case WaitReason::overrun: return "overrun";
        case WaitReason::gap: return "gap";
        case WaitReason::record_lost: return "record_lost";
        case WaitReason::acknowledged: return "acknowledged";
        case WaitReason::connection: return "connection";
        case WaitReason::restart: return "restart";
        case WaitReason::already_so_twice: return "already_so_twice";
        case WaitReason::not_good_end: return "not_good_end";
        case WaitReason::no_figure: return "no_figure";
        case WaitReason::not_measured: return "not_measured";
        case WaitReason::moved: return "moved";
    }
    return "";
}

std::string_view cause(WaitReason reason) {
    switch (reason) {
        case WaitReason::none: return "";
        case WaitReason::overrun: return "a step reached its at_most";
        case WaitReason::gap: return "nobody watched for a while";
        case WaitReason::record_lost: return "the record could not be written";
        case WaitReason::acknowledged: return "a trip was acknowledged";
        case WaitReason::connection: return "the connection checks failed";
        case WaitReason::restart: return "the daemon was restarted";
        case WaitReason::already_so_twice: return "a step in a repeat found its end already true twice running";
        case WaitReason::not_good_end: return "a step ended, but not by its good_end";
        case WaitReason::no_figure: return "only_if asked for a figure that is not defined";
        case WaitReason::not_measured:
            return "a step was a share of the measured capacity, and none is known of this cell";
        case WaitReason::moved: return "the run was put on another channel";
    }
    return "";
}

std::string_view name(EventKind kind) {
    switch (kind) {
        case EventKind::started: return "started";
        case EventKind::step_began: return "step_began";
        case EventKind::step_ended: return "step_ended";
        case EventKind::warned: return "warned";
        case EventKind::tripped: return "tripped";
        case EventKind::acknowledged: return "acknowledged";
        case EventKind::paused: return "paused";
        case EventKind::resumed: return "resumed";
        case EventKind::waiting: return "waiting";
        case EventKind::asking: return "asking";
        case EventKind::confirmed: return "confirmed";
        case EventKind::connection_failed: return "connection_failed";
        case EventKind::connection_good: return "connection_good";
        case EventKind::opened: return "opened";
        case EventKind::open_resent: return "open_resent";
        case EventKind::output_stuck: return "output_stuck";
        case EventKind::stopped: return "stopped";
        case EventKind::done: return "done";
        case EventKind::refused: return "refused";
        case EventKind::gap: return "gap";
        case EventKind::mark: return "mark";
        case EventKind::repeat_ended: return "repeat_ended";
        case EventKind::ambient: return "ambient";
        case EventKind::gathering: return "gathering";
        case EventKind::copper: return "copper";
        case EventKind::idle_alarm: return "idle_alarm";
        case EventKind::bad_input: return "bad_input";
    }
    return "";
}

}  // namespace slowfilm
