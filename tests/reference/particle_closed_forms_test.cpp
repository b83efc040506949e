// The electrochemical cell's parts against what can be written down or is published.
#include "sim/cell/esdirk.hpp"
#include "sim/cell/particle_equations.hpp"
#include "sim/sets/particle_sets.hpp"

#include <cmath>
#include <utility>

#include <gtest/gtest.h>

namespace slowfilm::sim {
namespace {

ParticleParameters set(const std::string& name) {
    return particle_set(name).value();
}

TEST(Constants, are_those_of_CODATA_2018) {
    // CODATA 2018: F = 96485.33212 C/mol, R = 8.314462618 J/(mol K).
    EXPECT_EQ(faraday, 96485.33212);
    EXPECT_EQ(gas_constant, 8.314462618);
    EXPECT_NEAR(gas_constant * reference_temperature / faraday, 25.692579e-3, 1e-9);  // RT/F at 25 degC
    EXPECT_NEAR(3600.0 / faraday, 0.03731137, 1e-8);                                  // mol of electrons in 1 Ah
    // LEDC, 0.162 kg/mol, 1690 kg/m3, 2 electrons: 1 nm on 1 m2 is 0.5595 mAh; 4.79e-5 is that volume rounded.
    EXPECT_NEAR(1e-9 / set("nmc-graphite-pouch-5ah").film.molar_volume * faraday / 3.6, 0.55953, 5e-4);
}

TEST(SphereModes, have_the_roots_of_tan_l_equal_l) {
    // J. Crank, The Mathematics of Diffusion, 2nd ed. (1975), 6.3.1: tan l = l; l^2 of the first ones. From memory.
    const SphereModes& modes = sphere_modes();
    const double roots[] = {4.493409457909064, 7.725251836937707, 10.904121659428899, 14.066193912831473};
    for (std::size_t k = 0; k < 3; ++k) {
        EXPECT_NEAR(modes.decay[k] / (roots[k] * roots[k]), 1.0, 1e-6) << k;
        EXPECT_NEAR(modes.gain[k], 2.0, 1e-4) << k;
    }
    EXPECT_NEAR(modes.decay[3] / (roots[3] * roots[3]), 1.0, 1e-4);
    EXPECT_NEAR(modes.decay[0], 20.1907, 1e-4);
    EXPECT_NEAR(modes.decay[1], 59.68, 5e-3);
    EXPECT_NEAR(modes.decay[2], 118.9, 5e-2);
}

TEST(SphereModes, keep_the_sum_rules) {
    // sum 2/l^2 = 1/5: the surface leads the mean by j R/(5 D) in the end; sum 2/l^4 = 1/175.
    double first = 0.0;
    double second = 0.0;
    for (std::size_t k = 0; k < sphere_terms; ++k) {
        first += sphere_modes().gain[k] / sphere_modes().decay[k];
        second += sphere_modes().gain[k] / (sphere_modes().decay[k] * sphere_modes().decay[k]);
    }
    EXPECT_NEAR(first, 1.0 / 5.0, 1e-12);
    EXPECT_NEAR(second, 1.0 / 175.0, 1e-12);
}

TEST(SphereModes, follow_Cranks_sphere_with_a_constant_flux_to_a_thousandth) {
    // Crank, eq. 6.45, from memory: R = 5e-6 m, D = 1e-14 m2/s, j = 1e-6 mol/(m2 s), c0 = 1000 mol/m3.
    const double radius = 5e-6;
    const double diffusivity = 1e-14;
    const double flux = 1e-6;
    for (const auto& [time, expected] : {std::pair{25.0, 1061.822},
                                         {100.0, 1136.301},
                                         {250.0, 1243.381},
                                         {500.0, 1399.127},
                                         {1000.0, 1699.985},
                                         {2500.0, 2600.000}}) {
        double surface = 1000.0 + 3.0 * flux * time / radius;
        for (std::size_t k = 0; k < sphere_terms; ++k) {
            const double rate = sphere_modes().decay[k] * diffusivity / (radius * radius);
            surface += sphere_modes().gain[k] * flux / radius / rate * (1.0 - std::exp(-rate * time));
        }
        EXPECT_NEAR(surface, expected, 1e-3 * (expected - 1000.0)) << time;
    }
    // In the end the surface leads the mean by j R/(5 D) = 100.
    double lead = 0.0;
    for (std::size_t k = 0; k < sphere_terms; ++k) {
        lead += sphere_modes().gain[k] / sphere_modes().decay[k] * flux * radius / diffusivity;
    }
    EXPECT_NEAR(lead, 100.0, 1e-9);
}

TEST(ElectrolyteModes, come_to_the_steady_state_that_can_be_written_down) {
    // With D constant: c_p - c_n = (1 - t+) I G/(F A D), G = L_n/(3 B_n) + L_s/B_s + L_p/(3 B_p).
    const ParticleParameters p = set("nmc-graphite-pouch-5ah");
    const Electrolyte electrolyte(p.electrolyte);
    const double diffusivity = electrolyte.diffusivity(1000.0);
    EXPECT_NEAR(diffusivity, 1.7694e-10, 1e-14);
    EXPECT_NEAR(electrolyte.conductivity(1000.0), 0.9487, 1e-9);
    const double path = p.negative.thickness / (3.0 * p.negative.transport) +
                        p.electrolyte.separator_thickness / p.electrolyte.separator_transport +
                        p.positive.thickness / (3.0 * p.positive.transport);
    EXPECT_NEAR(path, 3.2767e-4, 1e-8);
    const ElectrolyteModes modes = electrolyte_modes(p);
    double steady = modes.positive.rest - modes.negative.rest;
    for (std::size_t m = 0; m < electrolyte_terms; ++m) {
        steady += (modes.positive.share[m] - modes.negative.share[m]) * modes.gain[m] / modes.decay[m];
    }
    steady *= 5.0 / p.area;
    EXPECT_NEAR(steady, (1.0 - p.electrolyte.transference) * 5.0 * path / (faraday * p.area * diffusivity), 1e-6);
    EXPECT_NEAR(steady, 302.037, 1e-3);
    const double thermal = gas_constant * reference_temperature / faraday;
    EXPECT_NEAR(2.0 * thermal * (1.0 - p.electrolyte.transference) * steady / 1000.0, 11.494e-3, 1e-6);
    EXPECT_NEAR(5.0 * path / (electrolyte.conductivity(1000.0) * p.area), 7.339e-3, 1e-6);
}

TEST(Electrolyte, goes_from_salt_to_the_Kirchhoff_variable_and_back) {
    const Electrolyte electrolyte(set("nmc-graphite-pouch-5ah").electrolyte);
    for (const double c : {5.0, 300.0, 999.0, 1000.0, 1001.0, 1700.0, 3500.0}) {
        EXPECT_NEAR(electrolyte.at(electrolyte.kirchhoff(c)).concentration, c, 1e-6 * c);
    }
    EXPECT_EQ(electrolyte.at(-1e6).concentration, 1.0);
    EXPECT_EQ(electrolyte.at(0.0).slope, 1.0);
}

TEST(OpenCircuit, is_the_published_one_at_its_test_points) {
    // Values of the published fits, four decimals.
    const ParticleParameters b = set("nmc-graphite-pouch-5ah");
    for (const auto& [x, u] : {std::pair{0.0, 1.4764},
                               {0.005504, 0.9133},
                               {0.01, 0.7000},
                               {0.05, 0.2711},
                               {0.1, 0.2113},
                               {0.2, 0.1546},
                               {0.3, 0.1336},
                               {0.5, 0.1161},
                               {0.7, 0.0931},
                               {0.9, 0.0856}}) {
        EXPECT_NEAR(evaluate(b.negative.curve, x).value, u, 5.1e-5) << x;
    }
    for (const auto& [y, u] : {std::pair{0.42424, 4.2907},
                               {0.5, 4.1068},
                               {0.6, 3.9130},
                               {0.7, 3.7949},
                               {0.8, 3.7408},
                               {0.9, 3.6872},
                               {0.9621, 3.6133},
                               {0.98, 3.5193},
                               {0.99, 3.3730}}) {
        EXPECT_NEAR(evaluate(b.positive.curve, y).value, u, 5.1e-5) << y;
    }
    const ParticleParameters a = set("nmc-graphite-siox-cylindrical-5ah");
    for (const auto& [x, u] :
         {std::pair{0.0, 2.3835}, {0.0279, 1.0637}, {0.1, 0.4065}, {0.5, 0.1331}, {0.9014, 0.0920}}) {
        EXPECT_NEAR(evaluate(a.negative.curve, x).value, u, 5.1e-5) << x;
    }
    for (const auto& [y, u] : {std::pair{0.27, 4.2730}, {0.4, 4.1047}, {0.6, 3.8245}, {0.9084, 3.5614}}) {
        EXPECT_NEAR(evaluate(a.positive.curve, y).value, u, 5.1e-5) << y;
    }
}

TEST(OpenCircuit, the_table_is_the_formula_to_a_microvolt) {
    for (const ShippedSet& shipped : shipped_sets()) {
        const ParticleParameters p = set(std::string{shipped.name});
        for (const CurveFormula& curve : {pristine_curve(p), p.positive.curve}) {
            const OpenCircuitTable table(curve);
            for (int i = 0; i <= 33333; ++i) {
                const double s = curve.lowest + (curve.highest - curve.lowest) * i / 33333.0;
                const CurveKnot knot = evaluate(curve, s);
                ASSERT_NEAR(table.at(s).value, knot.value, 1e-6) << shipped.name << " at " << s;
                ASSERT_NEAR(table.at(s).slope, knot.slope, 1e-2 + 1e-4 * std::abs(knot.slope))
                    << shipped.name << " at " << s;
            }
        }
    }
}

TEST(OpenCircuit, beyond_its_range_a_curve_goes_on_downward) {
    const OpenCircuitTable table(set("nmc-graphite-pouch-5ah").positive.curve);
    EXPECT_GT(table.at(-0.01).value, table.at(0.0).value + 0.9);
    EXPECT_LT(table.at(1.01).value, table.at(1.0).value - 0.9);
}

TEST(Capacities, follow_from_volume_and_concentration) {
    // Q = F A L eps c_max / 3600 of the published numbers.
    const auto capacities = [](const std::string& name) {
        const ParticleParameters p = set(name);
        return std::pair{electrode_capacity(p.negative, p.area), electrode_capacity(p.positive, p.area)};
    };
    EXPECT_NEAR(capacities("nmc-graphite-pouch-5ah").first, 7.2288, 1e-4);
    EXPECT_NEAR(capacities("nmc-graphite-pouch-5ah").second, 10.0958, 1e-4);
    EXPECT_NEAR(capacities("nmc-graphite-siox-cylindrical-5ah").first, 5.8276, 1e-4);
    EXPECT_NEAR(capacities("nmc-graphite-siox-cylindrical-5ah").second, 8.7323, 1e-4);
    EXPECT_NEAR(capacities("lfp-graphite-cylindrical-2ah").first, 2.5338, 1e-4);
    EXPECT_NEAR(capacities("lfp-graphite-cylindrical-2ah").second, 2.4106, 1e-4);
}

TEST(OpenCircuit, the_inventory_at_full_charge_gives_the_published_empty_cell) {
    // From the stoichiometries at 4.2 V, the cell of the same lithium that stands at 2.7 V has x 0.005504, y 0.96210.
    const ParticleParameters p = set("nmc-graphite-pouch-5ah");
    const double ratio = electrode_capacity(p.negative, p.area) / electrode_capacity(p.positive, p.area);
    double low = 0.001;
    double high = 0.1;
    const auto positive = [&](double x) { return p.positive.full + (p.negative.full - x) * ratio; };
    for (int i = 0; i < 60; ++i) {
        const double x = 0.5 * (low + high);
        const double voltage = evaluate(p.positive.curve, positive(x)).value - evaluate(p.negative.curve, x).value;
        (voltage < 2.7 ? low : high) = x;
    }
    EXPECT_NEAR(low, 0.005504, 1e-5);
    EXPECT_NEAR(positive(low), 0.962097, 1e-5);
}

TEST(Esdirk, keeps_the_order_conditions) {
    // M. Kutta's conditions to order 4 (any text on Runge-Kutta methods); the embedded weights to order 3.
    using namespace esdirk;
    const auto& b = a[stages - 1];
    for (std::size_t i = 0; i < stages; ++i) {
        double sum = 0.0;
        for (const double entry : a[i]) {
            sum += entry;
        }
        EXPECT_NEAR(sum, time[i], 1e-15) << i;
    }
    const auto product = [&](const std::array<double, stages>& w, auto f) {
        double sum = 0.0;
        for (std::size_t i = 0; i < stages; ++i) {
            sum += w[i] * f(i);
        }
        return sum;
    };
    const auto inner = [&](std::size_t i, auto f) { return product(a[i], f); };
    const auto c1 = [&](std::size_t i) { return time[i]; };
    const auto c2 = [&](std::size_t i) { return time[i] * time[i]; };
    for (const auto& w : {b, embedded}) {
        EXPECT_NEAR(product(w, [](std::size_t) { return 1.0; }), 1.0, 1e-14);
        EXPECT_NEAR(product(w, c1), 1.0 / 2, 1e-14);
        EXPECT_NEAR(product(w, c2), 1.0 / 3, 1e-14);
        EXPECT_NEAR(product(w, [&](std::size_t i) { return inner(i, c1); }), 1.0 / 6, 1e-14);
    }
    EXPECT_NEAR(product(b, [&](std::size_t i) { return c1(i) * c2(i); }), 1.0 / 4, 1e-14);
    EXPECT_NEAR(product(b, [&](std::size_t i) { return c1(i) * inner(i, c1); }), 1.0 / 8, 1e-14);
    EXPECT_NEAR(product(b, [&](std::size_t i) { return inner(i, c2); }), 1.0 / 12, 1e-14);
    EXPECT_NEAR(product(b, [&](std::size_t i) { return inner(i, [&](std::size_t j) { return inner(j, c1); }); }),
                1.0 / 24, 1e-14);
}

}  // namespace
}  // namespace slowfilm::sim
