#include "daemon/protocol/parse_accept.hpp"

#include "daemon/core/ensure.hpp"
#include "daemon/core/text.hpp"
#include "daemon/protocol/parse_limits.hpp"

#include <algorithm>
#include <array>

namespace slowfilm::protocol {
namespace {

constexpr double within_mad_most = 100.0;
constexpr std::size_t grade_name_bytes_most = 40;

struct NamedSteps {
    std::size_t found{0};
    std::vector<std::string> words;  // all names and paths, for the nearest one
};

void find_steps(const std::vector<Step>& steps, std::string_view wanted, NamedSteps& named) {
    for (const Step& step : steps) {
        named.found += step.name == wanted || step.path == wanted ? 1 : 0;
        if (!step.name.empty()) {
            named.words.push_back(step.name);
        }
        find_steps(step.steps, wanted, named);
    }
}

void check_step_named(Fields& rule, const AcceptRule& accept, const std::vector<Step>& steps) {
    if (!accept.step) {
        return;
    }
    NamedSteps named;
    find_steps(steps, *accept.step, named);
    const std::string said = "\"" + escaped(*accept.step, 60) + "\"";
    if (named.found == 0) {
        const std::vector<std::string_view> words(named.words.begin(), named.words.end());
        const std::string_view near = nearest(*accept.step, words);
        rule.error(rule.place_of("step"),
                   "no step is named " + said +
                       (near.empty() ? std::string{"; write a step's name, or its place such as \"6.2\""}
                                     : "; did you mean \"" + escaped(near, 60) + "\"?"));
    } else if (named.found > 1) {
        rule.error(rule.place_of("step"), std::to_string(named.found) + " steps are named " + said +
                                              "; write the place of the one meant, such as \"6.2\"");
    }
}

// The bounds, in the figure's own unit.
template <Dimension D>
void read_bounds(Fields& rule, AcceptRule& accept) {
    const auto min = rule.quantity<D>("min");
    const auto max = rule.quantity<D>("max");
    accept.dimension = D;
    accept.min = min ? std::optional{min->count} : std::nullopt;
    accept.max = max ? std::optional{max->count} : std::nullopt;
    if (upside_down(min, max)) {
        rule.error(rule.place_of("max"),
                   "'" + accept.figure + "' has its max at or below its min; max must be above it");
    }
}

void read_bounds(Fields& rule, AcceptRule& accept) {
    switch (accept.dimension) {
        case Dimension::ratio: read_bounds<Dimension::ratio>(rule, accept); return;
        case Dimension::charge: read_bounds<Dimension::charge>(rule, accept); return;
        case Dimension::resistance: read_bounds<Dimension::resistance>(rule, accept); return;
        case Dimension::voltage_slope: read_bounds<Dimension::voltage_slope>(rule, accept); return;
        case Dimension::time:
        case Dimension::voltage:
        case Dimension::current:
        case Dimension::temperature:
        case Dimension::temperature_difference:
        case Dimension::temperature_slope:
        case Dimension::rate: break;
    }
    ENSURE(!"a figure is a ratio, a charge, a resistance or a voltage slope");
}

std::string_view example_of(Dimension dimension) {
    return dimension == Dimension::ratio        ? "{ min = \"84 %\" }"
           : dimension == Dimension::charge     ? "{ min = \"4.8 Ah\" }"
           : dimension == Dimension::resistance ? "{ max = \"40 mohm\" }"
                                                : "{ max = \"2 mV/d\" }";
}

AcceptRule read_rule(Fields& rule, const Key& figure, const std::vector<Step>& steps) {
    AcceptRule accept;
    accept.figure = figure.name;
    accept.dimension = figure.dimension;
    read_bounds(rule, accept);
    const auto takes = [&](std::string_view name) {
        return std::any_of(figure.inside.begin(), figure.inside.end(), [&](const Key& k) { return k.name == name; });
    };
    accept.within_mad = rule.number("within_mad");
    if (accept.within_mad && !(*accept.within_mad > 0.0 && *accept.within_mad <= within_mad_most)) {
        rule.error(rule.place_of("within_mad"),
                   "'within_mad' is a number of median absolute deviations, above 0 and at "
                   "most 100; 5 or so would be right");
        accept.within_mad.reset();
    }
    accept.step = takes("step") ? rule.text("step") : std::nullopt;
    accept.cycle = takes("cycle") ? rule.count("cycle") : std::nullopt;
    accept.pass = takes("pass") ? rule.count("pass") : std::nullopt;
    accept.from = takes("from") ? rule.quantity<Dimension::time>("from") : std::nullopt;
    accept.to = takes("to") ? rule.quantity<Dimension::time>("to") : std::nullopt;
    if (!rule.has("min") && !rule.has("max") && !rule.has("within_mad")) {
        rule.error(rule.place(), "'" + accept.figure + "' says none of min, max and within_mad; write one, such as " +
                                     std::string{example_of(accept.dimension)});
    }
    if (upside_down(accept.from, accept.to)) {
        rule.error(rule.place_of("to"), "'to' is at or before 'from'; it must be the later of the two");
    }
    check_step_named(rule, accept, steps);
    rule.refuse_others();
    return accept;
}

std::vector<AcceptRule> read_rules(Fields& fields, std::span<const Key> known, const std::vector<Step>& steps) {
    std::vector<AcceptRule> rules;
    for (const std::string& figure : fields.keys()) {
        const auto key = std::find_if(known.begin(), known.end(), [&](const Key& k) { return k.name == figure; });
        if (key == known.end() || key->kind != KeyKind::table) {
            continue;
        }
        if (auto rule = fields.table(figure)) {
            rules.push_back(read_rule(*rule, *key, steps));
        }
    }
    return rules;
}

void check_grade(Fields& table, const Grade& grade, const std::vector<Grade>& before) {
    // What a verdict says of a cell without a grade must not be what a grade is called.
    constexpr std::array<std::string_view, 4> taken{"accept", "reject", "undecided", "none"};
    const auto same = [&](const auto& other) { return other.name == grade.name; };
    if (!table.has("name")) {
        return;
    }
    const Place place = table.place_of("name");
    if (grade.name.empty() || grade.name.size() > grade_name_bytes_most) {
        table.error(
            place, "a grade's name has 1 to " + std::to_string(grade_name_bytes_most) + " bytes; \"A\" would be right");
    } else if (std::ranges::find(taken, grade.name) != taken.end()) {
        table.error(place, "'" + grade.name +
                               "' is what a verdict says of a cell without a grade; another name, such as "
                               "\"A\", would be right");
    } else if (std::ranges::any_of(before, same)) {
        table.error(place, "two grades are called \"" + escaped(grade.name, 40) + "\"; each needs its own name");
    }
    if (grade.rules.empty()) {
        table.error(table.place(),
                    "this grade asks for no figure, so every cell would have it; write one, such as "
                    "discharge_capacity = { min = \"4.9 Ah\" }");
    }
}

}  // namespace

Acceptance parse_accept(Fields fields, const std::vector<Step>& steps) {
    Acceptance accept;
    accept.rules = read_rules(fields, grammar_section("accept").keys, steps);
    std::vector<Fields> grades = fields.list("grades");
    if (fields.holds_empty_list("grades")) {
        fields.error(fields.place_of("grades"), "'grades' is empty; write one at least, or leave it out");
    }
    if (grades.size() > grades_max) {
        fields.error(grades[grades_max].place(), "there are more than " + std::to_string(grades_max) + " grades");
        grades.erase(grades.begin() + grades_max, grades.end());
    }
    for (Fields& table : grades) {
        Grade grade;
        grade.name = table.text("name").value_or("");
        grade.rules = read_rules(table, fields.key("grades").inside, steps);
        check_grade(table, grade, accept.grades);
        table.refuse_others();
        accept.grades.push_back(std::move(grade));
    }
    fields.refuse_others();
    return accept;
}

}  // namespace slowfilm::protocol
