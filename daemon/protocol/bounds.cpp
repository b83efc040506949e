#include "daemon/protocol/bounds.hpp"

#include "daemon/core/decimal.hpp"
#include "daemon/protocol/bounds_arithmetic.hpp"

#include <algorithm>

namespace slowfilm::protocol {
namespace {

// Of the measured capacity, which nobody knows beforehand.
Charge capacity_most(Charge capacity, bool measured) {
    return measured ? Charge{multiply_divide(capacity.count, measured_most.count, 1'000'000)} : capacity;
}
Current most_of(const StepCurrent& share, Charge capacity) {
    return magnitude(current_of(share.value, capacity_most(capacity, share.measured)));
}
Charge most_of(const StepCharge& share, Charge capacity) {
    return magnitude(charge_of(share.value, capacity_most(capacity, share.measured)));
}

// The most current a step can ask for, into the cell and out of it, as magnitudes.
struct Flow {
    Current in, out;
};

void widen(Flow& flow, Current signed_current) {
    flow.in = std::max(flow.in, signed_current);
    flow.out = std::max(flow.out, -signed_current);
}

// `now`: the most that may flow when a ramp begins "now".
Flow flow_of(const Step& step, Charge capacity, const Flow& now) {
    const Current current = step.current ? most_of(*step.current, capacity) : unbounded<Current>;
    switch (step.kind) {
        case StepKind::charge: return {current, {}};
        case StepKind::discharge: return {{}, current};
        case StepKind::hold:
            return {step.direction == Direction::discharge ? Current{} : current,
                    step.direction == Direction::charge ? Current{} : current};
        case StepKind::ramp: {
            if (!step.current_ramp) {
                return {current, current};
            }
            Flow flow = step.current_ramp->from ? Flow{} : now;
            widen(flow, current_of(step.current_ramp->to, capacity));
            if (step.current_ramp->from) {
                widen(flow, current_of(*step.current_ramp->from, capacity));
            }
            return flow;
        }
        case StepKind::pulse: {
            Flow flow;
            for (const PulseLevel& level : step.levels) {
                const Current most = most_of(level.current, capacity);
                widen(flow, level.charges ? most : -most);
            }
            return flow;
        }
        case StepKind::rest:
        case StepKind::ask:
        case StepKind::repeat: break;
    }
    return {};
}

// Whatever flows when a ramp begins "now" was asked by some step before it.
Flow flow_of(const std::vector<Step>& steps, Charge capacity) {
    Flow most;
    for (const Step& step : steps) {
        const Flow flow = step.kind == StepKind::repeat ? flow_of(step.steps, capacity) : flow_of(step, capacity, {});
        most = {std::max(most.in, flow.in), std::max(most.out, flow.out)};
    }
    return most;
}

// `ends.time`, which counts from not_before on, and `at_most` both end a step, so the earlier bounds it. A sweep or a
// pulse may begin anew after a pause, so only these bound it, and not its own length.
Duration longest(const Step& step) {
    std::optional<Duration> end = step.ends.time;
    if (end && step.not_before) {
        end = std::max(*end, *step.not_before);
    }
    return least_of(end, step.at_most.time).value_or(unbounded<Duration>);
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

struct Reckoning {
    Charge capacity;
    Flow now;             // the most current there can be when any step begins
    bool with_net{true};  // `net` ends bound what is moved
};

// The most charge that a current can move in this step.
Charge most_moved(const Step& step, Current current, const Reckoning& r) {
    std::optional<Charge> most = moved(current, longest(step));
    // Of a step that may move charge both ways, an amount says nothing about one of them; a hold's end is its own.
    const Flow flow = flow_of(step, r.capacity, r.now);
    const bool one_way = step.kind == StepKind::hold || flow.in.count == 0 || flow.out.count == 0;
    if (one_way && step.at_most.amount) {
        most = least_of(most, std::optional{most_of(*step.at_most.amount, r.capacity)});
    }
    if (one_way && step.ends.amount && !step.not_before) {
        most = least_of(most, std::optional{most_of(*step.ends.amount, r.capacity)});
    }
    return *most;
}

// From the furthest away that the net charge can be when the step begins. A step in either direction may overshoot it,
// and so does one that no condition ends yet.
std::optional<Charge> way_to_net(const Step& step, const Flow& flow, const Reckoning& r, const Before& before) {
    const bool one_way = (flow.in.count == 0) != (flow.out.count == 0);
    if (!step.ends.net || !r.with_net || !one_way || step.not_before) {
        return std::nullopt;
    }
    const Charge most = most_of(*step.ends.net, r.capacity);
    const Charge least = step.ends.net->measured ? Charge{} : most;
    return std::max(flow.in.count > 0 ? sum(most, before.out) : difference(before.in, least), Charge{});
}

Totals totals_of(const std::vector<Step>& steps, const Reckoning& r, const Before& before);

Totals totals_of_moving(const Step& step, const Reckoning& r, const Before& before) {
    const Flow flow = flow_of(step, r.capacity, r.now);
    const std::optional<Charge> way = way_to_net(step, flow, r, before);
    Totals totals;
    totals.visits = 1;
    totals.run_time = longest(step);
    totals.in = *least_of(std::optional{most_moved(step, flow.in, r)}, way);
    totals.out = *least_of(std::optional{most_moved(step, flow.out, r)}, way);
    // Only what charges for certain ends a discharge leg: a ramp, a pulse or a hold in either direction may not.
    const bool charges = step.kind == StepKind::charge || step.kind == StepKind::hold;
    totals.legs = {totals.out, totals.out, totals.out, charges && flow.out.count == 0};
    return totals;
}

Totals totals_of_repeat(const Step& step, const Reckoning& r, const Before& before) {
    // Without `net` first: what the passes before may have moved is a bound that `net` needs.
    const Totals rough = totals_of(step.steps, {r.capacity, r.now, false}, before);
    const Before within{sum(before.in, times(rough.in, step.times)), sum(before.out, times(rough.out, step.times))};
    const Totals pass = r.with_net ? totals_of(step.steps, r, within) : rough;
    Totals totals;
    totals.run_time = least_of(std::optional{times(pass.run_time, step.times)}, step.at_most.time).value();
    totals.ask_time = times(pass.ask_time, step.times);
    totals.in = times(pass.in, step.times);
    totals.out = times(pass.out, step.times);
    totals.legs = repeated(pass.legs, step.times);
    if (step.at_most.time && step.on_overrun != OnOverrun::stop) {
        totals.legs = {totals.out, totals.out, totals.out, false};  // left anywhere, before a charge as well
    }
    const Wide visits = static_cast<Wide>(pass.visits) * step.times + 1;
    constexpr std::uint64_t most = std::numeric_limits<std::uint64_t>::max();
    totals.visits = visits > static_cast<Wide>(most) ? most : static_cast<std::uint64_t>(visits);
    return totals;
}

Totals totals_of(const Step& step, const Reckoning& r, const Before& before) {
    Totals totals;
    totals.visits = 1;
    switch (step.kind) {
        case StepKind::charge:
        case StepKind::discharge:
        case StepKind::ramp:
        case StepKind::pulse:
        case StepKind::hold: totals = totals_of_moving(step, r, before); break;
        case StepKind::rest: totals.run_time = longest(step); break;
        case StepKind::ask: totals.ask_time = sum(longest(step), step.delay); break;
        case StepKind::repeat: totals = totals_of_repeat(step, r, before); break;
    }
    if (step.only_if) {
        totals.legs = {totals.out, totals.out, totals.out, false};  // passed over, it ends no leg
    }
    return totals;
}

Totals totals_of(const std::vector<Step>& steps, const Reckoning& r, const Before& before) {
    Totals whole;
    Before now = before;
    for (const Step& step : steps) {
        const Totals part = totals_of(step, r, now);
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
    const Protocol& protocol;
    Charge capacity;
    Flow now;
    bool up_to_ceiling{false}, down_to_floor{false};  // as far as the stage's own ceiling or floor lets it
};

// The voltages a step asks for, where it charges and where it discharges.
struct Goals {
    Voltage high, low;
};

Goals goals_of(const Step& step, const Protocol& protocol) {
    const Cell& cell = protocol.cell;
    if (const auto& ramp = step.voltage_ramp) {
        // "now" is wherever the cell is: within the window, or as it came.
        const Voltage high = ramp->from.value_or(std::max(cell.window_max, start_voltage_max(protocol)));
        const Voltage low = ramp->from.value_or(std::min(cell.window_min, start_voltage_min(protocol)));
        return {std::max(high, ramp->to), std::min(low, ramp->to)};
    }
    const std::optional<Voltage> goal = step.kind == StepKind::hold ? step.voltage : step.ends.voltage;
    return {goal.value_or(cell.window_max), goal.value_or(cell.window_min)};
}

void ask_of(const std::vector<Step>& steps, Bounds& b, Asked& asked) {
    for (const Step& step : steps) {
        const Flow flow = flow_of(step, asked.capacity, asked.now);
        const Goals goals = goals_of(step, asked.protocol);
        const bool from_now = step.voltage_ramp && !step.voltage_ramp->from;
        const bool own_ceiling = from_now || (step.kind != StepKind::hold && !step.voltage_ramp);
        if (flow.in.count > 0) {
            raise(b.voltage_highest, goals.high);
            asked.up_to_ceiling = asked.up_to_ceiling || own_ceiling;
        }
        if (flow.out.count > 0) {
            lower(b.voltage_lowest, goals.low);
            asked.down_to_floor = asked.down_to_floor || own_ceiling;
        }
        ask_of(step.steps, b, asked);
    }
}

void bound_stage(const Protocol& protocol, Charge capacity, const Flow& flow, Bounds& b) {
    Asked asked{protocol, capacity, flow};
    ask_of(protocol.steps, b, asked);
    // A share of the measured capacity is held to current_max when the run makes it out.
    const auto& limit = protocol.limits.current_max.trip;
    const Current most = limit ? current_of(*limit, capacity) : unbounded<Current>;
    b.charge_current = std::min(flow.in, most);
    b.discharge_current = std::min(flow.out, most);
    b.test_current = std::min(current_of(Rate{1, 1}, capacity) / test_part(protocol.cell.state), most / 2);
    b.ceiling_highest = b.voltage_highest;
    b.floor_lowest = b.voltage_lowest;
    if (asked.up_to_ceiling) {
        Voltage ceiling = sum(protocol.cell.window_max, ceiling_over_window);
        if (protocol.limits.voltage_max.trip) {
            ceiling = std::min(ceiling, difference(*protocol.limits.voltage_max.trip, ceiling_under_limit));
        }
        raise(b.ceiling_highest, ceiling);
    }
    if (asked.down_to_floor) {
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
        if (step.only_if) {
            continue;  // it may be passed over
        }
        if (step.kind == StepKind::repeat) {
            whole = sum(whole, times(shortest(step.steps), step.ends.figure ? 1 : step.times));
        } else if (step.ends.by_time_alone()) {
            whole = sum(whole, *step.ends.time);
        }
    }
    return whole;
}

}  // namespace

Bounds bounds(const Protocol& protocol, Charge capacity) {
    const Flow flow = flow_of(protocol.steps, capacity);
    const Totals totals = totals_of(protocol.steps, Reckoning{capacity, flow}, {});
    Bounds b;
    b.run_time = totals.run_time;
    b.ask_time = totals.ask_time;
    b.charge_leg = std::min(totals.in, leg_cap(protocol.limits, capacity));
    b.discharge_leg = totals.legs.most;
    b.visits = totals.visits;
    bound_stage(protocol, capacity, flow, b);
    return b;
}

Duration shortest_run(const Protocol& protocol) {
    return shortest(protocol.steps);
}

}  // namespace slowfilm::protocol
