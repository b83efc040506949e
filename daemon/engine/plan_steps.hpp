// The steps of a protocol laid flat, for one cell on one channel; part of make_plan().
#pragma once

#include "daemon/engine/plan.hpp"

namespace slowfilm::engine {

// Steps, pulses' levels, marks and what is kept. Guards, traits, capacity and window of the plan stand already.
// What one step is refused for, the first of it, and the first of the next: only where none is added the plan is whole.
void plan_steps(const protocol::Protocol& protocol, Plan& plan, Refusals& refusals);

// Whether any step can take current out of the cell.
[[nodiscard]] bool moves_out(const std::vector<protocol::Step>& steps);

// How far the stage's ceiling stands above the end of a charge on this channel.
[[nodiscard]] Voltage end_margin(const ChannelTraits& traits);

}  // namespace slowfilm::engine
