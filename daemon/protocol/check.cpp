#include "daemon/protocol/check.hpp"

#include "daemon/protocol/bounds_arithmetic.hpp"
#include "daemon/protocol/check_judge.hpp"
#include "daemon/protocol/parse.hpp"

#include <algorithm>

namespace slowfilm::protocol {
namespace {

constexpr std::ptrdiff_t complaints_max = 100;

}  // namespace

Judge::Judge(const Protocol& judged, const Places& places, const Diagnostics& grammar)
    : protocol(judged), cell(judged.cell), limits(with_defaults(judged)), places_(places), grammar_(grammar) {
    state_known_ = written("cell.state") && !refused_at(places.of("cell.state"));
    find_unclear();
}

bool Judge::refused_at(Place place) const {
    return std::ranges::any_of(grammar_.items,
                               [&](const Diagnostic& d) { return d.severity == Severity::error && d.place == place; });
}

// A complaint belongs to the last step whose header stands at or before it.
void Judge::find_unclear() {
    if (!grammar_.has_errors()) {
        return;
    }
    std::vector<Place> headers;
    each_step(protocol.steps, [&](const Step& step, std::uint64_t) { headers.push_back(step.place); });
    std::ranges::sort(headers);
    for (const Diagnostic& d : grammar_.items) {
        const auto after = std::ranges::upper_bound(headers, d.place);
        if (d.severity == Severity::error && after != headers.begin()) {
            unclear_.push_back(*std::prev(after));
        }
    }
    std::ranges::sort(unclear_);
}

bool Judge::unclear(const Step& step) const {
    return std::ranges::binary_search(unclear_, step.place);
}

void Judge::note(Severity severity, std::string_view path, std::string message) {
    const Place place = places_.of(path);
    const auto same = [&](const Diagnostic& d) { return d.place == place && d.message == message; };
    if (refused_at(place) || std::ranges::any_of(found, same)) {
        return;
    }
    const auto alike = [&](const Diagnostic& d) { return d.severity == severity; };
    if (std::ranges::count_if(found, alike) >= complaints_max) {
        ++left_out;
        return;
    }
    found.push_back({severity, place, std::move(message)});
}

void Judge::error(std::string_view path, std::string message) {
    note(Severity::error, path, std::move(message));
}

void Judge::warning(std::string_view path, std::string message) {
    note(Severity::warning, path, std::move(message));
}

void Judge::error_once(std::string_view path, std::string message) {
    const Place place = places_.of(path);
    const auto is_error = [](const Diagnostic& d) { return d.severity == Severity::error; };
    const auto there = [&](const Diagnostic& d) { return is_error(d) && d.place == place; };
    // Where errors are left out already, whether one stands here is not known, and their number must not be doubled.
    if (std::ranges::none_of(found, there) && std::ranges::count_if(found, is_error) < complaints_max) {
        error(path, std::move(message));
    }
}

std::string Judge::key_of(const Step& step, std::initializer_list<std::string_view> keys) const {
    for (const std::string_view key : keys) {
        if (std::string path = path_of(step, key); written(path)) {
            return path;
        }
    }
    return path_of(step);
}

std::string quoted_with_amperes(const CurrentOrRate& value, Charge capacity) {
    const std::string text = quoted(value);
    return std::holds_alternative<Rate>(value) ? text + " (" + print(current_of(value, capacity)) + ")" : text;
}

std::string quoted_with_charge(const ChargeOrRatio& value, Charge capacity) {
    const std::string text = quoted(value);
    return std::holds_alternative<Ratio>(value) ? text + " (" + print(charge_of(value, capacity)) + ")" : text;
}

std::string_view word(Chemistry chemistry) {
    switch (chemistry) {
        case Chemistry::nmc_graphite: return "NMC/graphite";
        case Chemistry::nmc_graphite_siox: return "NMC/graphite-SiOx";
        case Chemistry::lfp_graphite: return "LFP/graphite";
        case Chemistry::other: return "other";
    }
    return "";
}

std::string label(const Step& step) {
    return "step " + step.path + (step.name.empty() ? "" : " (\"" + step.name + "\")");
}

std::string path_of(const Step& step, std::string_view key) {
    std::string path = "step." + step.path;
    return key.empty() ? path : path.append(".").append(key);
}

namespace {

std::int64_t signed_count(const CurrentOrRate& value) {
    const auto* rate = std::get_if<Rate>(&value);
    return rate != nullptr ? rate->numerator : std::get<Current>(value).count;
}

// `sign` 1: into the cell, -1: out of it. A ramp from "now" begins with whatever flows then.
bool may_flow(const Step& step, int sign) {
    const Direction other = sign > 0 ? Direction::discharge : Direction::charge;
    switch (step.kind) {
        case StepKind::charge: return sign > 0;
        case StepKind::discharge: return sign < 0;
        case StepKind::hold: return step.direction != other;
        case StepKind::ramp:
            return !step.current_ramp || sign * signed_count(step.current_ramp->to) > 0 ||
                   (step.current_ramp->from && sign * signed_count(*step.current_ramp->from) > 0);
        case StepKind::pulse:
            return std::ranges::any_of(step.levels,
                                       [&](const PulseLevel& level) { return level.charges == (sign > 0); });
        case StepKind::rest:
        case StepKind::ask:
        case StepKind::repeat: break;
    }
    return false;
}

}  // namespace

bool may_charge(const Step& step) {
    return may_flow(step, 1);
}

bool may_discharge(const Step& step) {
    return may_flow(step, -1);
}

bool ends_cycle(const Step& step, const Cell& cell) {
    constexpr Voltage above_window_min{300'000'000};
    return step.ends_cycle || (step.kind == StepKind::discharge && step.ends.voltage &&
                               *step.ends.voltage <= sum(cell.window_min, above_window_min));
}

Checked check_protocol(std::string file, std::string_view text) {
    Parsed parsed = parse_protocol(std::move(file), text);
    Checked checked;
    checked.diagnostics = std::move(parsed.diagnostics);
    const std::optional<Protocol>& judged = parsed.protocol ? parsed.protocol : parsed.sketch;
    if (judged) {
        Judge judge(*judged, parsed.places, checked.diagnostics);
        check_cell(judge);
        check_limits(judge);
        check_reach(judge);
        check_steps(judge);
        check_drive(judge);
        check_ends(judge);
        check_narrow(judge);
        check_order(judge);
        check_figures(judge);
        check_accept(judge);
        check_habits(judge);
        for (Diagnostic& diagnostic : judge.found) {
            checked.diagnostics.items.push_back(std::move(diagnostic));
        }
        if (judge.left_out > 0) {
            const auto last = std::ranges::max_element(judge.found, {}, [](const Diagnostic& d) {
                return std::pair{d.place.line, d.place.column};
            });
            checked.diagnostics.warning(last->place, "and " + std::to_string(judge.left_out) +
                                                         " more complaints of this kind; begin with the first");
        }
    }
    checked.diagnostics.sort();
    if (parsed.protocol && !checked.diagnostics.has_errors()) {
        checked.bounds = bounds(*parsed.protocol, parsed.protocol->cell.capacity);
        checked.protocol = std::move(parsed.protocol);
    }
    return checked;
}

}  // namespace slowfilm::protocol
