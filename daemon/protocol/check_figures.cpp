// What a step needs from those before it: a figure for only_if or a repeat's end, a measured capacity, cells that come
// together, an ambient in which it may run.
#include "daemon/protocol/bounds_arithmetic.hpp"
#include "daemon/protocol/check_judge.hpp"

#include <algorithm>

namespace slowfilm::protocol {
namespace {

// What the steps gone through can have left behind.
struct Past {
    bool charged{false}, discharged{false}, cycle{false}, pulsed{false}, measured{false};
    std::vector<std::vector<Duration>> marks;  // of each rest that keeps some
};

void pass(Past& past, const std::vector<Step>& steps, const Cell& cell) {
    for (const Step& step : steps) {
        past.charged = past.charged || may_charge(step);
        past.discharged = past.discharged || may_discharge(step);
        past.cycle = past.cycle || ends_cycle(step, cell);
        past.pulsed = past.pulsed || step.kind == StepKind::pulse;
        past.measured = past.measured || step.measures;
        if (step.keep && !step.keep->at.empty()) {
            past.marks.push_back(step.keep->at);
        }
        pass(past, step.steps, cell);
    }
}

bool has(const std::vector<Duration>& marks, const std::optional<Duration>& time) {
    return time && std::ranges::find(marks, *time) != marks.end();
}

// Why the figure can never be defined here; "" where it can.
std::string why_never(const Past& past, FigureId figure, const OnlyIf* times, const Cell& cell) {
    switch (figure) {
        case FigureId::first_cycle_efficiency:
            if (cell.state == CellState::formed) {
                return "a formed cell has had its first cycle";
            }
            return past.cycle ? "" : "no step ends a cycle";
        case FigureId::coulombic_efficiency:
        case FigureId::energy_efficiency: return past.cycle ? "" : "no step ends a cycle";
        case FigureId::charge_capacity: return past.charged ? "" : "no step charges";
        case FigureId::discharge_capacity: return past.discharged ? "" : "no step discharges";
        case FigureId::dc_resistance: return past.pulsed ? "" : "there is no pulse";
        case FigureId::k_value: {
            if (times == nullptr) {
                return past.marks.empty() ? "no step has times in its keep.at" : "";
            }
            const bool there = std::ranges::any_of(
                past.marks, [&](const auto& marks) { return has(marks, times->from) && has(marks, times->to); });
            return there ? "" : "no step has both times in its keep.at";
        }
    }
    return "";
}

class Needs {
  public:
    explicit Needs(Judge& judge) : j_(judge) {}

    void walk(const std::vector<Step>& steps, bool may_be_left) {
        for (const Step& step : steps) {
            judge(step, may_be_left);
            if (step.kind == StepKind::repeat) {
                Past within;
                pass(within, step.steps, j_.cell);
                judge_repeat(step, within);
                const Past before = past_;
                if (step.times > 1) {
                    pass(past_, step.steps, j_.cell);  // a later pass has all of the one before it
                }
                walk(step.steps, may_be_left || step.only_if || step.ends.figure);
                past_ = before;
            }
            pass(past_, {step}, j_.cell);
        }
    }

  private:
    void judge(const Step& step, bool may_be_left) {
        if (step.ambient) {
            ambient_ = step.ambient;
            judge_ambient(step);
        }
        if (step.only_if) {
            judge_only_if(step);
        }
        judge_measured(step);
        if (step.together && (may_be_left || step.only_if)) {
            j_.error(path_of(step, "together"),
                     label(step) +
                         " waits for all cells of the tray, but some may pass it over (only_if, or a repeat that "
                         "a figure ends), and the others would wait for ever; move 'together' to a step that "
                         "every cell goes through");
        }
        judge_in_ambient(step);
        judge_rest_in_ambient(step);
    }

    void judge_only_if(const Step& step) {
        const OnlyIf& only_if = *step.only_if;
        if (const std::string why = why_never(past_, only_if.figure, &only_if, j_.cell);
            !why.empty() && !j_.any_step_unclear()) {
            j_.error(path_of(step, "only_if.figure"), label(step) + " asks for " + std::string(name(only_if.figure)) +
                                                          ", which is never defined here: " + why + " up to there" +
                                                          "; every run would wait for a person");
        }
        if (dimension_of(only_if.figure) == Dimension::ratio && only_if.above && *only_if.above >= 2'000'000) {
            j_.error(path_of(step, "only_if.above"),
                     label(step) + " is done only if " + std::string(name(only_if.figure)) + " is above " +
                         quoted(Ratio{*only_if.above}) +
                         ", which no cell reaches; a value near \"100 %\" would be right");
        }
    }

    void judge_repeat(const Step& step, const Past& within) {
        if (!step.ends.figure || j_.any_step_unclear()) {
            return;
        }
        const std::string path = path_of(step, "ends.figure");
        const std::string figure(name(step.ends.figure->figure));
        if (const std::string why = why_never(within, step.ends.figure->figure, nullptr, j_.cell); !why.empty()) {
            j_.error(path, label(step) + " ends by the change of " + figure +
                               " from pass to pass, but no pass defines it; put into the repeat a step that does");
        } else if (step.times < 2) {
            j_.error(path, label(step) + " ends by the change of " + figure +
                               " from pass to pass, but is passed only once; times of 2 or more would be right");
        }
        if (step.ends.figure->below.count >= 1'000'000) {
            j_.error(path_of(step, "ends.below"), label(step) + " would end after its second pass whatever " + figure +
                                                      " does: " + quoted(step.ends.figure->below) +
                                                      " of change is all of it; a few percent would be right");
        }
    }

    void judge_measured(const Step& step) {
        if (past_.measured || (j_.cell.state == CellState::formed && j_.state_known()) || !j_.state_known()) {
            return;
        }
        const auto need = [&](bool measured, const std::string& path) {
            if (measured) {
                j_.error(path, label(step) +
                                   " goes by the measured capacity, but no step before it measures one and a " +
                                   std::string(name(j_.cell.state)) +
                                   " cell has none; let a discharge before it say measures = \"capacity\"");
            }
        };
        need(step.current && step.current->measured, j_.key_of(step, {"rate", "rate_max"}));
        need(step.ends.current && step.ends.current->measured, path_of(step, "ends.current"));
        need(step.ends.amount && step.ends.amount->measured, path_of(step, "ends.amount"));
        need(step.ends.net && step.ends.net->measured, path_of(step, "ends.net"));
        need(step.at_most.amount && step.at_most.amount->measured, path_of(step, "at_most.amount"));
        for (std::size_t i = 0; i < step.levels.size(); ++i) {
            need(
                step.levels[i].current.measured,
                path_of(step, "levels." + std::to_string(i + 1) + (step.levels[i].charges ? ".charge" : ".discharge")));
        }
    }

    void judge_ambient(const Step& step) {
        const auto& high = j_.limits.temperature_max.trip;
        const auto& low = j_.limits.temperature_min.trip;
        const bool hot = high && *step.ambient >= *high;
        if (hot || (low && *step.ambient <= *low)) {
            j_.error(path_of(step, "ambient"),
                     label(step) + " sets the chamber to " + quoted(*step.ambient) + ", where " +
                         (hot ? "temperature_max " + quoted(*high) : "temperature_min " + quoted(*low)) +
                         " trips every cell; a temperature between them would be right");
            ambient_.reset();
        }
    }

    void judge_in_ambient(const Step& step) {
        if (!ambient_) {
            return;
        }
        const auto outside = [&](const TemperatureWindow& window) {
            return (window.min && *ambient_ < *window.min) || (window.max && *ambient_ > *window.max);
        };
        const bool charge = may_charge(step) && outside(j_.limits.charge_temperature);
        const bool discharge = may_discharge(step) && outside(j_.limits.discharge_temperature);
        if (charge || discharge) {
            j_.error_once(path_of(step, "do"), label(step) + (charge ? " charges" : " discharges") +
                                                   " at an ambient of " + quoted(*ambient_) + ", outside " +
                                                   (charge ? "charge_temperature" : "discharge_temperature") +
                                                   ", which trips; change the ambient before it, or the limit");
        }
    }

    // A cell at rest comes to its chamber's temperature and no further.
    void judge_rest_in_ambient(const Step& step) {
        const auto& end = step.ends.temperature;
        if (!ambient_ || !end || step.kind != StepKind::rest) {
            return;
        }
        const bool never_so_warm = end->min && *end->min > *ambient_;
        if (never_so_warm || (end->max && *end->max < *ambient_)) {
            j_.error(path_of(step, "ends.temperature"),
                     label(step) + " waits for a temperature " + (never_so_warm ? "above" : "below") +
                         " the ambient of " + quoted(*ambient_) + ", which a cell at rest never has; a value " +
                         (never_so_warm ? "a little below" : "a little above") + " it would be right");
        }
    }

    Judge& j_;
    Past past_;
    std::optional<Temperature> ambient_;
};

}  // namespace

std::string why_never_defined(const Judge& judge, FigureId figure) {
    Past whole;
    pass(whole, judge.protocol.steps, judge.cell);
    if (!judge.protocol.keep.at.empty()) {
        whole.marks.push_back(judge.protocol.keep.at);
    }
    return why_never(whole, figure, nullptr, judge.cell);
}

void check_figures(Judge& judge) {
    Needs(judge).walk(judge.protocol.steps, false);
}

}  // namespace slowfilm::protocol
