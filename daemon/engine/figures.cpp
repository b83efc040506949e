// What the run knows of its own figures: enough for only_if and for the end of a repeat. The definitions are those of
// results/figures.cpp; a test holds the two together.
#include "daemon/engine/machine.hpp"

namespace slowfilm::engine {

namespace {

constexpr std::size_t index_of(FigureId id) {
    return static_cast<std::size_t>(id);
}

template <class Q>
FigureValue known(const std::optional<Q>& value) {
    return value ? FigureValue{.value = value->count, .defined = true} : FigureValue{};
}

FigureValue known_energy_ratio(double out, double in) {
    constexpr double ppm = 1e6;
    return in > 0.0 ? FigureValue{.value = static_cast<std::int64_t>(out / in * ppm + 0.5), .defined = true}
                    : FigureValue{};
}

bool moves_current(StepKind kind) {
    switch (kind) {
        case StepKind::charge:
        case StepKind::discharge:
        case StepKind::hold:
        case StepKind::ramp:
        case StepKind::pulse: return true;
        case StepKind::rest:
        case StepKind::ask:
        case StepKind::repeat: return false;
    }
    return true;
}

}  // namespace

// The visit that has just ended, taken into the cycle; figures that it completes are known from here on.
void Machine::note_figures(const PlanStep& step) {
    const VisitTotals& visit = run_.last_visit;
    const Charge in = visit.charge_in.whole;
    const Charge out = visit.charge_out.whole;
    run_.cycle_in += in;
    run_.cycle_out += out;
    run_.cycle_energy_in += visit.energy_in;
    run_.cycle_energy_out += visit.energy_out;
    run_.discharging = step.kind == StepKind::charge || in > out ? Charge{} : run_.discharging + out - in;
    if (run_.uncertain_visit.count > 0 && moves_current(step.kind)) {
        run_.cycle_whole = false;
        run_.first_cycle_known = false;
    }
    if (step.measures && visit.ended_by == EndReason::voltage && run_.uncertain_visit.count == 0) {
        run_.history.measured = out - in;
    }
    if (visit.no_resistance == NoResistance::none) {
        run_.figures[index_of(FigureId::dc_resistance)] = known(std::optional{visit.resistance});
    }
    if (run_.step_mark.next > 1) {
        run_.figures[index_of(FigureId::k_value)] = k_value({}, {});
    }
    if (visit.ends_cycle) {
        end_cycle(step, visit.ended_by);
    }
}

void Machine::end_cycle(const PlanStep& step, EndReason reason) {
    const bool full = step.ends_cycle_by_voltage && reason == EndReason::voltage;
    const auto put = [&](FigureId id, const FigureValue& value) { run_.figures[index_of(id)] = value; };
    const auto put_of_whole = [&](FigureId id, const FigureValue& value) {
        put(id, run_.cycle_whole ? value : FigureValue{});
    };
    put_of_whole(FigureId::charge_capacity, known(std::optional{run_.cycle_in}));
    put_of_whole(FigureId::discharge_capacity, known(std::optional{run_.cycle_out}));
    put_of_whole(FigureId::coulombic_efficiency, known(ratio_of(run_.cycle_out, run_.cycle_in)));
    put_of_whole(FigureId::energy_efficiency, known_energy_ratio(run_.cycle_energy_out, run_.cycle_energy_in));
    if (full && run_.first_cycle_known) {
        put(FigureId::first_cycle_efficiency, known(ratio_of(run_.discharging, run_.history.net + run_.discharging)));
    }
    run_.first_cycle_known = run_.first_cycle_known && !full;
    run_.cycle_in = run_.cycle_out = Charge{};
    run_.cycle_energy_in = run_.cycle_energy_out = 0.0;
    run_.cycle_whole = full;
}

// The decay between two marks of the last visit that had any; nothing set: the first and the last.
FigureValue Machine::k_value(const Maybe<Duration>& from, const Maybe<Duration>& to) const {
    const Mark* first = nullptr;
    const Mark* last = nullptr;
    for (std::size_t i = 0; i < run_.mark_count; ++i) {
        const Mark& mark = run_.marks[i];
        if (from.set ? mark.at == from.value : first == nullptr) {
            first = &mark;
        }
        if (to.set ? mark.at == to.value : true) {
            last = &mark;
        }
    }
    if (!plan_.traits.isolates() || first == nullptr || last == nullptr || first == last ||
        first->readings < k_value_readings_min || last->readings < k_value_readings_min || !first->temperature_seen ||
        !last->temperature_seen) {
        return {};
    }
    const std::int64_t warmer = last->temperature.count - first->temperature.count;
    if (warmer > k_value_temperature_max.count || warmer < -k_value_temperature_max.count) {
        return {};
    }
    return known(decay_of(first->mean, last->mean, last->time - first->time));
}

Truth Machine::judge_only_if(const PlanStep& step) const {
    const OnlyIfPlan& rule = step.only_if;
    if (!rule.set) {
        return Truth::yes;
    }
    const FigureValue figure =
        rule.figure == FigureId::k_value ? k_value(rule.from, rule.to) : run_.figures[index_of(rule.figure)];
    if (!figure.defined) {
        return Truth::unknown;
    }
    const bool so = rule.above ? figure.value > rule.value : figure.value < rule.value;
    return so ? Truth::yes : Truth::no;
}

// At the end of a pass: does the repeat's figure still change? Takes note of it for the next.
bool Machine::figure_settled(const PlanStep& repeat) {
    if (!repeat.end_figure_set) {
        return false;
    }
    const FigureValue now = run_.figures[index_of(repeat.end_figure)];
    const FigureValue before = run_.pass_figure[repeat.depth];
    run_.pass_figure[repeat.depth] = now;
    if (!now.defined || !before.defined) {
        return false;
    }
    __extension__ using Wide = __int128;
    constexpr Wide ppm = 1'000'000;
    const Wide change = static_cast<Wide>(now.value) - before.value;
    const Wide size = before.value < 0 ? -static_cast<Wide>(before.value) : static_cast<Wide>(before.value);
    return (change < 0 ? -change : change) * ppm < size * repeat.end_figure_below.count;
}

}  // namespace slowfilm::engine
