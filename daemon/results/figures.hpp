// The figures of a run, each defined here and nowhere else: formula, unit, where the definition comes from, and when
// there is none. A figure is computed from the visits' totals alone, so a run without kept samples has the same
// figures.
#pragma once

#include "daemon/core/cell.hpp"
#include "daemon/core/figure.hpp"
#include "daemon/core/quantity.hpp"
#include "daemon/results/summary.hpp"

#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

namespace slowfilm::results {

struct FigureDefinition {
    FigureId id;
    std::string_view name;  // as [accept] and JSON spell it
    Dimension dimension;    // what a rule's min and max are written in
    std::string_view formula;
    std::string_view source;
    std::string_view undefined_when;
    bool of_a_step;  // may be narrowed to a step's visit
};

[[nodiscard]] std::span<const FigureDefinition> figure_definitions();
// Nothing when no figure is called so.
[[nodiscard]] const FigureDefinition* find_figure(std::string_view name);

// Which part of the run a figure is of. Nothing set: the last complete cycle (first_cycle_efficiency takes none).
struct Selector {
    std::optional<std::string> step;     // a step's name or path: the last visit of it that fits
    std::optional<std::uint32_t> cycle;  // from 1
    std::optional<std::uint32_t> pass;   // from 1, of the innermost repeat around the step
    std::optional<Duration> from, to;    // of k_value: two of the step's `keep.at`, or without a step the run's
};

// What the cell was when the run began: what the ledger remembers of it, else what the protocol claims.
struct Beginning {
    CellState state{CellState::pristine};
    Charge net_before;    // in minus out before this run
    std::string unknown;  // why the state or the charge is not known, or ""
};

// What the figures need to know of a run.
struct FigureInput {
    const ledger::RunData& run;
    std::span<const Cycle> cycles;
    const Beginning& beginning;
};

// Whether the run's visit of this index is one that the selector names: every one where it names none.
[[nodiscard]] bool fits(const FigureInput& input, std::size_t index, const Selector& selector);
// The cycle that the visit of this index belongs to, from 1.
[[nodiscard]] std::uint32_t cycle_at(std::span<const Cycle> cycles, std::size_t index);
// A figure with its value, whose uncertainty is not known yet, and one that has none.
[[nodiscard]] Figure defined(const FigureDefinition& definition, double value);
[[nodiscard]] Figure undefined(const FigureDefinition& definition, std::string reason);

// The cycles of a run in order. A cycle ends with a visit that says so; what follows the last end is a cycle of its
// own, incomplete, if a step that moves current was visited in it.
[[nodiscard]] std::vector<Cycle> cycles_of(const ledger::RunData& run, const Beginning& beginning);

// Never fails: a figure that is not defined has no value, and says why.
[[nodiscard]] Figure compute(const FigureDefinition& figure, const FigureInput& input, const Selector& selector);

}  // namespace slowfilm::results
