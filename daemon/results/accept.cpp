#include "daemon/results/accept.hpp"

#include "daemon/core/text.hpp"
#include "daemon/core/unit.hpp"
#include "daemon/ledger/names.hpp"

#include <cstdint>
#include <optional>
#include <string>

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

Verdict judge(std::span<const protocol::AcceptRule> rules, const FigureInput& input) {
    if (input.run.status.state != RunState::done) {
        return {.grade = "none", .reasons = {unfinished(input.run.status)}};
    }
    if (rules.empty()) {
        return {.grade = "none", .reasons = {"the protocol has no [accept] rules"}};
    }
    Verdict verdict;
    bool missed = false;
    bool open = false;
    std::vector<std::string> met;
    for (const protocol::AcceptRule& rule : rules) {
        const FigureDefinition* definition = find_figure(rule.figure);
        Figure figure;
        if (definition != nullptr) {
            figure =
                compute(*definition, input,
                        {.step = rule.step, .cycle = rule.cycle, .pass = rule.pass, .from = rule.from, .to = rule.to});
        } else {
            figure.reason = "this version knows no such figure";
        }
        const Outcome outcome = outcome_of(rule, figure);
        missed = missed || outcome == Outcome::missed;
        open = open || outcome == Outcome::not_defined;
        (outcome == Outcome::met ? met : verdict.reasons).push_back(describe_rule(rule, figure));
    }
    verdict.grade = missed ? "reject" : open ? "undecided" : "accept";
    verdict.reasons.insert(verdict.reasons.end(), met.begin(), met.end());
    return verdict;
}

}  // namespace slowfilm::results
