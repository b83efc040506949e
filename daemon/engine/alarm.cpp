#include "daemon/engine/alarm.hpp"

namespace slowfilm::engine {

AlarmState alarm_state(const Plan& plan, const Run& run, bool beside) {
    switch (run.state) {
        case RunState::tripped: {
            const bool known = run.wait == WaitReason::acknowledged;
            const bool of_group = run.tripped_by == GuardId::group && beside;
            if (!of_group && cause_gone(plan, run, run.now)) {
                return known ? AlarmState::latched_acknowledged : AlarmState::latched_unacknowledged;
            }
            return known ? AlarmState::acknowledged : AlarmState::unacknowledged;
        }
        case RunState::waiting:
            return run.wait == WaitReason::acknowledged ? AlarmState::latched_acknowledged : AlarmState::normal;
        case RunState::stopped:
        case RunState::done:
            if (run.idle_said == 0) {
                return AlarmState::normal;
            }
            return (run.idle_said & run.guards.out) != 0 ? AlarmState::unacknowledged
                                                         : AlarmState::returned_unacknowledged;
        case RunState::planned:
        case RunState::checking:
        case RunState::forming:
        case RunState::resting:
        case RunState::asking:
        case RunState::paused: return AlarmState::normal;
    }
    return AlarmState::normal;
}

std::string_view name(AlarmState state) {
    switch (state) {
        case AlarmState::normal: return "normal";
        case AlarmState::unacknowledged: return "unacknowledged";
        case AlarmState::acknowledged: return "acknowledged";
        case AlarmState::returned_unacknowledged: return "returned to normal, unacknowledged";
        case AlarmState::latched_unacknowledged: return "latched, unacknowledged";
        case AlarmState::latched_acknowledged: return "latched, acknowledged";
    }
    return "";
}

}  // namespace slowfilm::engine
