// What describes an equivalent-circuit cell: numbers only, checked once before a cell is made of them.
#pragma once

#include "daemon/core/cell.hpp"
#include "daemon/core/result.hpp"

#include <string_view>
#include <vector>

namespace slowfilm::sim {

inline constexpr int rc_pairs_max = 3;

// One knot of the open-circuit voltage; straight lines between, the outer ones go on for ever.
struct OpenCircuitPoint {
    double charge;   // of the capacity; 0 is an empty formed cell, 1 a full one
    double voltage;  // V
};

struct RcPair {
    double resistance;     // ohm
    double time_constant;  // s
};

// While charge goes in for the first times, a share of it stays in the film: `share` of all charge until the charge
// taken up since pristine reaches `until` capacities. The last stage lasts for ever.
struct FilmStage {
    double until;
    double share;  // 0 <= share < 1
};

enum class CellFaultKind : std::uint8_t {
    internal_short,      // magnitude: ohm between the electrodes
    contact_resistance,  // magnitude: ohm more in series
    heat,                // magnitude: W more in the cell
};

// Begins as soon as both have passed; zero is from the start.
struct CellFault {
    CellFaultKind kind{CellFaultKind::internal_short};
    double magnitude{0.0};
    double after_time{0.0};    // s on the cell's time line
    double after_charge{0.0};  // Ah taken up while charging, since the cell was loaded
};

struct CircuitParameters {
    double capacity{5.0};  // Ah between charge 0 and 1
    std::vector<OpenCircuitPoint> open_circuit;
    double series_resistance{0.015};  // ohm, > 0
    double contact_resistance{0.0};   // ohm
    std::vector<RcPair> pairs;        // at most rc_pairs_max
    double leakage_resistance{4e4};   // ohm; infinity for none
    double heat_capacity{88.88};      // J/K
    double cooling{0.20};             // W/K to the ambient
    double ambient{25.0};             // degC
    std::vector<FilmStage> film;      // empty: no charge is lost
    double pristine_voltage{0.24};    // V at open circuit of a cell just filled
    double tapped_voltage{2.0};       // V after the tap charge
    double formed_charge{0.30};       // of the capacity, as a formed cell is loaded
    bool reversed{false};             // lies in the fixture the wrong way round
    std::vector<CellFault> faults;
};

// The film that keeps `first_cycle_loss` (0.12: 12 %) of a first charge, most of it in the first third, nothing before
// the cell has climbed out of its first 1 %; then 0.7 %, 0.4 %, and 0.3 % of every later charge.
[[nodiscard]] std::vector<FilmStage> film_stages(double first_cycle_loss);

// 5 Ah pouch cells. The curves are drawn by hand after the shape common to the chemistry; the rest is common practice.
[[nodiscard]] CircuitParameters nmc_graphite();
[[nodiscard]] CircuitParameters nmc_graphite_siox();
[[nodiscard]] CircuitParameters lfp_graphite();
// By the name a protocol gives the chemistry ("NMC/graphite"); `other` is taken as NMC/graphite.
[[nodiscard]] Result<CircuitParameters> circuit_parameters(std::string_view chemistry);

// The same cell made bigger or smaller: resistances fall and heat capacity rises with capacity (Ah), cooling with its
// surface (capacity^(2/3)).
[[nodiscard]] CircuitParameters scaled(CircuitParameters parameters, double capacity);

// What would make a cell of these numbers meaningless, in a sentence.
[[nodiscard]] Result<void> check(const CircuitParameters& parameters);

}  // namespace slowfilm::sim
