// The cell model's own equations, with its own unknowns, tables and exp, given to CVODE: the yardstick of its solver.
#pragma once

#include "sim/cell/particle_equations.hpp"
#include "tests/cvode.hpp"

#include <algorithm>
#include <cmath>
#include <vector>

namespace slowfilm::test {

// One leg at a time, as the benchmark's protocol has them: a current until a voltage and then the voltage, or a rest.
class ModelCvode {
  public:
    ModelCvode(const sim::ParticleParameters& parameters, double tolerance)
        : equations_(parameters),
          cvode_(
              sim::unknown::count, [this](double t, const double* y, double* rate) { rates(t, y, rate); },
              [this](double t, const double* y) { return root(t, y); }, tolerance, absolute(tolerance)) {
        const sim::ParticleState start = equations_.start(CellState::pristine, around_.opened);
        std::copy(start.begin(), start.end(), cvode_.y());
        around_.leak = 1.0 / parameters.leakage_resistance;
        around_.ambient = parameters.ambient + sim::zero_celsius;
        found_.graphite = start[sim::unknown::graphite];
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
            around_.opened = std::max(around_.opened, cvode_.y()[sim::unknown::negative]);
            if (event) {
                held_ = true;
                cvode_.restart(time_, 1e-4);
            }
        }
    }
    [[nodiscard]] long steps() const { return cvode_.steps(); }
    void first_tick(double t) { next_ = t; }

  private:
    static std::vector<double> absolute(double tolerance) {
        std::vector<double> all(sim::unknown::count, tolerance);
        for (std::size_t m = 0; m < sim::electrolyte_terms; ++m) {
            all[sim::unknown::salt + m] = 1e2 * tolerance;
        }
        for (std::size_t u = sim::unknown::film; u < sim::unknown::count; ++u) {
            all[u] = 1e2 * tolerance;
        }
        return all;
    }
    sim::Algebra look(double t, const double* y) {
        std::copy(y, y + sim::unknown::count, state_.begin());
        const sim::Terminals terminals{held_, held_ ? target_ : current_};
        sim::Algebra found = found_;
        if (!equations_.solve({state_, 0.0, t, state_[sim::unknown::temperature]}, terminals, around_, found, same_,
                              rate_)) {
            throw std::runtime_error("the equations have no solution");
        }
        return found;
    }
    void rates(double t, const double* y, double* rate) {
        found_ = look(t, y);
        std::copy(rate_.begin(), rate_.end(), rate);
    }
    double root(double t, const double* y) { return held_ || current_ == 0.0 ? 1.0 : look(t, y).voltage - target_; }

    sim::ParticleEquations equations_;
    sim::Surroundings around_;
    sim::Algebra found_;
    sim::ParticleState state_{}, same_{}, rate_{};
    double time_{0.0}, next_{0.0}, current_{0.0}, target_{0.0};
    bool held_{false};
    Cvode cvode_;
};

}  // namespace slowfilm::test
