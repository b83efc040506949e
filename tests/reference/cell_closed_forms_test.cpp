#include "sim/cell/circuit.hpp"

#include <cmath>
#include <limits>

#include <gtest/gtest.h>

// The equivalent-circuit cell against solutions that can be written down: the first-order circuit of a resistor and a
// capacitor (any text on linear circuits), and Newton's law of cooling for one lump.
namespace slowfilm::sim {
namespace {

// 5 Ah, 3.0 to 4.0 V in one straight line (0.2 V/Ah), half full, nothing but a resistor.
CircuitParameters plain_cell() {
    CircuitParameters cell;
    cell.capacity = 5.0;
    cell.open_circuit = {{0.0, 3.0}, {1.0, 4.0}};
    cell.series_resistance = 0.050;
    cell.leakage_resistance = std::numeric_limits<double>::infinity();
    cell.formed_charge = 0.5;
    return cell;
}

TEST(CellClosedForms, a_taper_from_1_A_to_50_mA_takes_2696_s_and_0_2375_Ah) {
    // I = I0 exp(-t/tau), tau = R / (dU/dq) = 0.050 ohm / (0.2 V/Ah) = 900 s; t = tau ln 20 = 2696.159 s,
    // charge = (I0 - I) tau = 0.95 A * 900 s = 0.2375 Ah.
    CircuitCell cell(plain_cell(), CellState::formed);
    cell.drive(0.0, VoltageDrive{3.55, 10.0, 10.0});
    EXPECT_NEAR(cell.at(0.0).current, 1.0, 1e-12);
    const double taper = 900.0 * std::log(20.0);
    EXPECT_NEAR(taper, 2696.2, 0.05);
    for (const double t : {1.0, 100.0, 900.0, 2000.0, taper}) {
        EXPECT_NEAR(cell.at(t).current, std::exp(-t / 900.0), 1e-12);
        EXPECT_NEAR(cell.charge(), (1.0 - std::exp(-t / 900.0)) * 0.25, 1e-12);
        EXPECT_EQ(cell.at(t).mode, DriveMode::constant_voltage);
    }
    EXPECT_NEAR(cell.at(taper).current, 0.050, 1e-12);
    EXPECT_NEAR(cell.charge(), 0.237500, 1e-9);
}

TEST(CellClosedForms, the_same_taper_after_a_charge_to_the_ceiling) {
    // 1 A for 1 Ah brings the source from 3.5 to 3.7 V, and 3.75 V with the resistor: at 3600 s to the microsecond.
    CircuitCell cell(plain_cell(), CellState::formed);
    cell.drive(0.0, CurrentDrive{1.0, 3.75, 2.7});
    EXPECT_EQ(cell.at(3600.0 - 1e-6).mode, DriveMode::constant_current);
    EXPECT_EQ(cell.at(3600.0 + 1e-6).mode, DriveMode::at_ceiling);
    EXPECT_NEAR(cell.at(3600.0 + 2696.2).current, 0.050, 5e-6);
    EXPECT_NEAR(cell.charge() - 1.0, 0.237500, 1e-6);
}

TEST(CellClosedForms, a_pair_answers_a_current_step_as_1_less_exp) {
    // V = U + I R0 + I R1 (1 - exp(-t / R1 C1)) with the source's own rise beside it.
    CircuitParameters parameters = plain_cell();
    parameters.pairs = {{0.020, 30.0}, {0.010, 400.0}};
    CircuitCell cell(parameters, CellState::formed);
    cell.drive(0.0, CurrentDrive{2.0, 4.2, 2.7});
    for (const double t : {0.0, 0.1, 1.0, 30.0, 400.0, 3000.0}) {
        const double expected = 3.5 + 0.2 * 2.0 * t / 3600.0 + 2.0 * 0.050 + 2.0 * 0.020 * -std::expm1(-t / 30.0) +
                                2.0 * 0.010 * -std::expm1(-t / 400.0);
        EXPECT_NEAR(cell.at(t).voltage, expected, 1e-12);
    }
    cell.open(3000.0);
    const double rest = 3.5 + 0.2 * 2.0 * 3000.0 / 3600.0;
    for (const double t : {0.0, 10.0, 600.0, 4000.0}) {
        const double expected =
            rest + 0.040 * -std::expm1(-100.0) * std::exp(-t / 30.0) + 0.020 * -std::expm1(-7.5) * std::exp(-t / 400.0);
        EXPECT_NEAR(cell.at(3000.0 + t).voltage, expected, 1e-12);
        EXPECT_EQ(cell.at(3000.0 + t).current, 0.0);
    }
}

TEST(CellClosedForms, a_pair_behind_a_constant_voltage_relaxes_with_both_resistors_in_parallel) {
    // Source constant (slope 1e-5 V/Ah): I = I_inf + (I_0 - I_inf) exp(-t (R0 + R1) / (R0 R1 C1)),
    // I_0 = (V - U) / R0, I_inf = (V - U) / (R0 + R1).
    CircuitParameters parameters = plain_cell();
    parameters.open_circuit = {{0.0, 3.5}, {1.0, 3.50005}};
    parameters.formed_charge = 0.0;
    parameters.pairs = {{0.025, 60.0}};
    CircuitCell cell(parameters, CellState::formed);
    cell.drive(0.0, VoltageDrive{3.6, 100.0, 100.0});
    const double capacitance = 60.0 / 0.025;
    for (const double t : {0.0, 1.0, 10.0, 60.0, 200.0}) {
        const double last = 0.1 / 0.075;
        const double first = 0.1 / 0.050;
        const double expected = last + (first - last) * std::exp(-t * 0.075 / (0.050 * 0.025 * capacitance));
        EXPECT_NEAR(cell.at(t).current, expected, 3e-5);  // the source rises by at most 1e-6 V here
    }
}

TEST(CellClosedForms, one_watt_heats_the_lump_by_3_1606_K_in_444_4_s) {
    // dT = (P/hA)(1 - exp(-t/tau)), tau = m c_p / hA = 88.88 J/K / 0.20 W/K = 444.4 s; 5 K in the end.
    CircuitParameters parameters = plain_cell();
    parameters.faults = {{.kind = CellFaultKind::heat, .magnitude = 1.0}};
    CircuitCell cell(parameters, CellState::formed);
    EXPECT_NEAR(cell.at(444.4).temperature - 25.0, 3.1606, 5e-5);
    EXPECT_NEAR(cell.at(100.0 * 444.4).temperature - 25.0, 5.0, 1e-9);
    // The same watt from a current: I^2 R = 20 A^2 * 0.05 ohm, and cold again after it.
    CircuitCell driven(plain_cell(), CellState::formed);
    driven.drive(0.0, CurrentDrive{-std::sqrt(20.0), 9.0, -9.0});
    EXPECT_NEAR(driven.at(444.4).temperature - 25.0, 3.1606, 5e-5);
    driven.open(444.4);
    EXPECT_NEAR(driven.at(2.0 * 444.4).temperature - 25.0, 3.1606 * std::exp(-1.0), 5e-5);
}

TEST(CellClosedForms, the_heat_of_a_taper_is_the_integral_of_its_square) {
    // P = R I0^2 exp(-2 t/tau_e) into the lump: dT = P0/C (exp(-2t/tau_e) - exp(-t/tau)) / (1/tau - 2/tau_e).
    CircuitCell cell(plain_cell(), CellState::formed);
    cell.drive(0.0, VoltageDrive{3.75, 10.0, 10.0});  // 5 A at once
    for (const double t : {10.0, 300.0, 1500.0}) {
        const double power = 0.050 * 25.0;
        const double expected =
            power / 88.88 * (std::exp(-2.0 * t / 900.0) - std::exp(-t / 444.4)) / (1.0 / 444.4 - 2.0 / 900.0);
        EXPECT_NEAR(cell.at(t).temperature - 25.0, expected, 1e-9);
    }
}

TEST(CellClosedForms, a_heat_step_that_meets_the_lump_s_own_rate_is_t_exp) {
    // tau_e = 2 * 444.4 s: the limit of the form above is P0/C t exp(-t/tau).
    CircuitParameters parameters = plain_cell();
    parameters.series_resistance = 888.8 / 900.0 * 0.050;
    CircuitCell cell(parameters, CellState::formed);
    cell.drive(0.0, VoltageDrive{3.75, 10.0, 10.0});
    const double power = 0.25 * 0.25 / parameters.series_resistance;
    for (const double t : {10.0, 300.0, 1500.0}) {
        EXPECT_NEAR(cell.at(t).temperature - 25.0, power / 88.88 * t * std::exp(-t / 444.4), 1e-6);
    }
}

TEST(CellClosedForms, a_short_drains_the_source_as_a_capacitor_through_a_resistor) {
    // U = U0' exp(-t / (R C)) with the line's own zero at -12.5 Ah of empty: C = 1/(0.2 V/Ah) = 18000 F, R = 100 ohm.
    CircuitParameters parameters = plain_cell();
    parameters.leakage_resistance = 100.0;
    CircuitCell cell(parameters, CellState::formed);
    for (const double t : {0.0, 3600.0, 36000.0}) {
        const double source = 3.5 * std::exp(-t / (100.0 * 18000.0));
        EXPECT_NEAR(cell.at(t).voltage, source * (1.0 - 0.050 / 100.0), 1e-12);
        EXPECT_NEAR(cell.leaked(), 3.5 / 100.0 * 5.0 * 100.0 * -std::expm1(-t / (100.0 * 18000.0)), 1e-10);
    }
}

}  // namespace
}  // namespace slowfilm::sim
