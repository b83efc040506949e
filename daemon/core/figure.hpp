// The figures that a protocol may name: in [accept], in only_if, and as the end of a repeat. Where each is defined,
// with formula, source and when it is not: results/figures.cpp.
#pragma once

#include "daemon/core/quantity.hpp"

#include <array>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <string_view>

namespace slowfilm {

enum class FigureId : std::uint8_t {
    first_cycle_efficiency,
    coulombic_efficiency,
    energy_efficiency,
    charge_capacity,
    discharge_capacity,
    dc_resistance,
    k_value,
};
inline constexpr std::size_t figure_count = 7;
// In the order of FigureId.
inline constexpr std::array<std::string_view, figure_count> figure_names{"first_cycle_efficiency",
                                                                         "coulombic_efficiency",
                                                                         "energy_efficiency",
                                                                         "charge_capacity",
                                                                         "discharge_capacity",
                                                                         "dc_resistance",
                                                                         "k_value"};

[[nodiscard]] std::string_view name(FigureId figure);
[[nodiscard]] std::optional<FigureId> figure_named(std::string_view name);
// ratio (ppm), charge (pC), resistance (nohm) or voltage_slope (nV/d): what a rule's numbers are written in.
[[nodiscard]] Dimension dimension_of(FigureId figure);

// Of k_value: readings in each mean, and how far the cell's temperature may differ between them (common practice).
inline constexpr std::uint32_t k_value_readings_min = 30;
inline constexpr TemperatureDifference k_value_temperature_max{1'000};

// The share in ppm; nothing where `whole` is not above 0.
[[nodiscard]] std::optional<Ratio> ratio_of(Charge part, Charge whole);
// (U1 - U2) / (I2 - I1) with the sign that makes a sound cell's positive, whichever way the currents go: the two-level
// method of IEC 61960-3, or one level against the open circuit before it. Nothing where the currents are equal.
[[nodiscard]] std::optional<Resistance> resistance_of(Voltage first_voltage, Current first_current,
                                                      Voltage second_voltage, Current second_current);
// The fall of the open-circuit voltage per day, positive for a falling one; nothing where `span` is not above 0.
[[nodiscard]] std::optional<VoltageSlope> decay_of(Voltage first, Voltage second, Duration span);

// How far a voltage goes at a rate.
[[nodiscard]] Voltage moved_by(VoltageSlope rate, Duration span);

}  // namespace slowfilm
