// Diffusion in a sphere as decaying modes: its mean, and what each mode adds at the surface.
#pragma once

#include <array>
#include <cstddef>

namespace slowfilm::sim {

inline constexpr std::size_t sphere_terms = 10;      // of sphere_modes()
inline constexpr std::size_t sphere_terms_max = 19;  // of any

// With c the concentration, D diffusivity, R radius, j the flux into the sphere and d = D/R^2:
//     mean' = 3 j/R,   w_k' = -decay[k] d w_k + gain[k] j/R,   surface = mean + sum of w_k + rest j R/D.
// `rest` is what of the surface follows the flux at once. sum of gain/decay, and rest, is 1/5 for the true sphere.
struct SphereModes {
    std::size_t count{0};
    std::array<double, sphere_terms_max> decay{}, gain{};
    double rest{0.0};
};

// A Galerkin solution in even powers of the radius, diagonalised; nothing is left for `rest`.
[[nodiscard]] const SphereModes& sphere_modes();

}  // namespace slowfilm::sim
