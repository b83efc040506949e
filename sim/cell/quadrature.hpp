// Gauss-Legendre points, for the integrals from which the modes of spheres and electrolyte are made.
#pragma once

#include <array>
#include <cstddef>

namespace slowfilm::sim {

template <std::size_t Count>
struct GaussLegendre {
    std::array<double, Count> point{}, weight{};  // on [-1, 1]; exact to degree 2 Count - 1

    GaussLegendre() {
        constexpr double pi = 3.141592653589793;
        for (std::size_t i = 0; i < Count; ++i) {
            // Newton from a rational cosine that is good to 0.2 %.
            const double angle = pi * (static_cast<double>(i) + 0.75) / (static_cast<double>(Count) + 0.5);
            const double from_middle = angle - 0.5 * pi;
            const double other = 0.5 * pi - (from_middle < 0.0 ? -from_middle : from_middle);
            const double size = (pi * pi - 4.0 * other * other) / (pi * pi + other * other);
            double x = from_middle < 0.0 ? size : -size;
            double slope = 1.0;
            for (int round = 0; round < 8; ++round) {
                double before = 1.0;
                double value = x;
                for (std::size_t k = 2; k <= Count; ++k) {
                    const auto n = static_cast<double>(k);
                    const double next = ((2.0 * n - 1.0) * x * value - (n - 1.0) * before) / n;
                    before = value;
                    value = next;
                }
                slope = static_cast<double>(Count) * (x * value - before) / (x * x - 1.0);
                x -= value / slope;
            }
            point[i] = x;
            weight[i] = 2.0 / ((1.0 - x * x) * slope * slope);
        }
    }
};

}  // namespace slowfilm::sim
