// [accept]: what makes a good cell, judged on the figures. A person at seven in the morning reads the grade first, so a
// cell whose figure cannot be computed is never accepted, and the reason stands beside.
#pragma once

#include "daemon/protocol/protocol.hpp"
#include "daemon/results/figures.hpp"

#include <span>

namespace slowfilm::results {

// accept, reject or undecided for a run that is done; none, with the reason, for one that is not or where there are no
// rules.
[[nodiscard]] Verdict judge(std::span<const protocol::AcceptRule> rules, const FigureInput& input);

// "discharge_capacity of cycle 2 is 4.6120 Ah, below the least accepted 4.8000 Ah", for a rule that is not met; the
// figure and its limits for one that is.
[[nodiscard]] std::string describe_rule(const protocol::AcceptRule& rule, const Figure& figure);

}  // namespace slowfilm::results
