// Diffusion in a sphere as decaying modes: its mean, and what each mode adds at the surface.
#pragma once

#include <array>
#include <cstddef>

namespace slowfilm::sim {

inline constexpr std::size_t sphere_terms = 10;

// With c the concentration, D diffusivity, R radius, j the flux into the sphere and d = D/R^2:
//     mean' = 3 j/R,   w_k' = -decay[k] d w_k + gain[k] j/R,   surface = mean + sum of w_k.
// A Galerkin solution in even powers of the radius, diagonalised. sum of gain/decay is 1/5, as for the true sphere.
struct SphereModes {
    std::array<double, sphere_terms> decay{}, gain{};
};

[[nodiscard]] const SphereModes& sphere_modes();

}  // namespace slowfilm::sim
