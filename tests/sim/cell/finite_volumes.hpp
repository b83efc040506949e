// Spheres in equal shells and the electrolyte in cells, both finite volumes: diagonalised once, as the cell model's
// solver takes them, and as they stand, given to CVODE. The yardstick that everybody uses.
#pragma once

#include "sim/cell/eigen.hpp"
#include "sim/cell/particle_equations.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <stdexcept>
#include <vector>

namespace slowfilm::test {

inline constexpr std::size_t shells = 20;
inline constexpr std::size_t salt_cells = 25;  // 10 in the negative electrode, 5 in the separator, 10 in the positive
inline constexpr std::array<std::size_t, 4> salt_edges{0, 10, 15, 25};

// A sphere of radius 1 and diffusivity 1. The concentration at its surface is that of the parabola through the two
// outermost shells with the flux j as its slope: (9 c_N - c_(N-1) + 3 j h)/8.
struct Shells {
    static constexpr double width = 1.0 / static_cast<double>(shells);
    static constexpr double at_flux = 3.0 * width / 8.0;
    std::array<double, shells> volume{};
    std::array<double, shells + 1> conductance{};  // of the face below each shell

    Shells() {
        for (std::size_t i = 0; i < shells; ++i) {
            const double below = width * static_cast<double>(i);
            const double above = below + width;
            volume[i] = (above * above * above - below * below * below) / 3.0;
            conductance[i] = below * below / width;
        }
    }
    [[nodiscard]] double mean(const double* c) const {
        double sum = 0.0;
        for (std::size_t i = 0; i < shells; ++i) {
            sum += 3.0 * volume[i] * c[i];
        }
        return sum;
    }
    [[nodiscard]] static double surface_without_flux(const double* c) {
        return (9.0 * c[shells - 1] - c[shells - 2]) / 8.0;
    }
    // `rate` in units of 1/d; `mean_rate`: of the mean, which is three times the flux.
    void rates(const double* c, double d, double mean_rate, double* rate) const {
        double in = 0.0;
        for (std::size_t i = 0; i < shells; ++i) {
            const double out = i + 1 < shells ? d * conductance[i + 1] * (c[i + 1] - c[i]) : mean_rate / 3.0;
            rate[i] = (out - in) / volume[i];
            in = out;
        }
    }
    [[nodiscard]] sim::SphereModes modes() const {
        sim::Eigen<shells> eigen(shells);
        for (std::size_t i = 1; i < shells; ++i) {
            eigen.matrix[i][i] += conductance[i] / volume[i];
            eigen.matrix[i - 1][i - 1] += conductance[i] / volume[i - 1];
            eigen.matrix[i][i - 1] = eigen.matrix[i - 1][i] = -conductance[i] / std::sqrt(volume[i] * volume[i - 1]);
        }
        eigen.solve();
        sim::SphereModes made;
        for (std::size_t k = 0; k < shells; ++k) {
            if (eigen.matrix[k][k] < 1.0) {
                continue;  // the mean: the next is above 20
            }
            const double outer = eigen.vectors[shells - 1][k] / std::sqrt(volume[shells - 1]);
            const double next = eigen.vectors[shells - 2][k] / std::sqrt(volume[shells - 2]);
            made.decay[made.count] = eigen.matrix[k][k];
            made.gain[made.count++] = (9.0 * outer - next) / 8.0 * outer;
        }
        made.rest = at_flux;
        return made;
    }
    // The mean, and what the surface is away from it, as one mode that the shells themselves move.
    [[nodiscard]] static sim::SphereModes as_seen() {
        sim::SphereModes made;
        made.count = 1;
        made.rest = at_flux;
        return made;
    }
};

// The salt of one square metre of cell, in the Kirchhoff variable.
struct SaltCells {
    std::array<double, salt_cells> capacity{}, source{};  // m; mol/(m2 s) per A/m2
    std::array<double, salt_cells + 1> conductance{};     // m/s, of the face below each cell

    explicit SaltCells(const sim::ParticleParameters& p) {
        const sim::ElectrolyteParameters& salt = p.electrolyte;
        const double c = salt.concentration * 1e-3;
        const double diffusivity = (salt.diffusivity_2 * c + salt.diffusivity_1) * c + salt.diffusivity_0;
        const double flux = (1.0 - salt.transference) / sim::faraday;
        std::array<double, salt_cells> resistance{};  // of half a cell
        const auto fill = [&](std::size_t region, double thickness, double porosity, double transport, double all) {
            const auto count = static_cast<double>(salt_edges[region + 1] - salt_edges[region]);
            for (std::size_t i = salt_edges[region]; i < salt_edges[region + 1]; ++i) {
                capacity[i] = porosity * thickness / count;
                source[i] = all / count;
                resistance[i] = 0.5 * thickness / count / (transport * diffusivity);
            }
        };
        fill(0, p.negative.thickness, p.negative.porosity, p.negative.transport, -flux);
        fill(1, salt.separator_thickness, salt.separator_porosity, salt.separator_transport, 0.0);
        fill(2, p.positive.thickness, p.positive.porosity, p.positive.transport, flux);
        for (std::size_t i = 1; i < salt_cells; ++i) {
            conductance[i] = 1.0 / (resistance[i - 1] + resistance[i]);
        }
    }
    [[nodiscard]] static double mean(const double* u, std::size_t region) {
        double sum = 0.0;
        for (std::size_t i = salt_edges[region]; i < salt_edges[region + 1]; ++i) {
            sum += u[i];
        }
        return sum / static_cast<double>(salt_edges[region + 1] - salt_edges[region]);
    }
    void rates(const double* u, double factor, double current, double* rate) const {
        double in = 0.0;
        for (std::size_t i = 0; i < salt_cells; ++i) {
            const double out = i + 1 < salt_cells ? factor * conductance[i + 1] * (u[i + 1] - u[i]) : 0.0;
            rate[i] = (out - in + source[i] * current) / capacity[i];
            in = out;
        }
    }
    [[nodiscard]] sim::ElectrolyteModes modes() const {
        sim::Eigen<salt_cells> eigen(salt_cells);
        for (std::size_t i = 1; i < salt_cells; ++i) {
            eigen.matrix[i][i] += conductance[i] / capacity[i];
            eigen.matrix[i - 1][i - 1] += conductance[i] / capacity[i - 1];
            eigen.matrix[i][i - 1] = eigen.matrix[i - 1][i] =
                -conductance[i] / std::sqrt(capacity[i] * capacity[i - 1]);
        }
        eigen.solve();
        std::size_t constant = 0;
        for (std::size_t k = 1; k < salt_cells; ++k) {
            constant = eigen.matrix[k][k] < eigen.matrix[constant][constant] ? k : constant;
        }
        sim::ElectrolyteModes made;
        for (std::size_t k = 0; k < salt_cells; ++k) {
            if (k == constant) {
                continue;  // no salt comes or goes
            }
            std::array<double, salt_cells> shape;
            for (std::size_t i = 0; i < salt_cells; ++i) {
                shape[i] = eigen.vectors[i][k] / std::sqrt(capacity[i]);
                made.gain[made.count] += shape[i] * source[i];
            }
            made.decay[made.count] = eigen.matrix[k][k];
            made.negative.share[made.count] = mean(shape.data(), 0);
            made.separator.share[made.count] = mean(shape.data(), 1);
            made.positive.share[made.count++] = mean(shape.data(), 2);
        }
        return made;
    }
    // The three regions' means, which the cells themselves move.
    [[nodiscard]] static sim::ElectrolyteModes as_seen() {
        sim::ElectrolyteModes made;
        made.count = 3;
        made.negative.share[0] = made.separator.share[1] = made.positive.share[2] = 1.0;
        return made;
    }
};

// For the solver: every mode of both.
inline sim::ParticleModes finite_volume_modes(const sim::ParticleParameters& parameters) {
    return {Shells{}.modes(), SaltCells{parameters}.modes()};
}

// For CVODE: shells, cells, film, additive, plated and dead lithium, temperature, as they are. What follows at once
// from them is found by the model's own algebra, which is as fast for the one as for the other.
class FiniteVolumes {
  public:
    static constexpr std::size_t positive = shells;
    static constexpr std::size_t salt = 2 * shells;
    static constexpr std::size_t film = salt + salt_cells;
    static constexpr std::size_t additive = film + 1;
    static constexpr std::size_t plated = film + 2;
    static constexpr std::size_t dead = film + 3;
    static constexpr std::size_t temperature = film + 4;
    static constexpr std::size_t unknowns = film + 5;

    explicit FiniteVolumes(const sim::ParticleParameters& parameters)
        : p_(parameters),
          equations_(parameters, {Shells::as_seen(), SaltCells::as_seen()}),
          salt_(parameters),
          per_area_(1.0 / parameters.area),
          negative_ampere_(1.0 / (3600.0 * sim::electrode_capacity(parameters.negative, parameters.area))),
          positive_ampere_(-1.0 / (3600.0 * sim::electrode_capacity(parameters.positive, parameters.area))) {}

    void start(double* y, double& opened) const {
        const sim::ParticleState s = equations_.start(CellState::pristine, opened);
        std::fill(y, y + unknowns, 0.0);
        std::fill(y, y + shells, s[sim::unknown::negative]);
        std::fill(y + positive, y + positive + shells, s[sim::unknown::positive]);
        y[additive] = s[sim::unknown::additive];
        y[temperature] = s[sim::unknown::temperature];
    }
    [[nodiscard]] static std::vector<double> absolute(double tolerance) {
        std::vector<double> all(unknowns, tolerance);
        std::fill(all.begin() + salt, all.end(), 1e2 * tolerance);
        return all;
    }
    [[nodiscard]] static std::size_t count() { return unknowns; }
    [[nodiscard]] double filled(const double* y) const { return spheres_.mean(y); }

    // The algebra at y; what it finds becomes the next guess of `found`. `rate`: of everything, if wanted.
    void look(double t, const double* y, const sim::Terminals& terminals, const sim::Surroundings& around,
              sim::Algebra& found, double* rate) {
        using namespace sim;
        const std::size_t modes = unknown::modes;
        seen_[unknown::negative] = spheres_.mean(y);
        seen_[modes] = Shells::surface_without_flux(y) - seen_[unknown::negative];
        seen_[unknown::positive] = spheres_.mean(y + positive);
        seen_[modes + 1] = Shells::surface_without_flux(y + positive) - seen_[unknown::positive];
        for (std::size_t region = 0; region < 3; ++region) {
            seen_[modes + 2 + region] = SaltCells::mean(y + salt, region);
        }
        seen_[unknown::film] = y[film];
        seen_[unknown::additive] = y[additive];
        seen_[unknown::plated] = y[plated];
        seen_[unknown::dead] = y[dead];
        seen_[unknown::temperature] = y[temperature];
        const ParticleEquations::Stage at_once{seen_, 0.0, t, y[temperature]};
        if (!(rate == nullptr ? equations_.solve(at_once, terminals, around, found)
                              : equations_.solve(at_once, terminals, around, found, same_, rate_))) {
            throw std::runtime_error("the equations have no solution");
        }
        if (rate == nullptr) {
            return;
        }
        spheres_.rates(y, diffusion(p_.negative, y[temperature]), negative_ampere_ * found.intercalation, rate);
        spheres_.rates(y + positive, diffusion(p_.positive, y[temperature]), positive_ampere_ * found.electrodes,
                       rate + positive);
        salt_.rates(y + salt, warmer(p_.electrolyte.activation, y[temperature]), found.electrodes * per_area_,
                    rate + salt);
        rate[film] = rate_[unknown::film];
        rate[additive] = rate_[unknown::additive];
        rate[plated] = rate_[unknown::plated];
        rate[dead] = rate_[unknown::dead];
        rate[temperature] = rate_[unknown::temperature];
    }

  private:
    static double warmer(double activation, double t) {
        return std::exp(activation / sim::gas_constant * (1.0 / sim::reference_temperature - 1.0 / t));
    }
    static double diffusion(const sim::ElectrodeParameters& e, double t) {
        return e.diffusivity / (e.radius * e.radius) * warmer(e.diffusivity_activation, t);
    }

    sim::ParticleParameters p_;
    sim::ParticleEquations equations_;
    Shells spheres_;
    SaltCells salt_;
    double per_area_, negative_ampere_, positive_ampere_;
    sim::ParticleState seen_{}, same_{}, rate_{};
};

}  // namespace slowfilm::test
