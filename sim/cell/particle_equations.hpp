// The equations of an electrochemical cell: its rates of change, and the solution of one implicit step for them.
#pragma once

#include "sim/cell/curve.hpp"
#include "sim/cell/electrolyte.hpp"
#include "sim/cell/particle_parameters.hpp"
#include "sim/cell/sphere.hpp"

#include <array>
#include <cstddef>

namespace slowfilm::sim {

// How the lithium in the spheres and the salt are resolved. Any linear method can be brought to this form.
struct ParticleModes {
    SphereModes sphere;  // of both electrodes
    ElectrolyteModes salt;
};
[[nodiscard]] ParticleModes particle_modes(const ParticleParameters& parameters);

// What changes continuously, in this order: C, K, V, stoichiometries, mol/m3 of salt.
namespace unknown {
inline constexpr std::size_t film = 0;      // charge in the film
inline constexpr std::size_t additive = 1;  // charge the additive can still take
inline constexpr std::size_t plated = 2;    // lithium that can be stripped again
inline constexpr std::size_t dead = 3;      // and that cannot
inline constexpr std::size_t temperature = 4;
inline constexpr std::size_t graphite = 5;  // potential: a state with a double layer, a guess without
inline constexpr std::size_t input = 6;     // charge that went in at the terminals
inline constexpr std::size_t leaked = 7;    // charge that went through the leak
inline constexpr std::size_t negative = 8;  // mean of each electrode, with what is not wetted yet: so only current
                                            // changes it, and lithium is conserved to the last bit
inline constexpr std::size_t positive = 9;
inline constexpr std::size_t modes =
    10;  // what each adds at the negative's surface, at the positive's, and in the salt
inline constexpr std::size_t count_max = modes + 2 * sphere_terms_max + electrolyte_terms_max;
}  // namespace unknown

using ParticleState = std::array<double, unknown::count_max>;

// What the terminals are held to: a voltage, or a current.
struct Terminals {
    bool voltage_held{false};
    double value{0.0};
};

// What a fault or the world makes of the parameters.
struct Surroundings {
    double contact{0.0};     // ohm
    double leak{0.0};        // S
    double heat{0.0};        // W put into the cell besides its own
    double ambient{298.15};  // K
    double opened{0.0};      // highest mean stoichiometry of the graphite so far
};

// The quantities that follow from the unknowns at once. A and V; charging is positive.
struct Algebra {
    double graphite{0.0};       // V against lithium
    double electrodes{0.0};     // current through both electrodes
    double intercalation{0.0};  // into the graphite
    double film{0.0};           // into the film, the additive's share included
    double voltage{0.0}, current{0.0};
    double resistance{0.0};                     // dV/dI at once
    double by_negative{0.0}, by_positive{0.0};  // dV per stoichiometry at the surfaces
    double by_film{0.0};                        // dV per C of film
    double by_salt{0.0};                        // dV per mol/m3 between the electrodes
};

class ParticleEquations {
  public:
    explicit ParticleEquations(const ParticleParameters& parameters);
    ParticleEquations(const ParticleParameters& parameters, const ParticleModes& modes);

    // y = base + step * rate(y), with the rates at `time` and, but for the heat itself, at `temperature`: finds y and
    // rate. step 0 gives the rates of `base`. `guess` is what was found nearby, and becomes what was found here. False
    // when no solution was found, which a shorter step mends.
    struct Stage {
        const ParticleState& base;
        double step;         // s
        double time;         // s
        double temperature;  // K
    };
    [[nodiscard]] bool solve(const Stage& stage, const Terminals& terminals, const Surroundings& around, Algebra& guess,
                             ParticleState& y, ParticleState& rate) const;
    // The algebra alone.
    [[nodiscard]] bool solve(const Stage& stage, const Terminals& terminals, const Surroundings& around,
                             Algebra& guess) const;

    // Of the same cell at 25 degC, the right way round and without faults.
    [[nodiscard]] ParticleEquations sound() const;

    [[nodiscard]] ParticleState start(CellState state, double& opened) const;
    [[nodiscard]] const ParticleParameters& parameters() const { return parameters_; }
    [[nodiscard]] double wetted(double time) const;                                // share of the area
    [[nodiscard]] double wet_graphite(const ParticleState& y, double time) const;  // mean of what is wetted of it
    [[nodiscard]] double film_surface(const ParticleState& y, double time, double opened) const;    // m2
    [[nodiscard]] double film_thickness(const ParticleState& y, double time, double opened) const;  // m
    // All charge that lithium can carry, C: constant, whatever happens.
    [[nodiscard]] double lithium(const ParticleState& y) const;
    [[nodiscard]] bool has_double_layer() const { return parameters_.double_layer > 0.0; }
    [[nodiscard]] bool wets() const { return parameters_.wetted < 1.0; }
    [[nodiscard]] double open_circuit(double negative, double positive) const;
    [[nodiscard]] const ParticleModes& modes() const { return modes_; }
    [[nodiscard]] std::size_t unknowns() const { return salt_first_ + modes_.salt.count; }
    [[nodiscard]] std::size_t positive_modes() const { return unknown::modes + modes_.sphere.count; }
    [[nodiscard]] std::size_t salt_modes() const { return salt_first_; }
    struct Diffusion {
        double negative{0.0}, positive{0.0};  // D/R^2, 1/s
    };
    [[nodiscard]] Diffusion diffusion(double temperature) const;

  private:
    friend class StageSolver;

    // At one temperature.
    struct Warm {
        double temperature{0.0};
        Diffusion diffusion;
        double thermal{0.0};                                    // RT/F, V
        double salt{0.0}, conductivity{0.0};                    // factors
        double negative_exchange{0.0}, positive_exchange{0.0};  // 2 A F k: A
        double film{0.0}, additive{0.0};                        // factors of the film's reactions
    };
    [[nodiscard]] Warm warm(double temperature) const;
    // A cell after formation: the lithium it was made with, less what is in its film.
    struct Formed {
        double negative, positive;  // means
        double opened, film;        // highest mean so far; C
    };
    [[nodiscard]] Formed formed() const;

    ParticleParameters parameters_;
    ParticleModes modes_;  // salt's per ampere
    std::size_t salt_first_{0};
    Electrolyte electrolyte_;
    OpenCircuitTable negative_table_, positive_table_;
    double negative_charge_{0.0}, positive_charge_{0.0};                       // C
    double negative_surface_{0.0}, positive_surface_{0.0};                     // m2
    double film_charge_per_volume_{0.0};                                       // C/m3
    double additive_charge_{0.0};                                              // C
    double plating_scale_{0.0};                                                // C
    double ohmic_negative_{0.0}, ohmic_separator_{0.0}, ohmic_positive_{0.0};  // 1/m: R = sum of each over kappa
};

// The formula of a graphite that has never held lithium: its own, and the rise of an empty one.
[[nodiscard]] CurveFormula pristine_curve(const ParticleParameters& parameters);

inline constexpr double pristine_stoichiometry = 1e-6;

}  // namespace slowfilm::sim
