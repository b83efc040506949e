// The figures that are read off voltages at rest or at the switch of a current, not off charges.
#pragma once

#include "daemon/results/figures.hpp"

namespace slowfilm::results {

[[nodiscard]] Figure dc_resistance(const FigureDefinition& definition, const FigureInput& input,
                                   const Selector& selector);
[[nodiscard]] Figure k_value(const FigureDefinition& definition, const FigureInput& input, const Selector& selector);

}  // namespace slowfilm::results
