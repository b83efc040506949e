#include "sim/cell/curve.hpp"

#include "sim/cell/elementary.hpp"

#include <algorithm>

namespace slowfilm::sim {

namespace {

constexpr std::size_t cells = 4096;
constexpr double steepest_end = -100.0;  // V per unit: at least this steep beyond the ends

}  // namespace

CurveKnot evaluate(const CurveFormula& formula, double s) {
    CurveKnot knot{formula.constant + formula.slope * s, formula.slope, 0.0};
    for (const CurveTerm& term : formula.terms) {
        const double z = term.rate * (s - term.centre);
        switch (term.kind) {
            case TermKind::exponential: {
                const double e = term.amplitude * elementary::exp(z);
                knot.value += e;
                knot.slope += term.rate * e;
                knot.curvature += term.rate * term.rate * e;
                break;
            }
            case TermKind::hyperbolic: {
                const double t = elementary::tanh(z);
                const double d = term.amplitude * term.rate * (1.0 - t) * (1.0 + t);
                knot.value += term.amplitude * t;
                knot.slope += d;
                knot.curvature -= 2.0 * term.rate * t * d;
                break;
            }
        }
    }
    return knot;
}

OpenCircuitTable::OpenCircuitTable(const CurveFormula& formula)
    : lowest_(formula.lowest),
      highest_(formula.highest),
      per_cell_(static_cast<double>(cells) / (formula.highest - formula.lowest)) {
    knots_.reserve(cells + 1);
    for (std::size_t i = 0; i <= cells; ++i) {
        const double s = lowest_ + static_cast<double>(i) / per_cell_;
        CurveKnot knot = evaluate(formula, s);
        knot.slope /= per_cell_;
        knot.curvature /= per_cell_ * per_cell_;
        knots_.push_back(knot);
    }
    below_ = std::min(knots_.front().slope * per_cell_, steepest_end);
    above_ = std::min(knots_.back().slope * per_cell_, steepest_end);
}

CurvePoint OpenCircuitTable::at(double s) const {
    if (!(s >= lowest_)) {
        return {knots_.front().value + below_ * (s - lowest_), below_};
    }
    if (s > highest_) {
        return {knots_.back().value + above_ * (s - highest_), above_};
    }
    const double place = (s - lowest_) * per_cell_;
    const std::size_t i = std::min(static_cast<std::size_t>(place), cells - 1);
    const double x = place - static_cast<double>(i);
    const CurveKnot& a = knots_[i];
    const CurveKnot& b = knots_[i + 1];
    // What is left at the far end of the parabola of the near end goes into the three highest powers.
    const double dv = b.value - a.value - a.slope - 0.5 * a.curvature;
    const double ds = b.slope - a.slope - a.curvature;
    const double dc = b.curvature - a.curvature;
    const double c3 = 10.0 * dv - 4.0 * ds + 0.5 * dc;
    const double c4 = -15.0 * dv + 7.0 * ds - dc;
    const double c5 = 6.0 * dv - 3.0 * ds + 0.5 * dc;
    const double value = a.value + x * (a.slope + x * (0.5 * a.curvature + x * (c3 + x * (c4 + x * c5))));
    const double slope = a.slope + x * (a.curvature + x * (3.0 * c3 + x * (4.0 * c4 + x * 5.0 * c5)));
    return {value, slope * per_cell_};
}

}  // namespace slowfilm::sim
