// Eigenvalues and vectors of a small symmetric matrix.
#pragma once

#include <array>
#include <cmath>
#include <cstddef>

namespace slowfilm::sim {

// By Jacobi's rotations: + * / and sqrt only, all exact to the last bit on every processor. After solve() the values
// stand on the diagonal of `matrix` and the vectors in the columns of `vectors`.
template <std::size_t Max>
class Eigen {
  public:
    using Matrix = std::array<std::array<double, Max>, Max>;

    explicit Eigen(std::size_t size) : count(size) {}

    std::size_t count;
    Matrix matrix{}, vectors{};

    void solve() {
        for (std::size_t i = 0; i < count; ++i) {
            vectors[i][i] = 1.0;
        }
        for (int sweep = 0; sweep < 16; ++sweep) {
            for (std::size_t p = 0; p + 1 < count; ++p) {
                for (std::size_t q = p + 1; q < count; ++q) {
                    rotate(p, q);
                }
            }
        }
    }

  private:
    void rotate(std::size_t p, std::size_t q) {
        if (matrix[p][q] == 0.0) {
            return;
        }
        const double theta = (matrix[q][q] - matrix[p][p]) / (2.0 * matrix[p][q]);
        const double size = theta < 0.0 ? -theta : theta;
        const double t = (theta < 0.0 ? -1.0 : 1.0) / (size + std::sqrt(theta * theta + 1.0));
        const double c = 1.0 / std::sqrt(t * t + 1.0);
        const double s = t * c;
        const double shift = t * matrix[p][q];
        matrix[p][p] -= shift;
        matrix[q][q] += shift;
        matrix[p][q] = matrix[q][p] = 0.0;
        for (std::size_t i = 0; i < count; ++i) {
            if (i != p && i != q) {
                const double ip = matrix[i][p];
                const double iq = matrix[i][q];
                matrix[i][p] = matrix[p][i] = c * ip - s * iq;
                matrix[i][q] = matrix[q][i] = s * ip + c * iq;
            }
            const double vp = vectors[i][p];
            const double vq = vectors[i][q];
            vectors[i][p] = c * vp - s * vq;
            vectors[i][q] = s * vp + c * vq;
        }
    }
};

}  // namespace slowfilm::sim
