#include "sim/cell/sphere.hpp"

#include "sim/cell/eigen.hpp"
#include "sim/cell/quadrature.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

namespace slowfilm::sim {

namespace {

constexpr std::size_t functions = sphere_terms + 1;  // the constant is the mean
constexpr std::size_t points = 24;                   // exact to degree 47; the highest product has 4 * 10 + 2

// Polynomials in z = r^2, orthonormal under the weight r^2 dr, made one from another at the points themselves; the last
// place is the surface.
struct Basis {
    std::array<std::array<double, points + 1>, functions> value{}, slope{};  // slope: d/dz
    std::array<double, points + 1> z{};
    std::array<double, points> weight{};  // of r^2 dr

    Basis() {
        const GaussLegendre<points> gauss;
        for (std::size_t q = 0; q < points; ++q) {
            const double r = 0.5 * (1.0 + gauss.point[q]);
            z[q] = r * r;
            weight[q] = 0.5 * gauss.weight[q] * r * r;
        }
        z[points] = 1.0;
        value[0].fill(1.0);
        normalise(0);
        for (std::size_t k = 1; k < functions; ++k) {
            for (std::size_t q = 0; q <= points; ++q) {
                value[k][q] = z[q] * value[k - 1][q];
                slope[k][q] = value[k - 1][q] + z[q] * slope[k - 1][q];
            }
            for (std::size_t below = k; below-- > 0;) {
                subtract(k, below);
            }
            normalise(k);
        }
    }

    [[nodiscard]] double product(std::size_t a, std::size_t b) const {
        double sum = 0.0;
        for (std::size_t q = 0; q < points; ++q) {
            sum += weight[q] * value[a][q] * value[b][q];
        }
        return sum;
    }

  private:
    void subtract(std::size_t k, std::size_t below) {
        const double share = product(k, below);
        for (std::size_t q = 0; q <= points; ++q) {
            value[k][q] -= share * value[below][q];
            slope[k][q] -= share * slope[below][q];
        }
    }
    void normalise(std::size_t k) {
        const double size = 1.0 / std::sqrt(product(k, k));
        for (std::size_t q = 0; q <= points; ++q) {
            value[k][q] *= size;
            slope[k][q] *= size;
        }
    }
};

SphereModes make_modes() {
    const Basis basis;
    Eigen<functions> eigen(functions);
    for (std::size_t a = 0; a < functions; ++a) {
        for (std::size_t b = 0; b < functions; ++b) {
            for (std::size_t q = 0; q < points; ++q) {
                // df/dr = 2 r df/dz
                eigen.matrix[a][b] += 4.0 * basis.weight[q] * basis.z[q] * basis.slope[a][q] * basis.slope[b][q];
            }
        }
    }
    eigen.solve();
    std::array<std::pair<double, double>, functions> modes;
    for (std::size_t k = 0; k < functions; ++k) {
        double surface = 0.0;
        for (std::size_t a = 0; a < functions; ++a) {
            surface += eigen.vectors[a][k] * basis.value[a][points];
        }
        modes[k] = {eigen.matrix[k][k], surface * surface};
    }
    std::sort(modes.begin(), modes.end());
    SphereModes made{.count = sphere_terms};
    for (std::size_t k = 0; k < sphere_terms; ++k) {
        made.decay[k] = modes[k + 1].first;
        made.gain[k] = modes[k + 1].second;
    }
    return made;
}

}  // namespace

const SphereModes& sphere_modes() {
    static const SphereModes modes = make_modes();
    return modes;
}

}  // namespace slowfilm::sim
