// [accept]: rules that no run of this protocol could ever answer, or no cell could ever meet.
#include "daemon/core/text.hpp"
#include "daemon/protocol/bounds_arithmetic.hpp"
#include "daemon/protocol/check_judge.hpp"
#include "daemon/protocol/grammar.hpp"
#include "daemon/protocol/print.hpp"

#include <algorithm>

namespace slowfilm::protocol {
namespace {

constexpr std::int64_t whole_ppm = 1'000'000;

struct Named {
    const Step* step;
    std::uint64_t passes;
};

// A rule, and where it stands: "accept.k_value", "accept.grades.2.k_value".
struct Rule {
    const AcceptRule& rule;
    std::string path;
};

std::string path_of(const Rule& at, std::string_view key) {
    return at.path + "." + std::string(key);
}

std::string text_of(const AcceptRule& rule, std::int64_t value) {
    return "\"" + print_count(rule.dimension, value) + "\"";
}

bool is_efficiency(const AcceptRule& rule) {
    return rule.dimension == Dimension::ratio;
}

std::vector<Named> named(const Judge& j, std::string_view name) {
    std::vector<Named> found;
    each_step(j.protocol.steps, [&](const Step& step, std::uint64_t passes) {
        if (step.name == name || step.path == name) {
            found.push_back({&step, passes});
        }
    });
    return found;
}

// How many cycles a run that goes to its end has.
std::uint64_t cycles(const Judge& j) {
    std::uint64_t count = 0;
    each_step(j.protocol.steps,
              [&](const Step& step, std::uint64_t passes) { count += ends_cycle(step, j.cell) ? passes : 0; });
    return count;
}

void check_values(Judge& j, const Rule& at) {
    const AcceptRule& rule = at.rule;
    if (is_efficiency(rule) && rule.min && *rule.min > whole_ppm) {
        j.error(path_of(at, "min"),
                rule.figure + ".min " + text_of(rule, *rule.min) +
                    " is more than a cell can give back of what it took; below \"100 %\" would be right");
    }
    if (rule.dimension == Dimension::charge && rule.min) {
        const Charge cap = std::max(j.charge(*j.limits.charge_leg_first), j.charge(*j.limits.charge_leg_later));
        if (*rule.min > cap.count) {
            j.error(path_of(at, "min"), rule.figure + ".min " + text_of(rule, *rule.min) +
                                            " is more than charge_leg_max (" + quoted(cap) +
                                            ") lets into the cell; about its rated capacity " +
                                            quoted(j.cell.capacity) + " would be right");
        }
    }
}

void check_cycle(Judge& j, const Rule& at) {
    const AcceptRule& rule = at.rule;
    if (j.any_step_unclear() || !j.state_known()) {
        return;
    }
    const std::uint64_t there = cycles(j);
    const std::string how = "; a cycle ends with a discharge by voltage to window.min + 0.3 V (" +
                            quoted(sum(j.cell.window_min, Voltage{300'000'000})) + ") or below";
    if (rule.cycle && *rule.cycle > there) {
        j.error(path_of(at, "cycle"), rule.figure + " asks for cycle " + std::to_string(*rule.cycle) +
                                          ", but the steps make " +
                                          (there == 0 ? "none" : "only " + std::to_string(there)) + how);
        return;
    }
    if (rule.figure == "first_cycle_efficiency" && j.cell.state == CellState::formed) {
        j.error(at.path,
                "first_cycle_efficiency belongs to a cell's first charge, but state = \"formed\"; "
                "coulombic_efficiency with 'cycle' would be right");
        return;
    }
    if (is_efficiency(rule) && there == 0) {
        j.error(at.path, rule.figure + " is never defined: the steps make no whole cycle" + how);
    }
}

void check_charge_step(Judge& j, const Rule& at, const Step& step, const std::string& path, const std::string& what) {
    const AcceptRule& rule = at.rule;
    const bool charge = rule.figure == "charge_capacity";
    if (step.kind != StepKind::repeat && !(charge ? may_charge(step) : may_discharge(step))) {
        j.error(path, rule.figure + " names " + what + ", a " + std::string(step_word(step.kind)) +
                          ", which moves no charge " + (charge ? "into" : "out of") + " the cell; name a " +
                          (charge ? "charge" : "discharge"));
    }
}

// Readings at other times than those that are kept do not exist.
void check_times_kept(Judge& j, const Rule& at, const Step& step, const std::string& what) {
    const AcceptRule& rule = at.rule;
    for (const auto& [key, time] : {std::pair{"from", rule.from}, {"to", rule.to}}) {
        const bool kept = step.keep && time && std::ranges::find(step.keep->at, *time) != step.keep->at.end();
        if (time && !kept) {
            j.error(path_of(at, key), "k_value goes " + std::string(key) + " " + quoted(*time) + " of " + what +
                                          ", which keeps no reading at that time; add it to that step's keep.at, or "
                                          "name two that are there");
        }
    }
}

void check_defined(Judge& j, const Rule& at) {
    const std::optional<FigureId> figure = figure_named(at.rule.figure);
    if (!figure || at.rule.step || is_efficiency(at.rule) || j.any_step_unclear()) {
        return;  // check_step and check_cycle speak of those
    }
    if (const std::string why = why_never_defined(j, *figure); !why.empty()) {
        j.error_once(at.path, at.rule.figure + " is never defined: " + why + "; every cell would be undecided");
    }
}

void check_step(Judge& j, const Rule& at) {
    const AcceptRule& rule = at.rule;
    if (!rule.step) {
        if (rule.pass) {
            j.error(path_of(at, "pass"),
                    rule.figure + " names pass " + std::to_string(*rule.pass) + " but no step; say which with 'step'");
        }
        return;
    }
    const std::vector<Named> found = named(j, *rule.step);
    const std::string path = path_of(at, "step");
    const std::string what = "step \"" + escaped(*rule.step, 60) + "\"";
    if (found.size() != 1) {
        return;  // the grammar has said so
    }
    const Step& step = *found[0].step;
    if (rule.dimension == Dimension::charge) {
        check_charge_step(j, at, step, path, what);
    } else if (rule.figure == "dc_resistance" && step.kind != StepKind::pulse) {
        j.error(path, "dc_resistance names " + what + ", a " + std::string(step_word(step.kind)) +
                          ", which steps no current; name a pulse");
    } else if (rule.figure == "k_value") {
        check_times_kept(j, at, step, what);
        if (step.keep && !step.keep->at.empty() && !step.keep->mean_of) {
            j.error(path, "k_value names " + what +
                              ", which keeps single readings at its times, and it takes means of " +
                              std::to_string(k_value_readings_min) +
                              " readings at least; mean_of = \"60 s\" in that step's keep would be right");
        }
    }
    if (rule.pass && *rule.pass > found[0].passes) {
        j.error(path_of(at, "pass"),
                rule.figure + " names pass " + std::to_string(*rule.pass) + " of " + what + ", which is gone through " +
                    (found[0].passes == 1 ? "once" : std::to_string(found[0].passes) + " times") + " only");
    }
    if (rule.cycle) {
        j.error(path_of(at, "cycle"), rule.figure +
                                          " names both a cycle and a step; keep one, with 'pass' beside the step "
                                          "where it is repeated");
    }
}

}  // namespace

void check_accept(Judge& j) {
    const auto check = [&](const std::vector<AcceptRule>& rules, const std::string& prefix) {
        for (const AcceptRule& rule : rules) {
            const Rule at{rule, prefix + rule.figure};
            check_values(j, at);
            check_cycle(j, at);
            check_step(j, at);
            check_defined(j, at);
        }
    };
    check(j.protocol.accept.rules, "accept.");
    for (std::size_t i = 0; i < j.protocol.accept.grades.size(); ++i) {
        check(j.protocol.accept.grades[i].rules, "accept.grades." + std::to_string(i + 1) + ".");
    }
}

}  // namespace slowfilm::protocol
