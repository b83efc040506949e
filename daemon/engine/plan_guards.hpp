// The guards' part of a plan: what [limits] and a step's own limits come to on one cell and channel.
#pragma once

#include "daemon/engine/plan.hpp"

namespace slowfilm::engine {

// Fills plan.guards and what is judged beside them: climb, leg caps, staleness. Capacity, window, traits, caps and
// end_margin stand in the plan already. Refuses limits outside the bench's caps, and limits that are not written where
// they must be: false then, for nothing more can be planned.
[[nodiscard]] bool plan_guards(const protocol::Protocol& protocol, Plan& plan, Refusals& refusals);

// [limits] with what a step writes of its own in place; where both have a limit the narrower one holds. Gives the index
// in plan.step_guards. climb, charge_leg_max, stale_after, run_time_max and armed_above hold for the whole run.
[[nodiscard]] Result<std::int16_t> plan_step_guards(const protocol::Limits& own, Plan& plan);

}  // namespace slowfilm::engine
