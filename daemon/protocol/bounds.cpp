#include "daemon/protocol/bounds.hpp"

#include "daemon/protocol/bounds_arithmetic.hpp"

#include <algorithm>

namespace slowfilm::protocol {
namespace {

bool charges(const Step& step) {
    return step.kind == StepKind::charge || (step.kind == StepKind::hold && step.direction != Direction::discharge);
}

bool discharges(const Step& step) {
    return step.kind == StepKind::discharge || (step.kind == StepKind::hold && step.direction != Direction::charge);
}

// A hold in either direction may move nothing in, so it does not end a discharge leg for certain.
bool charges_only(const Step& step) {
    return charges(step) && !discharges(step);
}

// `ends.time` and `at_most` both end a step, so the earlier bounds it.
Duration longest(const Step& step) {
    return least_of(step.ends.time, step.at_most.time).value_or(unbounded<Duration>);
}

// Charge taken out within a stretch of steps, cut into legs by steps that charge: `before` the first of those, `after`
// the last, `most` within any leg. Stretches add up like words: a leg may run across the seam.
struct Legs {
    Charge before, after, most;
    bool cut{false};
};

Legs join(const Legs& a, const Legs& b) {
    Legs joined;
    joined.cut = a.cut || b.cut;
    joined.before = a.cut ? a.before : sum(a.before, b.before);
    joined.after = b.cut ? b.after : sum(a.after, b.after);
    joined.most = std::max({a.most, b.most, sum(a.after, b.before)});
    return joined;
}

Legs repeated(const Legs& pass, std::uint64_t n) {
    if (!pass.cut) {
        const Charge all = times(pass.after, n);
        return {all, all, all, false};
    }
    return n > 1 ? join(pass, pass) : pass;
}

struct Totals {
    Duration run_time, ask_time;
    Charge in, out;  // the most, over all visits
    Legs legs;
    std::uint64_t visits{0};
};

void append(Totals& whole, const Totals& part) {
    whole.run_time = sum(whole.run_time, part.run_time);
    whole.ask_time = sum(whole.ask_time, part.ask_time);
    whole.in = sum(whole.in, part.in);
    whole.out = sum(whole.out, part.out);
    whole.legs = join(whole.legs, part.legs);
    whole.visits += std::min(part.visits, std::numeric_limits<std::uint64_t>::max() - whole.visits);
}

// What may have gone in and out by the time a step begins, at most. A `net` end is reckoned against it.
struct Before {
    Charge in, out;
};

Charge most_moved(const Step& step, Charge capacity, const Before& before) {
    const Current current = step.current ? current_of(step.current->value, capacity) : unbounded<Current>;
    const Duration time = longest(step);
    std::optional<Charge> most = unbounded<Charge>;
    if (step.current && time != unbounded<Duration>) {
        most = moved(current, time);
    }
    for (const std::optional<StepCharge>& cap : {step.ends.amount, step.at_most.amount}) {
        if (cap) {
            most = least_of(most, std::optional{magnitude(charge_of(cap->value, capacity))});
        }
    }
    // From the furthest away that the net charge can be when the step begins. A hold in either direction may overshoot
    // it.
    if (step.ends.net && charges(step) != discharges(step)) {
        const Charge net = charge_of(step.ends.net->value, capacity);
        const Charge way = charges(step) ? sum(net, before.out) : difference(before.in, net);
        most = least_of(most, std::optional{std::max(way, Charge{})});
    }
    return *most;
}

Totals totals_of(const std::vector<Step>& steps, Charge capacity, const Before& before, bool with_net);

Totals totals_of(const Step& step, Charge capacity, const Before& before, bool with_net) {
    Totals totals;
    totals.visits = 1;
    switch (step.kind) {
        case StepKind::charge:
        case StepKind::discharge:
        case StepKind::ramp:
        case StepKind::pulse:
        case StepKind::hold: {
            Step seen = step;
            if (!with_net) {
                seen.ends.net.reset();
            }
            const Charge most = most_moved(seen, capacity, before);
            totals.run_time = longest(step);
            totals.in = charges(step) ? most : Charge{};
            totals.out = discharges(step) ? most : Charge{};
            totals.legs = {totals.out, totals.out, totals.out, charges_only(step)};
            return totals;
        }
        case StepKind::rest: totals.run_time = longest(step); return totals;
        case StepKind::ask: totals.ask_time = longest(step); return totals;
        case StepKind::repeat: break;
    }
    // Without `net` first: what the passes before may have moved is a bound that `net` needs.
    const Totals rough = totals_of(step.steps, capacity, before, false);
    const Before within{sum(before.in, times(rough.in, step.times)), sum(before.out, times(rough.out, step.times))};
    const Totals pass = with_net ? totals_of(step.steps, capacity, within, true) : rough;
    totals.run_time = least_of(std::optional{times(pass.run_time, step.times)}, step.at_most.time).value();
    totals.ask_time = times(pass.ask_time, step.times);
    totals.in = times(pass.in, step.times);
    totals.out = times(pass.out, step.times);
    totals.legs = repeated(pass.legs, step.times);
    const Wide visits = static_cast<Wide>(pass.visits) * step.times + 1;
    constexpr std::uint64_t most = std::numeric_limits<std::uint64_t>::max();
    totals.visits = visits > static_cast<Wide>(most) ? most : static_cast<std::uint64_t>(visits);
    return totals;
}

Totals totals_of(const std::vector<Step>& steps, Charge capacity, const Before& before, bool with_net) {
    Totals whole;
    Before now = before;
    for (const Step& step : steps) {
        const Totals part = totals_of(step, capacity, now, with_net);
        append(whole, part);
        now = {sum(now.in, part.in), sum(now.out, part.out)};
    }
    return whole;
}

template <class Q>
void raise(std::optional<Q>& highest, Q value) {
    highest = highest ? std::max(*highest, value) : value;
}

template <class Q>
void lower(std::optional<Q>& lowest, Q value) {
    lowest = lowest ? std::min(*lowest, value) : value;
}

struct Asked {
    bool constant_charge{false}, constant_discharge{false};  // a current, with a ceiling or floor of the stage's own
};

void ask_of(const std::vector<Step>& steps, const Cell& cell, Charge capacity, Bounds& b, Asked& asked) {
    for (const Step& step : steps) {
        const Current current = step.current ? magnitude(current_of(step.current->value, capacity)) : Current{};
        const std::optional<Voltage> goal = step.kind == StepKind::hold ? step.voltage : step.ends.voltage;
        if (charges(step)) {
            b.charge_current = std::max(b.charge_current, current);
            raise(b.voltage_highest, goal.value_or(cell.window_max));
        }
        if (discharges(step)) {
            b.discharge_current = std::max(b.discharge_current, current);
            lower(b.voltage_lowest, goal.value_or(cell.window_min));
        }
        asked.constant_charge = asked.constant_charge || step.kind == StepKind::charge;
        asked.constant_discharge = asked.constant_discharge || step.kind == StepKind::discharge;
        ask_of(step.steps, cell, capacity, b, asked);
    }
}

void bound_stage(const Protocol& protocol, Charge capacity, Bounds& b) {
    Asked asked;
    ask_of(protocol.steps, protocol.cell, capacity, b, asked);
    b.ceiling_highest = b.voltage_highest;
    b.floor_lowest = b.voltage_lowest;
    if (asked.constant_charge) {
        Voltage ceiling = sum(protocol.cell.window_max, ceiling_over_window);
        if (protocol.limits.voltage_max.trip) {
            ceiling = std::min(ceiling, difference(*protocol.limits.voltage_max.trip, ceiling_under_limit));
        }
        raise(b.ceiling_highest, ceiling);
    }
    if (asked.constant_discharge) {
        const Voltage by_default = difference(protocol.cell.window_min, floor_under_window);
        lower(b.floor_lowest, sum(protocol.limits.discharge_floor.trip.value_or(by_default), ceiling_under_limit));
    }
}

// Which of first and later holds depends on the cell's history, so the larger.
Charge leg_cap(const Limits& limits, Charge capacity) {
    const ChargeOrRatio first = limits.charge_leg_first.value_or(charge_leg_first_default);
    const ChargeOrRatio later = limits.charge_leg_later.value_or(charge_leg_later_default);
    return std::max(charge_of(first, capacity), charge_of(later, capacity));
}

Duration shortest(const std::vector<Step>& steps) {
    Duration whole;
    for (const Step& step : steps) {
        Ends but_time = step.ends;
        but_time.time.reset();
        if (step.kind == StepKind::repeat) {
            whole = sum(whole, times(shortest(step.steps), step.times));
        } else if (step.ends.time && but_time.empty()) {
            whole = sum(whole, *step.ends.time);
        }
    }
    return whole;
}

}  // namespace

Bounds bounds(const Protocol& protocol, Charge capacity) {
    const Totals totals = totals_of(protocol.steps, capacity, {}, true);
    Bounds b;
    b.run_time = totals.run_time;
    b.ask_time = totals.ask_time;
    b.charge_leg = std::min(totals.in, leg_cap(protocol.limits, capacity));
    b.discharge_leg = totals.legs.most;
    b.visits = totals.visits;
    bound_stage(protocol, capacity, b);
    return b;
}

Duration shortest_run(const Protocol& protocol) {
    return shortest(protocol.steps);
}

}  // namespace slowfilm::protocol
