// The guards of a plan as `check` lists them: what each trips at, for how long, and whether the protocol wrote it.
#pragma once

#include "daemon/engine/plan.hpp"

#include <boost/json/array.hpp>
#include <string>

namespace slowfilm::command {

// A line for each guard, aligned; guards that the protocol switched off stand there as off.
[[nodiscard]] std::string guards_text(const engine::Plan& plan);
// {name, key, unit, class, hard, origin} and its limits: trip, warn, min, max, for ... where the guard has them.
[[nodiscard]] boost::json::array guards_json(const engine::Plan& plan);

}  // namespace slowfilm::command
