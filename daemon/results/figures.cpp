#include "daemon/results/figures.hpp"

#include "daemon/core/text.hpp"
#include "daemon/core/unit.hpp"
#include "daemon/results/figures_measured.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <utility>

namespace slowfilm::results {

namespace {

constexpr std::array<FigureDefinition, figure_count> definitions{{
    {.id = FigureId::first_cycle_efficiency,
     .name = "first_cycle_efficiency",
     .dimension = Dimension::ratio,
     .formula = "charge out of the first full discharge / net charge (in minus out since pristine) at its start",
     .source = "the trade's definition; its complement is the first cycle's irreversible loss",
     .undefined_when =
         "no discharge has ended a cycle, the cell was formed before the run, what went into a tapped cell "
         "before the run is not known, or nobody watched while current flowed before the discharge's end",
     .of_a_step = false},
    {.id = FigureId::coulombic_efficiency,
     .name = "coulombic_efficiency",
     .dimension = Dimension::ratio,
     .formula = "charge out / charge in of one cycle",
     .source = "the trade's definition",
     .undefined_when = "the cycle is not complete, did not begin at a full discharge or a pristine cell, "
                       "took no charge, or had a gap under current",
     .of_a_step = false},
    {.id = FigureId::energy_efficiency,
     .name = "energy_efficiency",
     .dimension = Dimension::ratio,
     .formula = "energy out / energy in of one cycle",
     .source = "the trade's definition: coulombic efficiency times the ratio of the mean voltages",
     .undefined_when = "as for coulombic_efficiency",
     .of_a_step = false},
    {.id = FigureId::charge_capacity,
     .name = "charge_capacity",
     .dimension = Dimension::charge,
     .formula = "charge that went in: in one complete cycle, or in one visit of a step",
     .source = "the integral of the measured current over time (IEC 61960-3 measures rated capacity so, on discharge)",
     .undefined_when = "the cycle is not complete, no such visit, or a gap under current",
     .of_a_step = true},
    {.id = FigureId::discharge_capacity,
     .name = "discharge_capacity",
     .dimension = Dimension::charge,
     .formula = "charge that came out: in one complete cycle, or in one visit of a step",
     .source = "the integral of the measured current over time (IEC 61960-3 measures rated capacity so)",
     .undefined_when = "the cycle is not complete, no such visit, or a gap under current",
     .of_a_step = true},
    {.id = FigureId::dc_resistance,
     .name = "dc_resistance",
     .dimension = Dimension::resistance,
     .formula = "(U1 - U2) / (I2 - I1) from the last readings of two current levels of a pulse, or of one level and of "
                "the rest before it",
     .source = "IEC 61960-3, DC internal resistance by two levels",
     .undefined_when =
         "no pulse went through, the stage was at its bound, a level was off its time by more than 0.1 s, "
         "no good reading came before a switch, or the levels have the same current",
     .of_a_step = true},
    {.id = FigureId::k_value,
     .name = "k_value",
     .dimension = Dimension::voltage_slope,
     .formula = "(U1 - U2) / (t2 - t1) of the open-circuit voltage, means at two times",
     .source = "the trade's definition of self-discharge by voltage; its interval is the usual one of a difference of "
               "means",
     .undefined_when =
         "no two such means were kept, one is of fewer than 30 readings, the temperatures are not known or "
         "differ by more than 1 K, or nothing isolates the cell",
     .of_a_step = true},
}};

constexpr std::string_view no_uncertainty_yet =
    "the instrument's accuracy, range and offset are not yet carried through to this figure";

// "1.3" is pass 3 of the innermost repeat.
std::optional<std::uint32_t> innermost(const std::string& pass) {
    const std::size_t dot = pass.rfind('.');
    const char* begin = pass.data() + (dot == std::string::npos ? 0 : dot + 1);
    std::uint32_t value = 0;
    if (std::from_chars(begin, pass.data() + pass.size(), value).ec != std::errc{}) {
        return std::nullopt;
    }
    return value;
}

}  // namespace

Figure undefined(const FigureDefinition& definition, std::string reason) {
    Figure figure;
    figure.name = definition.name;
    figure.unit = unit_of(definition.dimension).name;
    figure.reason = std::move(reason);
    figure.uncertainty_reason = "there is no value";
    return figure;
}

Figure defined(const FigureDefinition& definition, double value) {
    if (!std::isfinite(value)) {
        return undefined(definition, "the record's charges give no finite number");
    }
    Figure figure = undefined(definition, "");
    figure.value = value;
    figure.uncertainty_reason = no_uncertainty_yet;
    return figure;
}

std::uint32_t cycle_at(std::span<const Cycle> cycles, std::size_t index) {
    for (const Cycle& cycle : cycles) {
        if (index < cycle.visits_end) {
            return cycle.number;
        }
    }
    return static_cast<std::uint32_t>(cycles.size()) + 1;  // a rest after the last one
}

bool fits(const FigureInput& input, std::size_t index, const Selector& selector) {
    const ledger::VisitRecord& visit = input.run.visits[index];
    const bool named =
        !selector.step || visit.path == *selector.step || (!visit.name.empty() && visit.name == *selector.step);
    return named && (!selector.cycle || cycle_at(input.cycles, index) == *selector.cycle) &&
           (!selector.pass || innermost(visit.pass) == selector.pass);
}

namespace {

bool moves_current(const ledger::VisitRecord& visit) {
    constexpr std::array<std::string_view, 5> kinds{"charge", "discharge", "hold", "ramp", "pulse"};
    return std::find(kinds.begin(), kinds.end(), visit.kind) != kinds.end();
}

// A gap under current leaves the charge of its visit unknown: "visit 7" of such a one among [first, end), or nothing.
std::optional<std::string> unwatched(const ledger::RunData& run, std::size_t first, std::size_t end) {
    for (const ledger::EventRecord& record : run.events) {
        if (record.event.kind != EventKind::gap) {
            continue;
        }
        for (std::size_t i = first; i < end; ++i) {
            const ledger::VisitRecord& visit = run.visits[i];
            if (visit.visit == record.event.visit && moves_current(visit)) {
                return "nobody watched for " + print_span(Duration{record.event.value}) + " in step " + visit.path +
                       ", which moves current: its charge is not known";
            }
        }
    }
    return std::nullopt;
}

// Where the discharge that ends a cycle began: the steps before it that put nothing in belong to the same discharge.
std::size_t discharge_begin(const ledger::RunData& run, std::size_t last) {
    std::size_t first = last;
    for (std::size_t i = last; i > 0; --i) {
        const ledger::VisitRecord& before = run.visits[i - 1];
        if (before.ends_cycle || before.kind == "charge" || before.charge_in_ah > before.charge_out_ah) {
            break;
        }
        if (moves_current(before)) {  // a pulse or a ramp takes out as well
            first = i - 1;
        }
    }
    return first;
}

Figure first_cycle_efficiency(const FigureDefinition& definition, const FigureInput& input) {
    if (!input.beginning.unknown.empty()) {
        return undefined(definition, input.beginning.unknown);
    }
    if (input.beginning.state == CellState::formed) {
        return undefined(definition, "the cell was formed before this run began, so this run has no first cycle");
    }
    const std::vector<ledger::VisitRecord>& visits = input.run.visits;
    std::size_t last = 0;
    while (last < visits.size() && !(visits[last].ends_cycle && visits[last].kind == "discharge")) {
        ++last;
    }
    if (last == visits.size()) {
        return undefined(definition, "no discharge has gone down to the end of the window yet");
    }
    if (auto gap = unwatched(input.run, 0, last + 1)) {
        return undefined(definition, std::move(*gap));
    }
    const std::size_t first = discharge_begin(input.run, last);
    double out = 0.0;
    for (std::size_t i = first; i <= last; ++i) {
        out += visits[i].charge_out_ah - visits[i].charge_in_ah;
    }
    const double net = ampere_hours(input.beginning.net_before) + visits[first].net_at_start_ah;
    if (!(net > 0.0)) {
        return undefined(definition, "no net charge had gone in when the first full discharge began");
    }
    Figure figure = defined(definition, out / net);
    figure.cycle = 1;
    return figure;
}

double capacity_of(FigureId id, double in, double out) {
    return id == FigureId::charge_capacity ? in : out;
}

Figure of_step(const FigureDefinition& definition, const FigureInput& input, const Selector& selector) {
    if (!definition.of_a_step) {
        return undefined(definition, "it is a figure of a whole cycle, not of a step");
    }
    const std::vector<ledger::VisitRecord>& visits = input.run.visits;
    for (std::size_t i = visits.size(); i-- > 0;) {
        if (!fits(input, i, selector)) {
            continue;
        }
        if (auto gap = unwatched(input.run, i, i + 1)) {
            return undefined(definition, std::move(*gap));
        }
        Figure figure =
            defined(definition, capacity_of(definition.id, visits[i].charge_in_ah, visits[i].charge_out_ah));
        figure.cycle = cycle_at(input.cycles, i);
        return figure;
    }
    std::string what = "step \"" + escaped(*selector.step, 80) + "\"";
    what += selector.cycle ? " of cycle " + std::to_string(*selector.cycle) : "";
    what += selector.pass ? " in pass " + std::to_string(*selector.pass) : "";
    return undefined(definition, what + " was not visited in this run");
}

const Cycle* chosen_cycle(std::span<const Cycle> cycles, const Selector& selector) {
    const Cycle* chosen = nullptr;
    for (const Cycle& cycle : cycles) {
        if (selector.cycle ? cycle.number == *selector.cycle : cycle.complete) {
            chosen = &cycle;
        }
    }
    return chosen;
}

Figure of_cycle(const FigureDefinition& definition, const FigureInput& input, const Selector& selector) {
    if (selector.pass) {
        return undefined(definition, "a pass is counted of a step: the rule names a pass and no step");
    }
    const Cycle* cycle = chosen_cycle(input.cycles, selector);
    if (cycle == nullptr) {
        return undefined(definition, selector.cycle ? "the run had no cycle " + std::to_string(*selector.cycle)
                                                    : std::string{"no cycle was completed by a full discharge"});
    }
    if (!cycle->complete) {
        return undefined(definition,
                         "cycle " + std::to_string(cycle->number) + " was not completed by a full discharge");
    }
    Figure figure;
    if (definition.of_a_step) {
        auto gap = unwatched(input.run, cycle->first_visit, cycle->visits_end);
        figure = gap ? undefined(definition, std::move(*gap))
                     : defined(definition, capacity_of(definition.id, cycle->charge_ah, cycle->discharge_ah));
    } else {
        const std::optional<double>& value =
            definition.id == FigureId::coulombic_efficiency ? cycle->coulombic_efficiency : cycle->energy_efficiency;
        figure = value ? defined(definition, *value) : undefined(definition, cycle->reason);
    }
    figure.cycle = cycle->number;
    return figure;
}

// Why the first cycle of a run did not begin where a cycle begins: at a full discharge, or at a pristine cell.
std::string begun_elsewhere(const Beginning& beginning) {
    if (!beginning.unknown.empty()) {
        return beginning.unknown;
    }
    switch (beginning.state) {
        case CellState::pristine: return "";
        case CellState::tapped: return "charge had gone into the tapped cell before this run";
        case CellState::formed:
            return "the run began with a formed cell, so its first cycle did not begin at a full discharge";
    }
    return "";
}

void rate_cycle(Cycle& cycle, const ledger::RunData& run, const Beginning& beginning) {
    if (!cycle.complete) {
        cycle.reason = "the cycle was not completed by a full discharge";
    } else if (std::string elsewhere = begun_elsewhere(beginning); cycle.number == 1 && !elsewhere.empty()) {
        cycle.reason = std::move(elsewhere);
    } else if (auto gap = unwatched(run, cycle.first_visit, cycle.visits_end)) {
        cycle.reason = std::move(*gap);
    } else if (!(cycle.charge_ah > 0.0) || !(cycle.charge_wh > 0.0)) {
        cycle.reason = "no charge went in during the cycle";
    } else {
        cycle.coulombic_efficiency = cycle.discharge_ah / cycle.charge_ah;
        cycle.energy_efficiency = cycle.discharge_wh / cycle.charge_wh;
    }
}

}  // namespace

std::span<const FigureDefinition> figure_definitions() {
    return definitions;
}

const FigureDefinition* find_figure(std::string_view name) {
    const std::optional<FigureId> id = figure_named(name);
    return id ? &definitions[static_cast<std::size_t>(*id)] : nullptr;
}

std::vector<Cycle> cycles_of(const ledger::RunData& run, const Beginning& beginning) {
    std::vector<Cycle> cycles;
    Cycle cycle;
    bool moved = false;
    const auto close = [&](std::size_t end, bool complete) {
        cycle.complete = complete;
        cycle.visits_end = end;
        rate_cycle(cycle, run, beginning);
        cycles.push_back(cycle);
        const std::uint32_t next = cycle.number + 1;
        cycle = Cycle{};
        cycle.number = next;
        cycle.first_visit = end;
        moved = false;
    };
    for (std::size_t i = 0; i < run.visits.size(); ++i) {
        const ledger::VisitRecord& visit = run.visits[i];
        cycle.charge_ah += visit.charge_in_ah;
        cycle.discharge_ah += visit.charge_out_ah;
        cycle.charge_wh += visit.energy_in_wh;
        cycle.discharge_wh += visit.energy_out_wh;
        moved = moved || moves_current(visit);
        if (visit.ends_cycle) {
            close(i + 1, true);
        }
    }
    if (moved) {
        close(run.visits.size(), false);
    }
    return cycles;
}

Figure compute(const FigureDefinition& figure, const FigureInput& input, const Selector& selector) {
    if (figure.id == FigureId::first_cycle_efficiency) {
        return first_cycle_efficiency(figure, input);
    }
    if (figure.id == FigureId::dc_resistance) {
        return dc_resistance(figure, input, selector);
    }
    if (figure.id == FigureId::k_value) {
        return k_value(figure, input, selector);
    }
    return selector.step ? of_step(figure, input, selector) : of_cycle(figure, input, selector);
}

}  // namespace slowfilm::results
