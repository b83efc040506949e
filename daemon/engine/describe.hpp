// The words for what the engine reports in numbers (daemon/record/record.hpp turns them into ledger records).
// One spelling of each, for texts, JSON and the ledger alike.
#pragma once

#include "daemon/core/event.hpp"
#include "daemon/core/input.hpp"
#include "daemon/engine/plan.hpp"

#include <string>
#include <string_view>

namespace slowfilm::engine {

using slowfilm::name;  // of states, waits and events
[[nodiscard]] std::string_view name(EndReason reason);
[[nodiscard]] std::string_view name(ConnectionFault fault);
[[nodiscard]] std::string_view name(StepKind kind);
// "over_voltage: 4.2631 V is above the limit 4.25 V in step 4 (first third)"
[[nodiscard]] std::string describe(const Event& event, const Plan& plan);
// Why an output is not seen open: its last current, and the largest that counts as none.
[[nodiscard]] std::string describe_not_open(Current last, Current none);
// Of a cell below 1 V without current, and the time that it has left.
[[nodiscard]] std::string describe_copper(Voltage voltage, Duration left);
// A guard's value in its unit: "4.25 V", "55 degC".
[[nodiscard]] std::string print_guard_value(GuardId guard, std::int64_t value);

}  // namespace slowfilm::engine
