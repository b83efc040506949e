// Salt in the electrolyte between and in two porous electrodes, as a few decaying modes.
#pragma once

#include "sim/cell/particle_parameters.hpp"

#include <array>
#include <cstddef>

namespace slowfilm::sim {

inline constexpr std::size_t electrolyte_terms = 4;       // of electrolyte_modes()
inline constexpr std::size_t electrolyte_terms_max = 24;  // of any

// In the Kirchhoff variable u = integral of D/D0 from the filling concentration, in which the steady state is linear:
//     e_m' = -decay[m] d e_m + gain[m] I,  mean of u in a region = sum share[m] e_m + rest I / d,
// d the diffusivity's factor of temperature, I the current through the electrodes of one square metre. `rest` is what
// the modes that are left out come to in the end, so the steady state is exact. Rates are those at D0.
struct ElectrolyteModes {
    struct Region {
        std::array<double, electrolyte_terms_max> share{};
        double rest{0.0};
    };
    std::size_t count{0};
    std::array<double, electrolyte_terms_max> decay{}, gain{};
    Region negative, separator, positive;
};

[[nodiscard]] ElectrolyteModes electrolyte_modes(const ParticleParameters& parameters);

// Between u and c, and what the electrolyte does at c (mol/m3).
class Electrolyte {
  public:
    explicit Electrolyte(const ElectrolyteParameters& parameters);

    struct Point {
        double concentration;  // mol/m3, never below a thousandth of the filling concentration
        double slope;          // dc/du
    };
    [[nodiscard]] Point at(double u) const;
    [[nodiscard]] double conductivity(double concentration) const;  // S/m at 25 degC
    [[nodiscard]] double diffusivity(double concentration) const;   // m2/s at 25 degC
    [[nodiscard]] double kirchhoff(double concentration) const;     // u

  private:
    ElectrolyteParameters parameters_;
    double per_reference_;   // 1/D0
    double second_, third_;  // u = x + second x^2 + third x^3, x from the filling concentration
    double lowest_, lowest_u_;
};

}  // namespace slowfilm::sim
