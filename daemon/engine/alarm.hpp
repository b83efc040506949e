// The state of a run's alarm in the words of IEC 62682 / ISA-18.2 (the letters of that standard's diagram from memory).
// Every trip is a latching alarm: it stays when its cause is gone, until a person acknowledges it and, for class
// channel, resumes. What is told of a cell whose run is over does not latch, but stays visible when it has returned.
#pragma once

#include "daemon/engine/plan.hpp"
#include "daemon/engine/run.hpp"

#include <string_view>

namespace slowfilm::engine {

enum class AlarmState : std::uint8_t {
    normal,                   // A
    unacknowledged,           // B: the cause is there, nobody has taken note
    acknowledged,             // C: the cause is there, a person knows
    returned_unacknowledged,  // D: the cause is gone, nobody has taken note
    latched_unacknowledged,   // E: the cause is gone, the trip stands, nobody has taken note
    latched_acknowledged,     // F: the cause is gone, the trip stands until it is reset
};

// `beside`: a neighbour's trouble is still there, which is the cause of a group trip and known to the bench alone.
[[nodiscard]] AlarmState alarm_state(const Plan& plan, const Run& run, bool beside);
[[nodiscard]] std::string_view name(AlarmState state);

}  // namespace slowfilm::engine
