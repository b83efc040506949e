// What describes an electrochemical cell: two porous electrodes of equal spheres, the electrolyte between them, the
// film that grows on the graphite. Numbers only, SI units, checked once before a cell is made of them.
#pragma once

#include "daemon/core/result.hpp"
#include "sim/cell/circuit_parameters.hpp"
#include "sim/cell/curve.hpp"

#include <optional>
#include <string>
#include <vector>

namespace slowfilm::sim {

inline constexpr double faraday = 96485.33212;           // C/mol, CODATA 2018
inline constexpr double gas_constant = 8.314462618;      // J/(mol K), CODATA 2018
inline constexpr double reference_temperature = 298.15;  // K: what Arrhenius factors are relative to
inline constexpr double zero_celsius = 273.15;           // K

struct ElectrodeParameters {
    double thickness{0.0};               // m
    double porosity{0.0};                // of the electrolyte in it
    double transport{0.0};               // transport efficiency of the electrolyte in it
    double radius{0.0};                  // m, of its particles
    double surface{0.0};                 // m2 per m3
    double concentration{0.0};           // mol/m3, of lithium when full
    double diffusivity{0.0};             // m2/s
    double diffusivity_activation{0.0};  // J/mol
    double rate{0.0};                    // mol/(m2 s): exchange current density F rate sqrt(c_e/c_e0) sqrt(s (1 - s))
    double rate_activation{0.0};         // J/mol
    double empty{0.0}, full{0.0};        // stoichiometry at the ends of the window, of the cell that was measured
    double pristine{0.0};                // stoichiometry of the cell just filled
    CurveFormula curve;
};

struct ElectrolyteParameters {
    double concentration{1000.0};  // mol/m3
    double transference{0.0};
    double conductivity_3{0.0}, conductivity_15{0.0}, conductivity_1{0.0};  // S/m: of c^3, c^1.5 and c in mol/l
    double diffusivity_2{0.0}, diffusivity_1{0.0}, diffusivity_0{0.0};      // m2/s: of c^2, c and 1 in mol/l
    double activation{0.0};                                                 // J/mol, of both
    double separator_thickness{0.0}, separator_porosity{0.0}, separator_transport{0.0};
};

// Tafel kinetics through a film that lets electrons tunnel, a slow diffusive tail, and an additive that is used up.
struct FilmParameters {
    bool grows{true};
    double surface_ratio{0.0};        // of the surface the film grows on to the geometric one, before lithiation
    double surface_growth{0.0};       // of that surface, per unit of stoichiometry at first lithiation
    double tunnel_length{0.0};        // m
    double molar_volume{0.0};         // m3 per mol of electrons
    double potential{0.0};            // V against lithium, at which `exchange` flows
    double exchange{0.0};             // A/m2
    double transfer{0.5};             // coefficient of both reactions
    double activation{0.0};           // J/mol, of everything here
    double diffusion{0.0};            // m2/s: thickness^2 grows by twice this per second
    double additive{0.0};             // mol, in a cell of the set's own area
    double additive_potential{0.0};   // V
    double additive_exchange{0.0};    // A/m2, while none is used up
    double resistivity{0.0};          // ohm m
    double heat_potential{1.5};       // V: heat of reaction per charge, against lithium
    double pristine_potential{3.28};  // V: of graphite that holds nothing, at pristine_stoichiometry
    double pristine_decay{5e-4};      // of stoichiometry: how fast that falls to the curve
    double formed_thickness{0.0};     // m, on the cell as it is loaded formed
};

struct PlatingParameters {
    bool happens{false};
    double exchange{0.0};    // A/m2
    double reversible{0.0};  // share of what is plated that can be stripped
};

struct ParticleParameters {
    std::string name;       // "NMC/graphite pouch, 5 Ah"
    std::string chemistry;  // as a protocol says it
    std::string compared;   // by how much it is known to be off, as a sentence; "": nobody has compared it
    double capacity{0.0};   // Ah, rated, of `area`
    double area{0.0};       // m2 of electrode, all pairs
    double voltage_min{0.0}, voltage_max{0.0};
    ElectrodeParameters negative, positive;
    ElectrolyteParameters electrolyte;
    FilmParameters film;
    PlatingParameters plating;
    double heat_capacity{0.0};       // J/K
    double cooling{0.0};             // W/K to the ambient
    double contact_resistance{0.0};  // ohm, outside everything else
    double leakage_resistance{0.0};  // ohm, between the electrodes; infinity for none
    double double_layer{0.0};        // F, at the graphite; 0 for none
    double wetted{1.0};              // of the area, when the cell is loaded pristine
    double wetting_time{0.0};        // s: what is dry falls by e in this
    double tapped_voltage{2.0};      // V after the tap charge
    double formed_charge{0.30};      // as a formed cell is loaded: of the window that its film has left, or of the
                                     // measured cell's where no film grows
    double ambient{25.0};            // degC
    bool reversed{false};            // lies in the fixture the wrong way round
    std::vector<CellFault> faults;
};

// Ah that an electrode takes from empty of lithium to full.
[[nodiscard]] double electrode_capacity(const ElectrodeParameters& electrode, double area);

// The same cell with more or less area, by rated capacity (Ah): currents per area, and so voltages, stay as they are.
[[nodiscard]] ParticleParameters scaled(ParticleParameters parameters, double capacity);

// What would make a cell of these numbers meaningless: the place in the set ("negative.radius") and a sentence.
struct BadParameter {
    std::string where;
    std::string what;
};
[[nodiscard]] std::optional<BadParameter> find_bad(const ParticleParameters& parameters);
[[nodiscard]] Result<void> check(const ParticleParameters& parameters);

}  // namespace slowfilm::sim
