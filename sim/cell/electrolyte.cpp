#include "sim/cell/electrolyte.hpp"

#include "sim/cell/eigen.hpp"
#include "sim/cell/quadrature.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

namespace slowfilm::sim {

namespace {

constexpr std::size_t degree = 6;
constexpr std::size_t regions = 3;
constexpr std::size_t bubbles = degree - 1;
constexpr std::size_t unknowns = regions + 1 + regions * bubbles;
using Vector = std::array<double, unknowns>;

// On [-1, 1]: the two straight lines, then P_j - P_(j-2), which vanish at both ends.
struct Shape {
    std::array<double, degree + 1> value{}, slope{};
    explicit Shape(double t) {
        std::array<double, degree + 1> legendre{1.0, t};
        for (std::size_t k = 2; k <= degree; ++k) {
            const auto n = static_cast<double>(k);
            legendre[k] = ((2.0 * n - 1.0) * t * legendre[k - 1] - (n - 1.0) * legendre[k - 2]) / n;
            value[k] = legendre[k] - legendre[k - 2];
            slope[k] = (2.0 * n - 1.0) * legendre[k - 1];
        }
        value[0] = 0.5 * (1.0 - t);
        slope[0] = -0.5;
        value[1] = 0.5 * (1.0 + t);
        slope[1] = 0.5;
    }
};

// Where a region's shape function stands among all unknowns: neighbours share their ends.
std::size_t place(std::size_t region, std::size_t shape) {
    return shape < 2 ? region + shape : regions + 1 + region * bubbles + (shape - 2);
}

// porosity u' = (transport D0 u_x)_x + source, put to every shape function in turn.
class Assembly {
  public:
    Eigen<unknowns>::Matrix mass{}, stiffness{};
    Vector source{};                     // per A/m2 of current
    std::array<Vector, regions> mean{};  // of u in each region

    explicit Assembly(const ParticleParameters& parameters) {
        const ElectrolyteParameters& salt = parameters.electrolyte;
        const ElectrodeParameters& negative = parameters.negative;
        const ElectrodeParameters& positive = parameters.positive;
        const double c = salt.concentration * 1e-3;
        const double diffusivity = (salt.diffusivity_2 * c + salt.diffusivity_1) * c + salt.diffusivity_0;
        const double flux = (1.0 - salt.transference) / faraday;
        add(0, negative.thickness, negative.porosity, negative.transport * diffusivity, -flux);
        add(1, salt.separator_thickness, salt.separator_porosity, salt.separator_transport * diffusivity, 0.0);
        add(2, positive.thickness, positive.porosity, positive.transport * diffusivity, flux);
    }

  private:
    void add(std::size_t region, double thickness, double porosity, double diffusivity, double flux) {
        static const GaussLegendre<degree + 2> gauss;
        for (std::size_t q = 0; q < gauss.point.size(); ++q) {
            const Shape shape(gauss.point[q]);
            for (std::size_t a = 0; a <= degree; ++a) {
                const std::size_t i = place(region, a);
                const double weighted = 0.5 * gauss.weight[q] * shape.value[a];
                mean[region][i] += weighted;
                source[i] += flux * weighted;
                for (std::size_t b = 0; b <= degree; ++b) {
                    const std::size_t j = place(region, b);
                    mass[i][j] += porosity * thickness * weighted * shape.value[b];
                    stiffness[i][j] +=
                        diffusivity * 2.0 / thickness * gauss.weight[q] * shape.slope[a] * shape.slope[b];
                }
            }
        }
    }
};

// mass = L L^T, in place below the diagonal.
void factorise(Eigen<unknowns>::Matrix& m) {
    for (std::size_t j = 0; j < unknowns; ++j) {
        for (std::size_t i = j; i < unknowns; ++i) {
            double sum = m[i][j];
            for (std::size_t k = 0; k < j; ++k) {
                sum -= m[i][k] * m[j][k];
            }
            m[i][j] = i == j ? std::sqrt(sum) : sum / m[j][j];
        }
    }
}

void forward(const Eigen<unknowns>::Matrix& lower, Vector& x) {
    for (std::size_t i = 0; i < unknowns; ++i) {
        for (std::size_t k = 0; k < i; ++k) {
            x[i] -= lower[i][k] * x[k];
        }
        x[i] /= lower[i][i];
    }
}

double dot(const Eigen<unknowns>& eigen, std::size_t mode, const Vector& x) {
    double sum = 0.0;
    for (std::size_t i = 0; i < unknowns; ++i) {
        sum += eigen.vectors[i][mode] * x[i];
    }
    return sum;
}

}  // namespace

// With mass = L L^T the shapes L^-T v are orthonormal, v the eigenvectors of L^-1 stiffness L^-T; a functional f of the
// unknowns comes to v . L^-1 f.
ElectrolyteModes electrolyte_modes(const ParticleParameters& parameters) {
    Assembly assembly(parameters);
    factorise(assembly.mass);
    Eigen<unknowns> eigen(unknowns);
    for (std::size_t i = 0; i < unknowns; ++i) {
        forward(assembly.mass, assembly.stiffness[i]);
    }
    for (std::size_t i = 0; i < unknowns; ++i) {
        Vector column;
        for (std::size_t j = 0; j < unknowns; ++j) {
            column[j] = assembly.stiffness[j][i];
        }
        forward(assembly.mass, column);
        eigen.matrix[i] = column;
    }
    eigen.solve();
    forward(assembly.mass, assembly.source);
    for (Vector& mean : assembly.mean) {
        forward(assembly.mass, mean);
    }
    std::array<std::pair<double, std::size_t>, unknowns> order;
    for (std::size_t k = 0; k < unknowns; ++k) {
        order[k] = {eigen.matrix[k][k], k};
    }
    std::sort(order.begin(), order.end());
    ElectrolyteModes modes{.count = electrolyte_terms};
    const std::array<ElectrolyteModes::Region*, regions> region{&modes.negative, &modes.separator, &modes.positive};
    for (std::size_t m = 1; m < unknowns; ++m) {  // the first is the constant: no salt comes or goes
        const auto [rate, k] = order[m];
        const double gain = dot(eigen, k, assembly.source);
        if (m <= electrolyte_terms) {
            modes.decay[m - 1] = rate;
            modes.gain[m - 1] = gain;
        }
        for (std::size_t r = 0; r < regions; ++r) {
            const double share = dot(eigen, k, assembly.mean[r]);
            if (m <= electrolyte_terms) {
                region[r]->share[m - 1] = share;
            } else {
                region[r]->rest += share * gain / rate;
            }
        }
    }
    return modes;
}

Electrolyte::Electrolyte(const ElectrolyteParameters& parameters)
    : parameters_(parameters),
      per_reference_(1.0 / diffusivity(parameters.concentration)),
      second_((2e-6 * parameters.diffusivity_2 * parameters.concentration + 1e-3 * parameters.diffusivity_1) / 2.0 *
              per_reference_),
      third_(1e-6 * parameters.diffusivity_2 / 3.0 * per_reference_),
      lowest_(1e-3 * parameters.concentration),
      lowest_u_(kirchhoff(lowest_)) {}

double Electrolyte::conductivity(double concentration) const {
    const double c = concentration * 1e-3;
    return c * (parameters_.conductivity_1 + c * c * parameters_.conductivity_3 +
                std::sqrt(c) * parameters_.conductivity_15);
}

double Electrolyte::diffusivity(double concentration) const {
    const double c = concentration * 1e-3;
    return (parameters_.diffusivity_2 * c + parameters_.diffusivity_1) * c + parameters_.diffusivity_0;
}

double Electrolyte::kirchhoff(double concentration) const {
    const double x = concentration - parameters_.concentration;
    return x * (1.0 + x * (second_ + x * third_));
}

// u rises with c, as the diffusivity is positive (checked up to four times the filling concentration). Newton's method
// from the inverse series; one round is enough near the filling concentration.
Electrolyte::Point Electrolyte::at(double u) const {
    if (u <= lowest_u_) {
        return {lowest_, 0.0};
    }
    const double least = lowest_ - parameters_.concentration;
    const double most = 9.0 * parameters_.concentration;
    double x = u * (1.0 - u * (second_ - u * (2.0 * second_ * second_ - third_)));
    double slope = 1.0;
    for (int round = 0; round < 20; ++round) {
        x = std::clamp(x, least, most);
        slope = 1.0 / (1.0 + x * (2.0 * second_ + x * 3.0 * third_));
        const double step = (u - x * (1.0 + x * (second_ + x * third_))) * slope;
        x += step;
        if (step < 1e-3 && step > -1e-3) {
            break;
        }
    }
    return {parameters_.concentration + std::clamp(x, least, most), slope};
}

}  // namespace slowfilm::sim
