#include "sim/cell/circuit_parameters.hpp"

#include "daemon/core/text.hpp"
#include "sim/cell/elementary.hpp"

#include <limits>
#include <string>

namespace slowfilm::sim {

namespace {

// Below empty every curve falls the same way: the graphite of a cell just filled (0.24 V, rising by more than a volt in
// the first 0.03 % of charge), then, below zero, copper that dissolves at about -1.4 V.
std::vector<OpenCircuitPoint> with_tail(std::vector<OpenCircuitPoint> pristine_rise) {
    std::vector<OpenCircuitPoint> curve{
        {-0.100, -1.50}, {-0.020, -1.20}, {-0.008, -0.60}, {-0.0062, 0.00}, {-0.0060, 0.24},
    };
    curve.insert(curve.end(), pristine_rise.begin(), pristine_rise.end());
    return curve;
}

Result<void> refuse(const std::string& what) {
    return fail(Failure::bad_config, what);
}

Result<void> positive(double value, const char* name, const char* unit) {
    if (value > 0.0 && value < 1e12) {
        return {};
    }
    return refuse(std::string("a cell's ") + name + " must be above 0 " + unit + ", not " + print_number(value));
}

Result<void> check_curve(const CircuitParameters& parameters) {
    const auto& curve = parameters.open_circuit;
    if (curve.size() < 2) {
        return refuse("an open-circuit curve needs at least two points");
    }
    for (std::size_t i = 1; i < curve.size(); ++i) {
        const double rise = curve[i].voltage - curve[i - 1].voltage;
        const double run = curve[i].charge - curve[i - 1].charge;
        if (!(run > 0.0) || !(rise > 1e-6 * run)) {
            return refuse(
                "an open-circuit curve must rise from point to point in charge and in voltage, and does not at " +
                print_number(curve[i].charge) + " of the capacity");
        }
    }
    return {};
}

Result<void> check_film(const CircuitParameters& parameters) {
    double before = 0.0;
    for (const FilmStage& stage : parameters.film) {
        if (!(stage.share >= 0.0 && stage.share <= 0.95)) {
            return refuse("the film cannot take " + print_number(stage.share) +
                          " of the charge: a share is 0 to 0.95 (a first-cycle loss of 0 to 0.17)");
        }
        if (!(stage.until > before)) {
            return refuse("the stages of the film must come in rising order of charge");
        }
        before = stage.until;
    }
    return {};
}

Result<void> check_faults(const CircuitParameters& parameters) {
    if (parameters.faults.size() > 32) {
        return refuse("a cell can have at most 32 faults, not " + std::to_string(parameters.faults.size()));
    }
    for (const CellFault& fault : parameters.faults) {
        if (!(fault.magnitude > 0.0 && fault.magnitude < 1e9)) {
            return refuse("a cell's fault needs a magnitude above 0 (ohm or W), not " + print_number(fault.magnitude));
        }
        if (!(fault.after_time >= 0.0) || !(fault.after_charge >= 0.0)) {
            return refuse("a cell's fault cannot begin before the cell is loaded");
        }
    }
    return {};
}

}  // namespace

std::vector<FilmStage> film_stages(double first_cycle_loss) {
    const double lost = first_cycle_loss / (1.0 - first_cycle_loss);  // of the capacity
    return {
        {0.010, 0.0},
        {0.080, 0.3 * lost / 0.070},
        {0.370, 0.7 * lost / 0.290},
        {1.0 + lost, 0.0},
        {2.0 + lost, 0.007},
        {3.0 + lost, 0.004},
        {std::numeric_limits<double>::infinity(), 0.003},
    };
}

CircuitParameters nmc_graphite() {
    CircuitParameters cell;
    cell.open_circuit = with_tail({
        {-0.0057, 1.67}, {-0.0054, 2.05}, {-0.0046, 2.30}, {-0.0030, 2.46}, {-0.0012, 2.60}, {0.0000, 2.70},
        {0.0015, 2.85},  {0.0035, 3.00},  {0.0080, 3.15},  {0.0150, 3.27},  {0.0250, 3.36},  {0.0400, 3.43},
        {0.060, 3.475},  {0.085, 3.505},  {0.12, 3.535},   {0.16, 3.565},   {0.20, 3.595},   {0.25, 3.620},
        {0.30, 3.640},   {0.35, 3.658},   {0.40, 3.676},   {0.45, 3.697},   {0.50, 3.722},   {0.55, 3.755},
        {0.60, 3.797},   {0.65, 3.842},   {0.70, 3.888},   {0.75, 3.934},   {0.80, 3.982},   {0.85, 4.032},
        {0.90, 4.085},   {0.95, 4.141},   {1.00, 4.200},   {1.05, 4.262},   {1.12, 4.36},    {1.20, 4.50},
        {1.35, 4.95},
    });
    cell.pairs = {{0.008, 20.0}, {0.012, 600.0}};
    cell.film = film_stages(0.115);
    return cell;
}

CircuitParameters nmc_graphite_siox() {
    CircuitParameters cell = nmc_graphite();
    cell.film = film_stages(0.165);
    return cell;
}

CircuitParameters lfp_graphite() {
    CircuitParameters cell;
    cell.open_circuit = with_tail({
        {-0.0057, 1.30}, {-0.0054, 1.60}, {-0.0046, 1.78}, {-0.0030, 1.88}, {0.0000, 2.00}, {0.0015, 2.55},
        {0.0038, 3.00},  {0.010, 3.08},   {0.020, 3.13},   {0.040, 3.18},   {0.080, 3.215}, {0.14, 3.240},
        {0.20, 3.262},   {0.28, 3.282},   {0.33, 3.288},   {0.45, 3.294},   {0.55, 3.299},  {0.65, 3.312},
        {0.70, 3.328},   {0.80, 3.332},   {0.90, 3.336},   {0.95, 3.342},   {0.975, 3.360}, {0.985, 3.390},
        {0.993, 3.450},  {0.998, 3.550},  {1.000, 3.650},  {1.010, 3.900},  {1.030, 4.200}, {1.100, 4.700},
    });
    cell.series_resistance = 0.012;
    cell.pairs = {{0.008, 25.0}, {0.015, 900.0}};
    cell.film = film_stages(0.095);
    cell.tapped_voltage = 1.85;
    return cell;
}

Result<CircuitParameters> circuit_parameters(std::string_view chemistry) {
    if (chemistry == "NMC/graphite" || chemistry == "other") {
        return nmc_graphite();
    }
    if (chemistry == "NMC/graphite-SiOx") {
        return nmc_graphite_siox();
    }
    if (chemistry == "LFP/graphite") {
        return lfp_graphite();
    }
    return fail(Failure::bad_config,
                "there is no cell model for \"" + escaped(chemistry, 64) +
                    "\"; there are \"NMC/graphite\", \"NMC/graphite-SiOx\", \"LFP/graphite\", \"other\"");
}

CircuitParameters scaled(CircuitParameters parameters, double capacity) {
    const double ratio = capacity / parameters.capacity;
    parameters.capacity = capacity;
    parameters.series_resistance /= ratio;
    for (RcPair& pair : parameters.pairs) {
        pair.resistance /= ratio;
    }
    parameters.leakage_resistance /= ratio;
    parameters.heat_capacity *= ratio;
    parameters.cooling *= elementary::exp(elementary::log(ratio) * (2.0 / 3.0));
    return parameters;
}

Result<void> check(const CircuitParameters& parameters) {
    const auto contact_good = parameters.contact_resistance >= 0.0 && parameters.contact_resistance < 1e6;
    if (!contact_good) {
        return refuse("a cell's contact resistance must be 0 ohm or more, not " +
                      print_number(parameters.contact_resistance));
    }
    if (!(parameters.leakage_resistance > 0.0)) {
        return refuse("a cell's leakage resistance must be above 0 ohm, not " +
                      print_number(parameters.leakage_resistance));
    }
    if (parameters.pairs.size() > rc_pairs_max) {
        return refuse("a cell can have at most 3 RC pairs, not " + std::to_string(parameters.pairs.size()));
    }
    auto good = positive(parameters.capacity, "capacity", "Ah")
                    .and_then([&] { return positive(parameters.series_resistance, "series resistance", "ohm"); })
                    .and_then([&] { return positive(parameters.heat_capacity, "heat capacity", "J/K"); })
                    .and_then([&] { return positive(parameters.cooling, "cooling", "W/K"); });
    for (const RcPair& pair : parameters.pairs) {
        good = good.and_then([&] { return positive(pair.resistance, "RC resistance", "ohm"); }).and_then([&] {
            return positive(pair.time_constant, "RC time constant", "s");
        });
    }
    if (!(parameters.ambient > -100.0 && parameters.ambient < 200.0)) {
        return refuse("an ambient of " + print_number(parameters.ambient) + " degC is no place for a cell");
    }
    if (!(parameters.formed_charge >= 0.0 && parameters.formed_charge <= 1.0)) {
        return refuse("a formed cell is loaded with 0 to 1 of its capacity, not " +
                      print_number(parameters.formed_charge));
    }
    return good.and_then([&] { return check_curve(parameters); })
        .and_then([&] { return check_film(parameters); })
        .and_then([&] { return check_faults(parameters); });
}

}  // namespace slowfilm::sim
