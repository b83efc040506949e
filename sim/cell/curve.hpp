// The open-circuit potential of an electrode over its stoichiometry: a formula as it is published, and the table the
// solver reads it from.
#pragma once

#include <cstddef>
#include <cstdint>
#include <vector>

namespace slowfilm::sim {

enum class TermKind : std::uint8_t { exponential, hyperbolic };

// amplitude * exp(rate * (s - centre)), or tanh in the place of exp.
struct CurveTerm {
    TermKind kind{TermKind::exponential};
    double amplitude{0.0};  // V
    double rate{0.0};
    double centre{0.0};
};

// constant + slope * s + the terms, in volts against lithium, between `lowest` and `highest`.
struct CurveFormula {
    double constant{0.0};
    double slope{0.0};
    std::vector<CurveTerm> terms;
    double lowest{0.0}, highest{1.0};
};

struct CurvePoint {
    double value, slope;  // V, V per unit of stoichiometry
};

struct CurveKnot {
    double value, slope, curvature;
};
// The formula itself, with its own exp and tanh: value and its first and second derivative at s.
[[nodiscard]] CurveKnot evaluate(const CurveFormula& formula, double s);

// Quintic Hermite between equal cells, twice continuously differentiable. Beyond the formula's range it goes on
// straight and steeply down, so that an electrode that is empty or full says so by its potential.
class OpenCircuitTable {
  public:
    explicit OpenCircuitTable(const CurveFormula& formula);
    [[nodiscard]] CurvePoint at(double s) const;

  private:
    double lowest_, highest_, per_cell_;
    double below_, above_;          // V per unit, beyond the ends
    std::vector<CurveKnot> knots_;  // derivatives per cell
};

}  // namespace slowfilm::sim
