// An electrochemical cell as a trajectory: stepped by an implicit method that chooses its own steps, exact at events.
#pragma once

#include "sim/cell/cell.hpp"
#include "sim/cell/esdirk.hpp"
#include "sim/cell/particle_equations.hpp"

#include <cstdint>
#include <optional>

namespace slowfilm::sim {

// What one step may be off by. One default, at which the accuracy tests pass.
struct ParticleTolerance {
    double voltage{4e-5};      // V, of a step
    double between{2e-4};      // V, between the ends of a step: of the cubic; the quartic that is used is far better
    double film{2e-4};         // of the film's charge
    double temperature{2e-3};  // K
    double first_step{0.5};    // s, after anything that changes at once
};

// What a rehearsal tells besides samples.
struct ParticleReport {
    double film_charge{0.0};              // Ah, since the start
    double film_thickness{0.0};           // m
    double lowest_graphite{0.0};          // V against lithium, at any time so far
    double plated{0.0}, dead{0.0};        // Ah of lithium metal that can, and that cannot, be stripped
    double leaked{0.0};                   // Ah through the leak
    double negative{0.0}, positive{0.0};  // mean stoichiometries
    double temperature{25.0};             // degC
    double lithium{0.0};                  // Ah: everything, constant
};

class ParticleCell final : public Cell {
  public:
    // The parameters must have passed check(); time begins at t = 0.
    ParticleCell(const ParticleParameters& parameters, CellState state, ParticleTolerance tolerance = {});
    // The same with spheres and salt resolved otherwise.
    ParticleCell(const ParticleParameters& parameters, CellState state, const ParticleModes& modes,
                 ParticleTolerance tolerance = {});

    void open(double t) override;
    void drive(double t, const CurrentDrive& drive) override;
    void drive(double t, const VoltageDrive& drive) override;
    [[nodiscard]] CellReading at(double t) override;
    void ambient(double t, double celsius) override;
    [[nodiscard]] double charge() const override;

    [[nodiscard]] ParticleReport report() const;  // at the time last asked for
    // Charge given back over charge taken, of a fresh and sound cell of these numbers charged at C/10 to the top of its
    // window, held to C/50, rested for ten minutes, and discharged at C/10 to the bottom, at 25 degC. Absent where the
    // cell does not get there.
    [[nodiscard]] std::optional<double> first_cycle_efficiency() const;
    [[nodiscard]] std::uint64_t steps() const { return steps_; }
    [[nodiscard]] std::uint64_t rejected() const { return rejected_; }

  private:
    // Every drive is a regulator: hold `target` with a current between `low` and `high`; where that can't be, the
    // nearer of the two flows.
    enum class DriveKind : std::uint8_t { open, charge, discharge, constant, voltage };
    enum class Regime : std::uint8_t { at_low, at_high, regulating };
    struct Drive {
        DriveKind kind{DriveKind::open};
        double target{0.0};
        double low{0.0}, high{0.0};
    };
    // A quantity over a step: the quartic through its values at the ends, the middle and the quarters. x from 0 to 1.
    struct Quartic {
        std::array<double, 5> c{};
        void through(const std::array<double, 5>& value);
        void straight(double from, double to) { c = {from, to - from, 0.0, 0.0, 0.0}; }
        void constant(double value) { c = {value, 0.0, 0.0, 0.0, 0.0}; }
        [[nodiscard]] double at(double x) const { return c[0] + x * (c[1] + x * (c[2] + x * (c[3] + x * c[4]))); }
        [[nodiscard]] double slope(double x) const {
            return c[1] + x * (2.0 * c[2] + x * (3.0 * c[3] + x * 4.0 * c[4]));
        }
        // How far the middle lies from the cubic through the other four.
        [[nodiscard]] double bend() const { return c[4] * (3.0 / 64.0); }
    };
    struct Moment {
        double time{0.0};
        ParticleState y{}, rate{};
        Algebra algebra;
        double opened{0.0};
        double lowest_graphite{10.0};
        double charged{0.0};  // C that went in while charging, since the cell was loaded
        std::uint32_t faults{0};
    };
    struct Step {
        Moment from, to;
        Quartic voltage, current, temperature;
        double per_second{0.0};
        Regime regime{Regime::at_high};  // in force until its end
        DriveMode mode{DriveMode::open};
    };

    ParticleCell(ParticleEquations equations, CellState state, ParticleTolerance tolerance);
    void begin(double t, const Drive& drive);
    void go_to(double t);
    void settle();
    void next_step();
    [[nodiscard]] double least_step() const;
    [[nodiscard]] bool attempt(double h, Moment& to);
    [[nodiscard]] double step_error(double h, const Moment& to) const;
    [[nodiscard]] double interpolate(Step& step);
    [[nodiscard]] double event_within(const Step& step) const;
    [[nodiscard]] double distance(const Algebra& algebra) const;
    [[nodiscard]] bool finish_at_event(Step& step, double h);
    [[nodiscard]] double noise() const;
    [[nodiscard]] Step accepted_step();
    [[nodiscard]] bool runs_on_beyond(const Step& step) const;
    void leave_regime(const Algebra& algebra);
    void change_regime();
    [[nodiscard]] Terminals terminals() const;
    [[nodiscard]] DriveMode mode() const;
    [[nodiscard]] Surroundings around(const Moment& moment) const;
    void begin_faults();
    [[nodiscard]] double next_fault() const;
    [[nodiscard]] double value_at(std::size_t unknown, double t) const;

    ParticleEquations equations_;
    ParticleTolerance tolerance_;
    Drive drive_;
    Regime regime_{Regime::at_high};
    double ambient_{25.0};
    double start_film_{0.0};
    Moment anchor_;  // where the last drive began: a drive that comes earlier than the last look goes back to it
    Regime anchor_regime_{Regime::at_high};
    Moment now_;  // where the next step begins
    Step step_;   // the last one
    std::array<ParticleState, esdirk::stages> k_{};
    double h_{0.5};
    double asked_{0.0};
    bool at_event_{false};  // the present step ends where another regime begins
    std::uint64_t steps_{0}, rejected_{0};
};

}  // namespace slowfilm::sim
