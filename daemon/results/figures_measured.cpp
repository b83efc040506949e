#include "daemon/results/figures_measured.hpp"

#include "daemon/core/text.hpp"
#include "daemon/core/unit.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <optional>
#include <string>
#include <utility>
#include <vector>

namespace slowfilm::results {

namespace {

constexpr double normal_95 = 1.96;  // two-sided 95 % of the normal distribution

struct Why {
    std::string_view word, sentence;
};
constexpr std::array<Why, 5> why_none{{
    {"not through", "the pulse did not go through all its levels"},
    {"window reached", "the stage was at its bound, so the current was not the level's"},
    {"level time", "a level was off its written time by more than 0.1 s, which IEC 61960-3 does not allow"},
    {"no reading", "there was no good reading of voltage and current before a switch"},
    {"no change", "its levels have the same current"},
}};

std::string sentence_of(const std::string& word) {
    const auto found = std::find_if(why_none.begin(), why_none.end(), [&](const Why& why) { return why.word == word; });
    return found == why_none.end() ? "the record does not say why" : std::string{found->sentence};
}

std::string what_was_asked(const Selector& selector) {
    std::string what = selector.step ? "step \"" + escaped(*selector.step, 80) + "\"" : "a step";
    what += selector.cycle ? " of cycle " + std::to_string(*selector.cycle) : "";
    what += selector.pass ? " in pass " + std::to_string(*selector.pass) : "";
    return what;
}

// Every stretch of the run: a run may have been moved.
bool always_isolated(const ledger::RunData& run) {
    return run.header.traits.isolates() &&
           std::all_of(run.moves.begin(), run.moves.end(),
                       [](const ledger::MoveRecord& move) { return move.traits.isolates(); });
}

struct TwoMarks {
    const ledger::MarkRecord* first{nullptr};
    const ledger::MarkRecord* second{nullptr};
};

// Of one visit, or of the run's own: those written at `from` and `to`, else the first and the last.
std::optional<TwoMarks> two_of(const std::vector<const ledger::MarkRecord*>& marks, const Selector& selector) {
    const auto at = [&](Duration when) -> const ledger::MarkRecord* {
        const auto found = std::find_if(marks.begin(), marks.end(), [&](const auto* mark) { return mark->at == when; });
        return found == marks.end() ? nullptr : *found;
    };
    TwoMarks two;
    if (!marks.empty()) {
        two = {selector.from ? at(*selector.from) : marks.front(), selector.to ? at(*selector.to) : marks.back()};
    }
    const bool good = two.first != nullptr && two.second != nullptr && two.first->time < two.second->time;
    return good ? std::optional{two} : std::nullopt;
}

std::vector<const ledger::MarkRecord*> marks_of(const ledger::RunData& run, std::optional<std::uint32_t> visit) {
    std::vector<const ledger::MarkRecord*> marks;
    for (const ledger::MarkRecord& mark : run.marks) {
        if (visit ? !mark.of_run && mark.visit == *visit : mark.of_run) {
            marks.push_back(&mark);
        }
    }
    return marks;
}

// The last visit that fits and has both; without a step the run's own marks count too.
std::optional<TwoMarks> chosen_marks(const FigureInput& input, const Selector& selector) {
    const std::vector<ledger::VisitRecord>& visits = input.run.visits;
    for (std::size_t i = visits.size(); i-- > 0;) {
        if (!fits(input, i, selector)) {
            continue;
        }
        if (auto two = two_of(marks_of(input.run, visits[i].visit), selector)) {
            return two;
        }
    }
    return selector.step ? std::nullopt : two_of(marks_of(input.run, std::nullopt), selector);
}

std::optional<std::string> why_not(const TwoMarks& two, const ledger::RunData& run) {
    for (const ledger::MarkRecord* mark : {two.first, two.second}) {
        if (mark->readings < k_value_readings_min) {
            return "the mean at " + print_span(mark->at) + " is of " + std::to_string(mark->readings) +
                   " readings, and of fewer than " + std::to_string(k_value_readings_min) + " it says too little";
        }
        if (!mark->temperature) {
            return "the temperature at " + print_span(mark->at) + " is not known";
        }
    }
    const double apart = std::fabs(*two.first->temperature - *two.second->temperature);
    if (!(apart <= static_cast<double>(k_value_temperature_max.count) / 1e3)) {
        return "the temperature differs by " + print_fixed(apart, 2) +
               " K between the two, and by more than 1 K it moves the voltage more than self-discharge does";
    }
    if (!always_isolated(run)) {
        return "nothing isolates the cell on that channel: its off state is no open relay, and it has no contactor";
    }
    return std::nullopt;
}

Voltage nanovolts(double volts) {
    return {std::llround(volts * 1e9)};
}

}  // namespace

Figure dc_resistance(const FigureDefinition& definition, const FigureInput& input, const Selector& selector) {
    const std::vector<ledger::VisitRecord>& visits = input.run.visits;
    for (std::size_t i = visits.size(); i-- > 0;) {
        if (visits[i].kind != "pulse" || !fits(input, i, selector)) {
            continue;
        }
        Figure figure = visits[i].resistance ? defined(definition, *visits[i].resistance)
                                             : undefined(definition, sentence_of(visits[i].no_resistance));
        figure.cycle = cycle_at(input.cycles, i);
        return figure;
    }
    return undefined(definition, selector.step ? what_was_asked(selector) + " was not visited as a pulse in this run"
                                               : "no pulse was run");
}

Figure k_value(const FigureDefinition& definition, const FigureInput& input, const Selector& selector) {
    const std::optional<TwoMarks> two = chosen_marks(input, selector);
    if (!two) {
        return undefined(definition, "no two means of the open-circuit voltage were kept of " +
                                         what_was_asked(selector) +
                                         (selector.from || selector.to ? " at the times that are asked for"
                                                                       : " (keep.at with mean_of keeps them)"));
    }
    if (auto reason = why_not(*two, input.run)) {
        return undefined(definition, std::move(*reason));
    }
    const Duration span = two->second->time - two->first->time;
    const auto decay = decay_of(nanovolts(two->first->mean), nanovolts(two->second->mean), span);
    if (!decay) {
        return undefined(definition, "the record's voltages give no finite number");
    }
    Figure figure = defined(definition, unit_of(definition.dimension).of(decay->count));
    const auto of_mean = [](const ledger::MarkRecord& mark) {
        return mark.deviation * mark.deviation / static_cast<double>(mark.readings);
    };
    const double volts = normal_95 * std::sqrt(of_mean(*two->first) + of_mean(*two->second));
    figure.uncertainty = volts * 1e3 / (seconds(span) / 3600.0);  // mV/h
    figure.uncertainty_reason.clear();
    figure.uncertainty_means =
        "half the 95 % confidence interval, normal approximation, from the scatter of the readings alone";
    return figure;
}

}  // namespace slowfilm::results
