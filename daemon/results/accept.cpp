#include "daemon/results/accept.hpp"

#include "daemon/core/text.hpp"
#include "daemon/core/unit.hpp"
#include "daemon/ledger/names.hpp"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <optional>
#include <string>
#include <utility>
#include <vector>

namespace slowfilm::results {

namespace {

enum class Outcome : std::uint8_t { met, missed, not_defined };

// Limits are whole ppm or pC; dividing them the way unit_of does keeps 84 % equal to 0.84.
double limit_value(Dimension dimension, std::int64_t count) {
    return dimension == Dimension::ratio ? static_cast<double>(count) / 1e6 : unit_of(dimension).of(count);
}

Outcome outcome_of(const protocol::AcceptRule& rule, const Figure& figure) {
    if (!figure.value) {
        return Outcome::not_defined;
    }
    const bool reaches_min = !rule.min || *figure.value >= limit_value(rule.dimension, *rule.min);
    const bool keeps_max = !rule.max || *figure.value <= limit_value(rule.dimension, *rule.max);
    return reaches_min && keeps_max ? Outcome::met : Outcome::missed;
}

std::string with_unit(double value, Dimension dimension) {
    const std::string number = print_fixed(value, dimension == Dimension::resistance ? 6 : 4);
    return dimension == Dimension::ratio ? number : number + " " + std::string{unit_of(dimension).name};
}

std::string subject(const protocol::AcceptRule& rule, const Figure& figure) {
    std::string text = rule.figure;
    if (rule.step) {
        text += " of step \"" + escaped(*rule.step, 80) + "\"";
    }
    if (rule.pass) {
        text += " in pass " + std::to_string(*rule.pass);
    }
    const std::optional<std::uint32_t> cycle = rule.cycle ? rule.cycle : figure.cycle;
    if (cycle && rule.figure != "first_cycle_efficiency") {
        text += " of cycle " + std::to_string(*cycle);
    }
    return text;
}

}  // namespace

std::string describe_rule(const protocol::AcceptRule& rule, const Figure& figure) {
    const std::string what = subject(rule, figure);
    if (!figure.value) {
        return what + " is not defined: " + figure.reason;
    }
    const std::string value = with_unit(*figure.value, rule.dimension);
    if (rule.min && *figure.value < limit_value(rule.dimension, *rule.min)) {
        return what + " is " + value + ", below the least accepted " +
               with_unit(limit_value(rule.dimension, *rule.min), rule.dimension);
    }
    if (rule.max && *figure.value > limit_value(rule.dimension, *rule.max)) {
        return what + " is " + value + ", above the most accepted " +
               with_unit(limit_value(rule.dimension, *rule.max), rule.dimension);
    }
    std::string text = what + " is " + value;
    text += rule.min ? ", at least " + with_unit(limit_value(rule.dimension, *rule.min), rule.dimension) : "";
    text += rule.max ? ", at most " + with_unit(limit_value(rule.dimension, *rule.max), rule.dimension) : "";
    return text;
}

namespace {

std::string unfinished(const ledger::RunStatus& status) {
    std::string text = "the run has not ended as written: it is " + std::string{ledger::word_of(status.state)};
    const std::string_view why = status.state == RunState::stopped ? cause(status.wait) : std::string_view{};
    return why.empty() ? text : text + ", after " + std::string{why};
}

}  // namespace

namespace {

// Median and median absolute deviation of a rule's figure over the batch; nothing where too few have one.
struct Usual {
    double median{0.0}, mad{0.0};
};

double median_of(std::vector<double> values) {
    const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
    std::nth_element(values.begin(), middle, values.end());
    const double upper = *middle;
    return values.size() % 2 == 1 ? upper : (*std::max_element(values.begin(), middle) + upper) / 2.0;
}

Selector selector_of(const protocol::AcceptRule& rule) {
    return {.step = rule.step, .cycle = rule.cycle, .pass = rule.pass, .from = rule.from, .to = rule.to};
}

std::optional<Usual> usual_of(const FigureDefinition& definition, const Selector& selector,
                              std::span<const Judged> batch) {
    std::vector<double> values;
    for (const Judged& run : batch) {
        if (const Figure figure = compute(definition, run.input(), selector); figure.value) {
            values.push_back(*figure.value);
        }
    }
    if (values.size() < batch_least) {
        return std::nullopt;
    }
    Usual usual;
    usual.median = median_of(values);
    for (double& value : values) {
        value = std::fabs(value - usual.median);
    }
    usual.mad = median_of(values);
    return usual;
}

struct Ruled {
    Outcome outcome{Outcome::not_defined};
    std::string reason;
};

// The value against its siblings', where its own bounds hold.
Ruled against_batch(const protocol::AcceptRule& rule, const Figure& figure, const std::optional<Usual>& usual,
                    std::string so_far) {
    if (!usual) {
        return {Outcome::not_defined, subject(rule, figure) + " cannot be compared: within_mad needs " +
                                          std::to_string(batch_least) +
                                          " finished runs of this protocol in the ledger that have this figure"};
    }
    const bool within = std::fabs(*figure.value - usual->median) <= *rule.within_mad * usual->mad;
    const std::string how = (within ? ", within " : ", more than ") + print_number(*rule.within_mad) +
                            " median absolute deviations (" + with_unit(usual->mad, rule.dimension) +
                            " each) from the median " + with_unit(usual->median, rule.dimension);
    return {within ? Outcome::met : Outcome::missed, std::move(so_far) + how};
}

Ruled judge_rule(const protocol::AcceptRule& rule, const FigureInput& input, std::span<const Judged> batch) {
    const FigureDefinition* definition = find_figure(rule.figure);
    if (definition == nullptr) {
        Figure unknown;
        unknown.reason = "this version knows no such figure";
        return {Outcome::not_defined, describe_rule(rule, unknown)};
    }
    const Selector selector = selector_of(rule);
    const Figure figure = compute(*definition, input, selector);
    Ruled ruled{outcome_of(rule, figure), describe_rule(rule, figure)};
    if (ruled.outcome == Outcome::met && rule.within_mad) {
        return against_batch(rule, figure, usual_of(*definition, selector, batch), std::move(ruled.reason));
    }
    return ruled;
}

// The first grade all of whose rules are met; "" where there is none.
std::string grade_of(const std::vector<protocol::Grade>& grades, const FigureInput& input,
                     std::span<const Judged> batch, std::vector<std::string>& reasons) {
    for (const protocol::Grade& grade : grades) {
        std::vector<std::string> met;
        for (const protocol::AcceptRule& rule : grade.rules) {
            Ruled ruled = judge_rule(rule, input, batch);
            if (ruled.outcome != Outcome::met) {
                reasons.push_back("not \"" + escaped(grade.name, 40) + "\": " + ruled.reason);
                break;
            }
            met.push_back("\"" + escaped(grade.name, 40) + "\": " + ruled.reason);
        }
        if (met.size() == grade.rules.size()) {
            reasons.insert(reasons.end(), met.begin(), met.end());
            return grade.name;
        }
    }
    return {};
}

}  // namespace

bool needs_batch(const protocol::Acceptance& accept) {
    const auto compares = [](const std::vector<protocol::AcceptRule>& rules) {
        return std::any_of(rules.begin(), rules.end(), [](const auto& rule) { return rule.within_mad.has_value(); });
    };
    return compares(accept.rules) || std::any_of(accept.grades.begin(), accept.grades.end(),
                                                 [&](const protocol::Grade& grade) { return compares(grade.rules); });
}

Verdict judge(const protocol::Acceptance& accept, const FigureInput& input, std::span<const Judged> batch) {
    if (input.run.status.state != RunState::done) {
        return {.grade = "none", .reasons = {unfinished(input.run.status)}};
    }
    if (accept.rules.empty() && accept.grades.empty()) {
        return {.grade = "none", .reasons = {"the protocol has no [accept] rules"}};
    }
    Verdict verdict;
    bool missed = false;
    bool open = false;
    std::vector<std::string> met;
    for (const protocol::AcceptRule& rule : accept.rules) {
        Ruled ruled = judge_rule(rule, input, batch);
        missed = missed || ruled.outcome == Outcome::missed;
        open = open || ruled.outcome == Outcome::not_defined;
        (ruled.outcome == Outcome::met ? met : verdict.reasons).push_back(std::move(ruled.reason));
    }
    verdict.grade = missed ? "reject" : open ? "undecided" : "accept";
    verdict.reasons.insert(verdict.reasons.end(), met.begin(), met.end());
    if (!missed && !open && !accept.grades.empty()) {
        if (std::string grade = grade_of(accept.grades, input, batch, verdict.reasons); !grade.empty()) {
            verdict.grade = std::move(grade);
        }
    }
    return verdict;
}

}  // namespace slowfilm::results
