// Eigenvalues and vectors of a small symmetric matrix.
#pragma once

#include "sim/cell/piece.hpp"

#include <array>
#include <cstddef>

namespace slowfilm::sim {

// By Jacobi's rotations: + * / and sqrt only, all exact to the last bit on every processor. After solve() the values
// stand on the diagonal of `matrix` and the vectors in the columns of `vectors`.
class Eigen {
  public:
    explicit Eigen(std::size_t size) : count(size) {}

    std::size_t count;
    std::array<Coefficients, rates_max> matrix{}, vectors{};

    void solve();

  private:
    void rotate(std::size_t p, std::size_t q);
};

}  // namespace slowfilm::sim
