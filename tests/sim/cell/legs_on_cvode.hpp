// The cell model's own equations, with its own tables and exp, given to CVODE: the yardstick of its solver.
#pragma once

#include "sim/cell/particle_equations.hpp"
#include "tests/cvode.hpp"

#include <algorithm>
#include <cmath>
#include <vector>

namespace slowfilm::test {

// The solver's own unknowns: modes of spheres and salt.
class ModelUnknowns {
  public:
    explicit ModelUnknowns(const sim::ParticleParameters& parameters) : equations_(parameters) {}

    [[nodiscard]] std::size_t count() const { return equations_.unknowns(); }
    void start(double* y, double& opened) const {
        const sim::ParticleState start = equations_.start(CellState::pristine, opened);
        std::copy_n(start.begin(), count(), y);
    }
    [[nodiscard]] std::vector<double> absolute(double tolerance) const {
        std::vector<double> all(count(), tolerance);
        std::fill_n(all.begin(), sim::unknown::negative, 1e2 * tolerance);
        std::fill(all.end() - static_cast<std::ptrdiff_t>(equations_.modes().salt.count), all.end(), 1e2 * tolerance);
        return all;
    }
    [[nodiscard]] double filled(const double* y) const { return y[sim::unknown::negative]; }
    void look(double t, const double* y, const sim::Terminals& terminals, const sim::Surroundings& around,
              sim::Algebra& found, double* rate) {
        std::copy_n(y, count(), state_.begin());
        const sim::ParticleEquations::Stage at_once{state_, 0.0, t, state_[sim::unknown::temperature]};
        if (!(rate == nullptr ? equations_.solve(at_once, terminals, around, found)
                              : equations_.solve(at_once, terminals, around, found, same_, rate_))) {
            throw std::runtime_error("the equations have no solution");
        }
        if (rate != nullptr) {
            std::copy_n(rate_.begin(), count(), rate);
        }
    }

  private:
    sim::ParticleEquations equations_;
    sim::ParticleState state_{}, same_{}, rate_{};
};

// CVODE on such unknowns, one leg at a time: a current until a voltage and then the voltage, or a rest. Pristine.
template <class Unknowns>
class LegsOnCvode {
  public:
    LegsOnCvode(const sim::ParticleParameters& parameters, double tolerance)
        : unknowns_(parameters),
          cvode_(
              unknowns_.count(),
              [this](double t, const double* y, double* rate) {
                  unknowns_.look(t, y, terminals(), around_, found_, rate);
              },
              [this](double t, const double* y) { return root(t, y); }, tolerance, unknowns_.absolute(tolerance)) {
        unknowns_.start(cvode_.y(), around_.opened);
        around_.leak = 1.0 / parameters.leakage_resistance;
        around_.ambient = parameters.ambient + sim::zero_celsius;
        found_.graphite = 1.0;
    }

    template <class Tick>
    void run(double until, double current, double target, double every, Tick tick) {
        current_ = current;
        target_ = target;
        held_ = false;
        found_.electrodes = current;
        cvode_.restart(time_, 1e-4);
        while (time_ < until - 1e-9) {
            const bool event = cvode_.step(until);
            time_ = cvode_.time();
            for (; next_ <= time_ + 1e-9; next_ += every) {
                tick(next_, look(next_, cvode_.at(std::min(next_, time_))));
            }
            around_.opened = std::max(around_.opened, unknowns_.filled(cvode_.y()));
            if (event) {
                events_.push_back(time_);
                held_ = true;
                cvode_.restart(time_, 1e-4);
            }
        }
    }
    [[nodiscard]] long steps() const { return cvode_.steps(); }
    [[nodiscard]] std::size_t count() const { return unknowns_.count(); }
    [[nodiscard]] const std::vector<double>& events() const { return events_; }
    void first_tick(double t) { next_ = t; }

  private:
    [[nodiscard]] sim::Terminals terminals() const { return {held_, held_ ? target_ : current_}; }
    [[nodiscard]] sim::Algebra look(double t, const double* y) {
        sim::Algebra found = found_;
        unknowns_.look(t, y, terminals(), around_, found, nullptr);
        return found;
    }
    double root(double t, const double* y) { return held_ || current_ == 0.0 ? 1.0 : look(t, y).voltage - target_; }

    Unknowns unknowns_;
    sim::Surroundings around_;
    sim::Algebra found_;
    double time_{0.0}, next_{0.0}, current_{0.0}, target_{0.0};
    bool held_{false};
    std::vector<double> events_;
    Cvode cvode_;
};

}  // namespace slowfilm::test
