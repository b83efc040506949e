#include "sim/cell/particle_parameters.hpp"

#include "daemon/core/text.hpp"
#include "sim/cell/electrolyte.hpp"

#include <algorithm>
#include <limits>
#include <string_view>

namespace slowfilm::sim {

namespace {

constexpr double infinity = std::numeric_limits<double>::infinity();
constexpr double window_tolerance = 0.05;    // V between a window's end and the open circuit of its stoichiometries
constexpr double capacity_tolerance = 0.02;  // between what the two electrodes exchange over the window

// One number, where it stands in a set, and what it may be. NaN is within nothing.
struct Bound {
    std::string_view where;
    double value;
    double least, most;
    bool least_itself{false};  // `least` is allowed
    std::string_view must;
};

std::optional<BadParameter> first_outside(const std::vector<Bound>& bounds) {
    for (const Bound& bound : bounds) {
        const bool above = bound.least_itself ? bound.value >= bound.least : bound.value > bound.least;
        if (!(above && bound.value <= bound.most)) {
            return BadParameter{std::string{bound.where},
                                std::string{bound.must} + ", not " + print_number(bound.value)};
        }
    }
    return std::nullopt;
}

void electrode_bounds(std::vector<Bound>& bounds, const ElectrodeParameters& e, bool negative) {
    const auto at = [&](std::string_view a, std::string_view b) { return negative ? a : b; };
    bounds.insert(
        bounds.end(),
        {{at("negative.thickness", "positive.thickness"), e.thickness, 1e-8, 1e-2, true,
          "a thickness is 10 nm to 10 mm"},
         {at("negative.porosity", "positive.porosity"), e.porosity, 0.01, 0.95, true, "a porosity is 0.01 to 0.95"},
         {at("negative.transport", "positive.transport"), e.transport, 1e-4, 1.0, true,
          "a transport efficiency is 0.0001 to 1"},
         {at("negative.radius", "positive.radius"), e.radius, 1e-9, 1e-3, true, "a radius is 1 nm to 1 mm"},
         {at("negative.surface", "positive.surface"), e.surface, 1.0, 1e10, true,
          "a surface per volume is 1 to 1e10 m2/m3"},
         {at("negative.concentration", "positive.concentration"), e.concentration, 1.0, 1e6, true,
          "a concentration is 1 to 1000000 mol/m3"},
         {at("negative.diffusivity", "positive.diffusivity"), e.diffusivity, 1e-24, 1e-6, false,
          "a diffusivity lies between 1e-24 and 1e-6 m2/s"},
         {at("negative.diffusivity_activation", "positive.diffusivity_activation"), e.diffusivity_activation, 0.0, 2e5,
          true, "an activation energy is 0 to 200000 J/mol"},
         {at("negative.rate", "positive.rate"), e.rate, 1e-8, 1.0, true,
          "a rate constant lies between 1e-8 and 1 mol/(m2 s)"},
         {at("negative.rate_activation", "positive.rate_activation"), e.rate_activation, 0.0, 2e5, true,
          "an activation energy is 0 to 200000 J/mol"},
         {at("negative.empty", "positive.empty"), e.empty, 0.0, 1.0, true, "a stoichiometry is 0 to 1"},
         {at("negative.full", "positive.full"), e.full, 0.0, 1.0, true, "a stoichiometry is 0 to 1"},
         {at("negative.lowest", "positive.lowest"), e.curve.lowest, 0.0, 1.0, true, "a stoichiometry is 0 to 1"},
         {at("negative.highest", "positive.highest"), e.curve.highest, e.curve.lowest, 1.0, false,
          "the range ends between its begin and 1"}});
}

std::optional<BadParameter> bad_number(const ParticleParameters& p) {
    const ElectrolyteParameters& s = p.electrolyte;
    std::vector<Bound> bounds{
        {"capacity", p.capacity, 0.0, 1e5, false, "a capacity is above 0"},
        {"area", p.area, 0.0, 1e5, false, "an area is above 0"},
        {"voltage_min", p.voltage_min, 0.0, 10.0, true, "a voltage is 0 to 10 V"},
        {"voltage_max", p.voltage_max, p.voltage_min, 10.0, false, "the highest voltage lies above the lowest"},
        {"electrolyte.concentration", s.concentration, 100.0, 1e4, true,
         "there is some salt in an electrolyte, 100 to 10000 mol/m3"},
        {"electrolyte.transference", s.transference, -1.0, 0.999, true, "a transference number is below 1"},
        {"electrolyte.activation", s.activation, 0.0, 2e5, true, "an activation energy is 0 to 200000 J/mol"},
        {"separator.thickness", s.separator_thickness, 1e-8, 1e-2, true, "a thickness is 10 nm to 10 mm"},
        {"separator.porosity", s.separator_porosity, 0.01, 1.0, true, "a porosity is 0.01 to 1"},
        {"separator.transport", s.separator_transport, 1e-4, 1.0, true, "a transport efficiency is 0.0001 to 1"},
        {"heat.heat_capacity", p.heat_capacity, 0.1 * p.capacity, 1e9, true,
         "a heat capacity is at least 0.1 J/K for each Ah; 20 is common"},
        {"heat.cooling", p.cooling, 0.0, 1e9, true, "cooling is 0 to 1e9 W/K"},
        {"heat.ambient", p.ambient, -60.0, 100.0, true, "an ambient temperature is -60 to 100 degC"},
        {"contact_resistance", p.contact_resistance, 0.0, 1e6, true, "a resistance is at least 0"},
        {"leakage_resistance", p.leakage_resistance, 1e-3, infinity, true,
         "a leakage resistance is at least 0.001 ohm"},
        {"double_layer", p.double_layer, p.double_layer == 0.0 ? 0.0 : 1e-4 * p.capacity, 10.0 * p.capacity, true,
         "a capacitance is 0, for none, or 0.0001 to 10 F for each Ah, of which 0.2 to 1 are common"},
        {"wetted", p.wetted, 0.01, 1.0, true, "at least 1 % of a cell is wetted, and at most all of it"},
        {"wetting_time", p.wetting_time, p.wetted < 1.0 ? 1.0 : 0.0, 1e9, true, "wetting takes at least a second"},
        {"tapped_voltage", p.tapped_voltage, 0.0, 10.0, true, "a voltage is 0 to 10 V"},
        {"formed_charge", p.formed_charge, 0.0, 1.0, true, "a charge of the window is 0 to 1"},
    };
    electrode_bounds(bounds, p.negative, true);
    electrode_bounds(bounds, p.positive, false);
    if (p.film.grows) {
        const FilmParameters& f = p.film;
        bounds.insert(
            bounds.end(),
            {{"film.surface_ratio", f.surface_ratio, 1e-3, 1e4, true, "a ratio of surfaces is 0.001 to 10000"},
             {"film.surface_growth", f.surface_growth, 0.0, 100.0, true, "a growth of surface is at least 0"},
             {"film.tunnel_length", f.tunnel_length, 1e-11, 1e-7, false,
              "a tunnelling length lies between 0.01 and 100 nm"},
             {"film.molar_volume", f.molar_volume, 1e-7, 1e-2, true, "a molar volume is 1e-7 to 0.01 m3/mol"},
             {"film.potential", f.potential, 0.0, 5.0, true, "a potential against lithium is 0 to 5 V"},
             {"film.exchange", f.exchange, 0.0, 1e3, true, "a current density is at least 0"},
             {"film.transfer", f.transfer, 0.0, 1.0, false, "a transfer coefficient is above 0 and at most 1"},
             {"film.activation", f.activation, 0.0, 2e5, true, "an activation energy is 0 to 200000 J/mol"},
             {"film.diffusion", f.diffusion, 0.0, 1e-10, true, "a growth constant is at least 0"},
             {"film.additive", f.additive, 0.0, 1e3, true, "an amount is at least 0"},
             {"film.additive_potential", f.additive_potential, 0.0, 5.0, true,
              "a potential against lithium is 0 to 5 V"},
             {"film.additive_exchange", f.additive_exchange, 0.0, 1e3, true, "a current density is at least 0"},
             {"film.resistivity", f.resistivity, 0.0, 1e12, true, "a resistivity is at least 0"},
             {"film.heat_potential", f.heat_potential, -10.0, 10.0, true, "a potential against lithium is -10 to 10 V"},
             {"film.formed_thickness", f.formed_thickness, 0.0, 1e-6, true, "a film is 0 to 1000 nm thick"}});
    }
    bounds.push_back(
        {"film.pristine_decay", p.film.pristine_decay, 1e-4, 0.1, true, "a decay lies between 0.0001 and 0.1"});
    bounds.push_back({"film.pristine_potential", p.film.pristine_potential, 0.0, 5.0, true,
                      "a potential against lithium is 0 to 5 V"});
    if (p.plating.happens) {
        bounds.push_back({"plating.exchange", p.plating.exchange, 0.0, 1e6, false, "a current density is above 0"});
        bounds.push_back({"plating.reversible", p.plating.reversible, 0.0, 1.0, true, "a share is 0 to 1"});
    }
    return first_outside(bounds);
}

// Conductivity and diffusivity must stay what such a thing has wherever salt may go.
std::optional<BadParameter> bad_electrolyte(const ParticleParameters& p) {
    const Electrolyte electrolyte(p.electrolyte);
    for (int i = 1; i <= 40; ++i) {
        const double c = 0.1 * static_cast<double>(i) * p.electrolyte.concentration;
        if (const double value = electrolyte.conductivity(c); !(value >= 1e-6 && value <= 1e3)) {
            return BadParameter{"electrolyte.conductivity", "the conductivity is not within 1e-6 and 1000 S/m at " +
                                                                print_number(c) + " mol/m3: " + print_number(value)};
        }
        if (const double value = electrolyte.diffusivity(c); !(value >= 1e-16 && value <= 1e-6)) {
            return BadParameter{"electrolyte.diffusivity", "the diffusivity is not within 1e-16 and 1e-6 m2/s at " +
                                                               print_number(c) + " mol/m3: " + print_number(value)};
        }
    }
    return std::nullopt;
}

std::string volts_text(double v) {
    return print_number(static_cast<double>(static_cast<long long>(v * 1000.0 + (v < 0.0 ? -0.5 : 0.5))) / 1000.0) +
           " V";
}

// A curve must be a voltage all the way: a table of it is made over its whole range, and cells go beyond their windows.
std::optional<BadParameter> bad_curve(const ElectrodeParameters& e, std::string_view where) {
    constexpr int looks = 1024;
    for (const CurveTerm& term : e.curve.terms) {
        if (!(term.rate >= -1e5 && term.rate <= 1e5)) {
            return BadParameter{std::string{where},
                                "a term's rate lies between -100000 and 100000, not at " + print_number(term.rate)};
        }
    }
    for (int i = 0; i <= looks; ++i) {
        const double s = e.curve.lowest + (e.curve.highest - e.curve.lowest) * static_cast<double>(i) / looks;
        const double volts = evaluate(e.curve, s).value;
        if (!(volts > -20.0 && volts < 20.0)) {
            return BadParameter{std::string{where},
                                "the open-circuit potential lies within 20 V all over the range, "
                                "and comes to " +
                                    print_number(volts) + " V at " + print_number(s)};
        }
    }
    return std::nullopt;
}

// That a tapped and a formed cell can be loaded.
std::optional<BadParameter> bad_starts(const ParticleParameters& p) {
    const double positive = evaluate(p.positive.curve, p.positive.pristine).value;
    const double least = positive - p.film.pristine_potential;
    const double film_from = std::max(p.film.potential, p.film.additive > 0.0 ? p.film.additive_potential : 0.0);
    const double most = positive - (p.film.grows ? film_from : evaluate(p.negative.curve, 0.1).value);
    if (!(p.tapped_voltage >= least && p.tapped_voltage <= most)) {
        return BadParameter{"tapped_voltage", "a tapped cell stands between " + volts_text(least) +
                                                  ", as it was filled, and " + volts_text(most) +
                                                  (p.film.grows ? ", where its film would begin to grow" : "") +
                                                  ", not at " + volts_text(p.tapped_voltage)};
    }
    const double surface = p.film.surface_ratio * p.negative.surface * p.negative.thickness * p.area *
                           (1.0 + p.film.surface_growth * p.negative.full);
    const double film = p.film.formed_thickness * surface / p.film.molar_volume * faraday / 3600.0;
    const double there = (p.positive.pristine - p.positive.full) * electrode_capacity(p.positive, p.area);
    if (p.film.grows && !(film < 0.5 * there)) {
        return BadParameter{"film.formed_thickness", "the film of a formed cell would hold " + print_number(film) +
                                                         " Ah, more than half of the " + print_number(there) +
                                                         " Ah that the positive electrode can give"};
    }
    return std::nullopt;
}

// That the curves and the stoichiometries are those of one cell, and the right way round.
std::optional<BadParameter> bad_window(const ParticleParameters& p) {
    const auto potential = [](const ElectrodeParameters& e, double s) {
        return evaluate(e.curve, std::clamp(s, e.curve.lowest, e.curve.highest)).value;
    };
    const double negative_full = potential(p.negative, p.negative.full);
    const double positive_full = potential(p.positive, p.positive.full);
    if (!(negative_full < positive_full)) {
        return BadParameter{"negative", "the electrodes are swapped: at full charge the negative one stands at " +
                                            volts_text(negative_full) + " and the positive one at " +
                                            volts_text(positive_full) + " against lithium"};
    }
    if (!(p.negative.full > p.negative.empty)) {
        return BadParameter{"negative.full", "charging fills the negative electrode: `full` lies above `empty`"};
    }
    if (!(p.positive.full < p.positive.empty)) {
        return BadParameter{"positive.full", "charging empties the positive electrode: `full` lies below `empty`"};
    }
    if (!(p.positive.pristine > p.positive.full && p.positive.pristine <= 1.0)) {
        return BadParameter{"positive.pristine",
                            "a fresh positive electrode holds more than a charged one, and at most 1"};
    }
    struct End {
        std::string_view where;
        double open_circuit, window;
        std::string_view name;
    };
    for (const End& end :
         {End{"positive.full", positive_full - negative_full, p.voltage_max, "full"},
          End{"positive.empty", potential(p.positive, p.positive.empty) - potential(p.negative, p.negative.empty),
              p.voltage_min, "empty"}}) {
        const double off = end.open_circuit - end.window;
        if (!(off < window_tolerance && off > -window_tolerance)) {
            return BadParameter{std::string{end.where},
                                "the stoichiometries cannot reach the window: " + std::string{end.name} +
                                    ", the open circuit is " + volts_text(end.open_circuit) +
                                    " and the window ends at " + volts_text(end.window)};
        }
    }
    if (auto bad = bad_starts(p)) {
        return bad;
    }
    const double in = (p.negative.full - p.negative.empty) * electrode_capacity(p.negative, p.area);
    const double out = (p.positive.empty - p.positive.full) * electrode_capacity(p.positive, p.area);
    if (!(in < out * (1.0 + capacity_tolerance) && in > out * (1.0 - capacity_tolerance))) {
        return BadParameter{"negative.full", "over the window the negative electrode takes " + print_number(in) +
                                                 " Ah and the positive one gives " + print_number(out) +
                                                 " Ah; one cell has one charge"};
    }
    if (!(in > 0.5 * p.capacity && in < 2.0 * p.capacity)) {
        return BadParameter{"capacity", "the electrodes exchange " + print_number(in) +
                                            " Ah over the window, which is not a cell of " + print_number(p.capacity) +
                                            " Ah"};
    }
    return std::nullopt;
}

}  // namespace

double electrode_capacity(const ElectrodeParameters& electrode, double area) {
    const double solid = electrode.surface * electrode.radius / 3.0;
    return faraday * area * electrode.thickness * solid * electrode.concentration / 3600.0;
}

ParticleParameters scaled(ParticleParameters parameters, double capacity) {
    const double ratio = capacity / parameters.capacity;
    parameters.capacity = capacity;
    parameters.area *= ratio;
    parameters.film.additive *= ratio;
    parameters.heat_capacity *= ratio;
    parameters.cooling *= ratio;
    parameters.contact_resistance /= ratio;
    parameters.leakage_resistance /= ratio;
    parameters.double_layer *= ratio;
    return parameters;
}

std::optional<BadParameter> find_bad(const ParticleParameters& parameters) {
    if (auto bad = bad_number(parameters)) {
        return bad;
    }
    if (parameters.faults.size() > 32) {
        return BadParameter{"faults", "at most 32 faults"};
    }
    for (const CellFault& fault : parameters.faults) {
        const bool resists = fault.kind != CellFaultKind::heat;
        if (!(fault.magnitude > 0.0 || (!resists && fault.magnitude == 0.0)) || !(fault.magnitude < 1e12)) {
            return BadParameter{"faults", "a fault's size is above 0, not " + print_number(fault.magnitude)};
        }
        if (!(fault.after_time >= 0.0 && fault.after_charge >= 0.0)) {
            return BadParameter{"faults", "a fault begins at or after the start"};
        }
    }
    if (auto bad = bad_electrolyte(parameters)) {
        return bad;
    }
    if (auto bad = bad_curve(parameters.negative, "negative.curve")) {
        return bad;
    }
    if (auto bad = bad_curve(parameters.positive, "positive.curve")) {
        return bad;
    }
    return bad_window(parameters);
}

Result<void> check(const ParticleParameters& parameters) {
    if (const auto bad = find_bad(parameters)) {
        return fail(Failure::bad_data, "the cell cannot be: " + bad->where + ": " + bad->what);
    }
    return {};
}

}  // namespace slowfilm::sim
