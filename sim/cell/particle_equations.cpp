#include "sim/cell/particle_equations.hpp"

#include "sim/cell/elementary.hpp"

#include <algorithm>

namespace slowfilm::sim {

CurveFormula pristine_curve(const ParticleParameters& parameters) {
    CurveFormula curve = parameters.negative.curve;
    const FilmParameters& film = parameters.film;
    const double rise = film.pristine_potential - evaluate(curve, pristine_stoichiometry).value;
    curve.terms.push_back({TermKind::exponential, rise, -1.0 / film.pristine_decay, pristine_stoichiometry});
    return curve;
}

ParticleModes particle_modes(const ParticleParameters& parameters) {
    return {sphere_modes(), electrolyte_modes(parameters)};
}

ParticleEquations::ParticleEquations(const ParticleParameters& parameters)
    : ParticleEquations(parameters, particle_modes(parameters)) {}

ParticleEquations::ParticleEquations(const ParticleParameters& parameters, const ParticleModes& modes)
    : parameters_(parameters),
      modes_(modes),
      salt_first_(unknown::modes + 2 * modes.sphere.count),
      electrolyte_(parameters.electrolyte),
      negative_table_(pristine_curve(parameters)),
      positive_table_(parameters.positive.curve) {
    const ElectrodeParameters& negative = parameters_.negative;
    const ElectrodeParameters& positive = parameters_.positive;
    const double area = parameters_.area;
    negative_charge_ = 3600.0 * electrode_capacity(negative, area);
    positive_charge_ = 3600.0 * electrode_capacity(positive, area);
    negative_surface_ = negative.surface * negative.thickness * area;
    positive_surface_ = positive.surface * positive.thickness * area;
    film_charge_per_volume_ = faraday / parameters_.film.molar_volume;
    additive_charge_ = parameters_.film.grows ? parameters_.film.additive * faraday : 0.0;
    plating_scale_ = 0.15 * negative_surface_;
    const ElectrolyteParameters& salt = parameters_.electrolyte;
    ohmic_negative_ = negative.thickness / (3.0 * negative.transport * area);
    ohmic_separator_ = salt.separator_thickness / (salt.separator_transport * area);
    ohmic_positive_ = positive.thickness / (3.0 * positive.transport * area);
    for (std::size_t m = 0; m < modes_.salt.count; ++m) {
        modes_.salt.gain[m] /= area;
    }
    for (ElectrolyteModes::Region* region : {&modes_.salt.negative, &modes_.salt.separator, &modes_.salt.positive}) {
        region->rest /= area;
    }
}

ParticleEquations ParticleEquations::sound() const {
    ParticleEquations same = *this;
    same.parameters_.ambient = reference_temperature - zero_celsius;
    same.parameters_.reversed = false;
    same.parameters_.faults.clear();
    return same;
}

ParticleEquations::Warm ParticleEquations::warm(double temperature) const {
    const double colder = (1.0 / reference_temperature - 1.0 / temperature) / gas_constant;
    const auto arrhenius = [&](double activation) { return elementary::exp(activation * colder); };
    const ElectrodeParameters& negative = parameters_.negative;
    const ElectrodeParameters& positive = parameters_.positive;
    const FilmParameters& film = parameters_.film;
    Warm now;
    now.temperature = temperature;
    now.thermal = gas_constant * temperature / faraday;
    now.diffusion = diffusion(temperature);
    now.salt = now.conductivity = arrhenius(parameters_.electrolyte.activation);
    now.negative_exchange = 2.0 * negative_surface_ * faraday * negative.rate * arrhenius(negative.rate_activation);
    now.positive_exchange = 2.0 * positive_surface_ * faraday * positive.rate * arrhenius(positive.rate_activation);
    if (film.grows) {
        now.film = arrhenius(film.activation);
        now.additive =
            elementary::exp(film.transfer * (film.additive_potential - film.potential) / now.thermal) * now.film;
    }
    return now;
}

ParticleEquations::Diffusion ParticleEquations::diffusion(double temperature) const {
    const double colder = (1.0 / reference_temperature - 1.0 / temperature) / gas_constant;
    const auto rate = [&](const ElectrodeParameters& electrode) {
        return electrode.diffusivity / (electrode.radius * electrode.radius) *
               elementary::exp(electrode.diffusivity_activation * colder);
    };
    return {rate(parameters_.negative), rate(parameters_.positive)};
}

double ParticleEquations::wetted(double time) const {
    if (!wets()) {
        return 1.0;
    }
    return 1.0 - (1.0 - parameters_.wetted) * elementary::exp(-time / parameters_.wetting_time);
}

double ParticleEquations::wet_graphite(const ParticleState& y, double time) const {
    const double wet = wetted(time);
    return (y[unknown::negative] - (1.0 - wet) * pristine_stoichiometry) / wet;
}

double ParticleEquations::film_surface(const ParticleState& y, double time, double opened) const {
    const FilmParameters& film = parameters_.film;
    return film.surface_ratio * negative_surface_ * wetted(time) *
           (1.0 + film.surface_growth * std::max(opened, wet_graphite(y, time)));
}

double ParticleEquations::film_thickness(const ParticleState& y, double time, double opened) const {
    if (!parameters_.film.grows) {
        return 0.0;
    }
    return y[unknown::film] / (film_charge_per_volume_ * film_surface(y, time, opened));
}

double ParticleEquations::lithium(const ParticleState& y) const {
    return y[unknown::negative] * negative_charge_ + y[unknown::positive] * positive_charge_ + y[unknown::film] +
           y[unknown::plated] + y[unknown::dead] - parameters_.double_layer * y[unknown::graphite];
}

double ParticleEquations::open_circuit(double negative, double positive) const {
    return positive_table_.at(positive).value - negative_table_.at(negative).value;
}

ParticleEquations::Formed ParticleEquations::formed() const {
    const ParticleParameters& p = parameters_;
    const double share = p.formed_charge;
    if (!p.film.grows) {
        return {p.negative.empty + share * (p.negative.full - p.negative.empty),
                p.positive.empty + share * (p.positive.full - p.positive.empty), p.negative.full, 0.0};
    }
    const double made = pristine_stoichiometry * negative_charge_ + p.positive.pristine * positive_charge_;
    const auto positive_of = [&](double x, double film) {
        return (made - film - x * negative_charge_) / positive_charge_;
    };
    const auto filled_to = [&](double voltage, double film) {
        double low = 0.0;
        double high = 1.0;
        for (int i = 0; i < 60; ++i) {
            const double middle = 0.5 * (low + high);
            (open_circuit(middle, positive_of(middle, film)) < voltage ? low : high) = middle;
        }
        return low;
    };
    // The film covers what the fullest charge has opened, and what is in it was missing there.
    double film = 0.0;
    double full = 0.0;
    for (int i = 0; i < 20; ++i) {
        full = filled_to(p.voltage_max, film);
        film = p.film.formed_thickness * film_charge_per_volume_ * p.film.surface_ratio * negative_surface_ *
               (1.0 + p.film.surface_growth * full);
    }
    const double empty = filled_to(p.voltage_min, film);
    const double x = empty + share * (full - empty);
    return {x, positive_of(x, film), full, film};
}

ParticleState ParticleEquations::start(CellState state, double& opened) const {
    const ElectrodeParameters& positive = parameters_.positive;
    ParticleState y{};
    double x = pristine_stoichiometry;
    double p = positive.pristine;
    y[unknown::additive] = additive_charge_;
    opened = x;
    switch (state) {
        case CellState::pristine: break;
        case CellState::tapped: {
            // So little charge that no film has grown: it stays above the potential at which any does.
            const double per_negative = negative_charge_ / positive_charge_;
            double low = 0.0;
            double high = 0.1;
            for (int i = 0; i < 60; ++i) {
                const double middle = 0.5 * (low + high);
                const bool below = open_circuit(x + middle, p - middle * per_negative) < parameters_.tapped_voltage;
                (below ? low : high) = middle;
            }
            x += low;
            p -= low * per_negative;
            opened = x;
            break;
        }
        case CellState::formed: {
            const Formed formation = formed();
            x = formation.negative;
            p = formation.positive;
            opened = formation.opened;
            y[unknown::film] = formation.film;
            y[unknown::additive] = 0.0;
            break;
        }
    }
    const double wet = wetted(0.0);
    y[unknown::negative] = wet * x + (1.0 - wet) * pristine_stoichiometry;
    y[unknown::positive] = wet * p + (1.0 - wet) * positive.pristine;
    y[unknown::temperature] = parameters_.ambient + zero_celsius;
    y[unknown::graphite] = negative_table_.at(x).value;
    return y;
}

}  // namespace slowfilm::sim
