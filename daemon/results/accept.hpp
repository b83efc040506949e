// [accept]: what makes a good cell, judged on the figures. A person at seven in the morning reads the grade first, so a
// cell whose figure cannot be computed is never accepted, and the reason stands beside.
#pragma once

#include "daemon/protocol/protocol.hpp"
#include "daemon/results/figures.hpp"

#include <cstddef>
#include <span>
#include <vector>

namespace slowfilm::results {

// A run with what its figures are computed from.
struct Judged {
    ledger::RunData run;
    std::vector<Cycle> cycles;
    Beginning beginning;
    [[nodiscard]] FigureInput input() const { return {run, cycles, beginning}; }
};

// accept, or the name of the first grade that fits; reject or undecided for a run that is done; none, with the reason,
// for one that is not or where there are no rules. `batch`: the finished runs of the same protocol, this one among
// them, for within_mad.
[[nodiscard]] Verdict judge(const protocol::Acceptance& accept, const FigureInput& input,
                            std::span<const Judged> batch = {});

// "discharge_capacity of cycle 2 is 4.6120 Ah, below the least accepted 4.8000 Ah", for a rule that is not met; the
// figure and its limits for one that is.
[[nodiscard]] std::string describe_rule(const protocol::AcceptRule& rule, const Figure& figure);

// Whether a rule compares with other runs of the protocol.
[[nodiscard]] bool needs_batch(const protocol::Acceptance& accept);

// Fewer say nothing of what is usual (common practice).
inline constexpr std::size_t batch_least = 5;

}  // namespace slowfilm::results
