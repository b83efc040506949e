#include "sim/sets/particle_sets.hpp"

#include "daemon/core/text.hpp"
#include "daemon/protocol/toml_reader.hpp"

#include <utility>

namespace slowfilm::sim {

namespace {

using protocol::Document;
using protocol::Need;
using protocol::Table;

// A number that must be there; 0 stands for one that is not, whose absence has been told.
double required(Table& table, std::string_view key) {
    return table.number(key, Need::required).value_or(0.0);
}

void read_terms(Table& table, std::string_view key, TermKind kind, CurveFormula& curve) {
    for (Table& term : table.tables(key)) {
        CurveTerm read{.kind = kind};
        read.amplitude = required(term, "amplitude");
        read.rate = required(term, "rate");
        read.centre = required(term, "centre");
        curve.terms.push_back(read);
    }
}

void read_electrode(Table& root, std::string_view name, ElectrodeParameters& electrode) {
    std::optional<Table> table = root.table(name, Need::required);
    if (!table) {
        return;
    }
    electrode.thickness = required(*table, "thickness");
    electrode.porosity = required(*table, "porosity");
    electrode.transport = required(*table, "transport");
    electrode.radius = required(*table, "radius");
    electrode.surface = required(*table, "surface");
    electrode.concentration = required(*table, "concentration");
    electrode.diffusivity = required(*table, "diffusivity");
    electrode.diffusivity_activation = required(*table, "diffusivity_activation");
    electrode.rate = required(*table, "rate");
    electrode.rate_activation = required(*table, "rate_activation");
    electrode.empty = required(*table, "empty");
    electrode.full = required(*table, "full");
    if (std::optional<Table> curve = table->table("curve", Need::required)) {
        electrode.curve.constant = required(*curve, "constant");
        electrode.curve.slope = curve->number("slope").value_or(0.0);
        electrode.curve.lowest = curve->number("lowest").value_or(0.0);
        electrode.curve.highest = curve->number("highest").value_or(1.0);
        read_terms(*curve, "exponential", TermKind::exponential, electrode.curve);
        read_terms(*curve, "hyperbolic", TermKind::hyperbolic, electrode.curve);
    }
    if (name == "positive") {
        electrode.pristine = required(*table, "pristine");
    }
}

void read_electrolyte(Table& root, ElectrolyteParameters& salt) {
    if (std::optional<Table> table = root.table("electrolyte", Need::required)) {
        salt.concentration = required(*table, "concentration");
        salt.transference = required(*table, "transference");
        salt.activation = required(*table, "activation");
        if (std::optional<Table> conductivity = table->table("conductivity", Need::required)) {
            salt.conductivity_3 = required(*conductivity, "cubic");
            salt.conductivity_15 = required(*conductivity, "three_halves");
            salt.conductivity_1 = required(*conductivity, "linear");
        }
        if (std::optional<Table> diffusivity = table->table("diffusivity", Need::required)) {
            salt.diffusivity_2 = required(*diffusivity, "square");
            salt.diffusivity_1 = required(*diffusivity, "linear");
            salt.diffusivity_0 = required(*diffusivity, "constant");
        }
    }
    if (std::optional<Table> table = root.table("separator", Need::required)) {
        salt.separator_thickness = required(*table, "thickness");
        salt.separator_porosity = required(*table, "porosity");
        salt.separator_transport = required(*table, "transport");
    }
}

void read_film(Table& root, FilmParameters& film) {
    std::optional<Table> table = root.table("film", Need::required);
    if (!table) {
        return;
    }
    film.grows = table->truth("grows").value_or(true);
    film.surface_ratio = required(*table, "surface_ratio");
    film.surface_growth = required(*table, "surface_growth");
    film.tunnel_length = required(*table, "tunnel_length");
    film.molar_volume = required(*table, "molar_volume");
    film.potential = required(*table, "potential");
    film.exchange = required(*table, "exchange");
    film.transfer = required(*table, "transfer");
    film.activation = required(*table, "activation");
    film.diffusion = required(*table, "diffusion");
    film.additive = required(*table, "additive");
    film.additive_potential = required(*table, "additive_potential");
    film.additive_exchange = required(*table, "additive_exchange");
    film.resistivity = required(*table, "resistivity");
    film.heat_potential = required(*table, "heat_potential");
    film.pristine_potential = required(*table, "pristine_potential");
    film.pristine_decay = required(*table, "pristine_decay");
    film.formed_thickness = required(*table, "formed_thickness");
}

void read_rest(Table& root, ParticleParameters& p) {
    p.contact_resistance = root.number("contact_resistance").value_or(0.0);
    p.leakage_resistance = root.number("leakage_resistance").value_or(1e300);
    p.double_layer = root.number("double_layer").value_or(0.0);
    p.formed_charge = root.number("formed_charge").value_or(p.formed_charge);
    p.tapped_voltage = root.number("tapped_voltage").value_or(p.tapped_voltage);
    if (std::optional<Table> wetting = root.table("wetting")) {
        p.wetted = required(*wetting, "share");
        p.wetting_time = required(*wetting, "time");
    }
    if (std::optional<Table> plating = root.table("plating")) {
        p.plating.happens = true;
        p.plating.exchange = required(*plating, "exchange");
        p.plating.reversible = required(*plating, "reversible");
    }
    if (std::optional<Table> heat = root.table("heat", Need::required)) {
        p.heat_capacity = required(*heat, "heat_capacity");
        p.cooling = required(*heat, "cooling");
    }
}

// What find_bad() calls by the number's name stands a level deeper in the file.
std::string path_of(const BadParameter& bad) {
    for (const std::string_view end : {".lowest", ".highest"}) {
        if (bad.where.ends_with(end)) {
            return bad.where.substr(0, bad.where.size() - end.size()) + ".curve" + std::string{end};
        }
    }
    if (bad.where == "wetted") {
        return "wetting.share";
    }
    return bad.where == "wetting_time" ? "wetting.time" : bad.where;
}

}  // namespace

ReadSet read_particle_set(std::string file, std::string_view text) {
    Document document = Document::parse(std::move(file), text);
    ReadSet read;
    if (document.readable()) {
        Table root = document.root();
        ParticleParameters p;
        (void)root.integer("format", 1, 1, Need::required);
        p.name = root.text("name", Need::required).value_or("");
        p.chemistry = root.text("chemistry", Need::required).value_or("");
        p.compared = root.text("compared").value_or("");
        p.capacity = required(root, "capacity");
        p.area = required(root, "area");
        p.voltage_min = required(root, "voltage_min");
        p.voltage_max = required(root, "voltage_max");
        read_electrode(root, "negative", p.negative);
        read_electrode(root, "positive", p.positive);
        read_electrolyte(root, p.electrolyte);
        read_film(root, p.film);
        read_rest(root, p);
        document.refuse_unknown_keys();
        if (!document.diagnostics().has_errors()) {
            if (const auto bad = find_bad(p)) {
                document.diagnostics().error(document.places().of(path_of(*bad)), bad->what);
            } else {
                read.parameters = std::move(p);
            }
        }
    }
    document.diagnostics().sort();
    read.diagnostics = document.diagnostics();
    return read;
}

Result<ParticleParameters> particle_set_in(const std::string& path) {
    const Result<std::string> text = protocol::read_file_bounded(path);
    if (!text) {
        return tl::unexpected(text.error());
    }
    ReadSet read = read_particle_set(path, *text);
    if (!read.parameters) {
        return fail(Failure::bad_data, render(read.diagnostics, *text));
    }
    return std::move(*read.parameters);
}

Result<std::string, std::string> chemistry_of_set_in(const std::string& path) {
    Result<ParticleParameters> set = particle_set_in(path);
    if (!set) {
        const bool told = set.error().failure == Failure::bad_data;
        return tl::unexpected(told ? set.error().message : "error: " + set.error().message + "\n");
    }
    return std::move(set->chemistry);
}

Result<ParticleParameters> particle_set(const std::string& name) {
    const std::string chemistry = name == "other" ? "NMC/graphite" : name;
    const bool is_chemistry = chemistry.find('/') != std::string::npos && chemistry.find('.') == std::string::npos;
    std::string known;
    for (const ShippedSet& set : shipped_sets()) {
        known += (known.empty() ? "" : ", ") + std::string{set.name};
        if (set.name != name && !is_chemistry) {
            continue;
        }
        ReadSet read = read_particle_set(std::string{set.name}, set.text);
        if (read.parameters && (set.name == name || read.parameters->chemistry == chemistry)) {
            return std::move(*read.parameters);
        }
    }
    Result<ParticleParameters> set = particle_set_in(name);
    if (!set && set.error().failure == Failure::bad_data) {
        return fail(Failure::bad_data, "the parameter set cannot be used\n" + set.error().message);
    }
    if (!set) {
        return fail(set.error().failure, "no parameter set and no file is called \"" + escaped(name, 200) + "\" (" +
                                             set.error().message + "); built in are " + known);
    }
    return set;
}

}  // namespace slowfilm::sim
