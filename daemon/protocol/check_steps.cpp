// Each step by itself: what can never end, what can never be met, what lies outside the limits.
#include "daemon/core/text.hpp"
#include "daemon/protocol/bounds_arithmetic.hpp"
#include "daemon/protocol/check_judge.hpp"

#include <algorithm>

namespace slowfilm::protocol {
namespace {

using namespace literals;

constexpr Duration ten_years{std::int64_t{3'653} * 24 * 3'600 * 1'000'000};
constexpr Rate fastest{10, 1};    // first charges go up to 1.5C; ten times that is a slip of the pen
constexpr Rate slowest{1, 1000};  // a charge of six weeks

std::string current_path(const Judge& j, const Step& step) {
    return j.key_of(step, {"rate", "current", "rate_max", "current_max"});
}

std::string cap_path(const Judge& j, const Step& step, std::string_view key) {
    const std::string inner = path_of(step, "at_most." + std::string(key));
    return j.written(inner) ? inner : path_of(step, "at_most");
}

void check_current(Judge& j, const Step& step) {
    if (!step.current) {
        return;
    }
    check_current_sense(j, step, step.current->value, current_path(j, step));
    const std::optional<CurrentOrRate> most = j.trip(step, &Limits::current_max);
    const Current rated = j.current(step.current->value);
    const Current usual{saturated(static_cast<Wide>(rated.count) * 11 / 10)};
    if (step.current->measured && most && rated <= j.current(*most) && usual > j.current(*most)) {
        j.warning(current_path(j, step),
                  label(step) +
                      " asks a share of the measured capacity, and a cell that gives a tenth more than its "
                      "rating is held to current_max " +
                      quoted_with_amperes(*most, j.cell.capacity) + "; at least " + quoted(usual) + " would be right");
    }
}

void check_charge_voltage(Judge& j, const Step& step, Voltage end) {
    const std::string path = path_of(step, "ends.voltage");
    if (end > j.cell.window_max) {
        j.error(path, label(step) + " charges to " + quoted(end) + ", above window.max " + quoted(j.cell.window_max) +
                          ", where the stage's own ceiling stops it: this end can never be reached; at most " +
                          quoted(j.cell.window_max) + " would be right");
    }
}

void check_discharge_voltage(Judge& j, const Step& step, Voltage end) {
    const std::string path = path_of(step, "ends.voltage");
    const Voltage floor = j.limits.discharge_floor.trip.value_or(difference(j.cell.window_min, floor_under_window));
    const Voltage least = sum(floor, sum(end_margin_unknown, ceiling_under_limit));
    if (end < j.cell.window_min) {
        j.error(path, label(step) + " discharges to " + quoted(end) + ", below window.min " +
                          quoted(j.cell.window_min) + "; at least " + quoted(j.cell.window_min) + " would be right");
    } else if (end < least) {
        j.error(path, label(step) + " discharges to " + quoted(end) + ", and discharge_floor " + quoted(floor) +
                          " leaves no room for the stage's own floor between them; end at " + quoted(least) +
                          " or above, or lower discharge_floor");
    } else if (end >= j.cell.window_max) {
        j.error(path, label(step) + " discharges to " + quoted(end) + ", which is not below window.max " +
                          quoted(j.cell.window_max) + ": already so before any current flows");
    }
}

void check_hold_voltage(Judge& j, const Step& step) {
    if (!step.voltage) {
        return;
    }
    const Voltage voltage = *step.voltage;
    const std::string path = path_of(step, "voltage");
    if (voltage > j.cell.window_max) {
        j.error(path, label(step) + " holds " + quoted(voltage) + ", above window.max " + quoted(j.cell.window_max) +
                          "; at most " + quoted(j.cell.window_max) + " would be right");
        return;
    }
    // A cell fresh from filling is held at 1.5 to 2 V through its soak; one that may be drained to there is not.
    const bool fills_fresh_cell =
        step.direction == Direction::charge && (j.cell.state != CellState::formed || !j.state_known());
    if (voltage < j.cell.window_min && !fills_fresh_cell) {
        j.error(path, label(step) + " holds " + quoted(voltage) + ", below window.min " + quoted(j.cell.window_min) +
                          "; only a cell that was never formed may be held there, in direction \"charge\": at least " +
                          quoted(j.cell.window_min) + " would be right");
    }
}

void check_voltage(Judge& j, const Step& step) {
    if (step.kind == StepKind::charge && step.ends.voltage) {
        check_charge_voltage(j, step, *step.ends.voltage);
    } else if (step.kind == StepKind::discharge && step.ends.voltage) {
        check_discharge_voltage(j, step, *step.ends.voltage);
    } else if (step.kind == StepKind::hold) {
        check_hold_voltage(j, step);
    }
    if (step.kind == StepKind::hold && step.ends.current && step.current) {
        const Current taper = j.current(step.ends.current->value);
        const Current limit = j.current(step.current->value);
        if (taper >= limit) {
            j.error(path_of(step, "ends.current"),
                    label(step) + " ends at " + quoted_with_amperes(step.ends.current->value, j.cell.capacity) +
                        ", which is not below the most it may draw, " +
                        quoted_with_amperes(step.current->value, j.cell.capacity) +
                        ": already so when it begins; a fifth to a twentieth of that would be right");
        }
    }
}

void check_times(Judge& j, const Step& step) {
    if (step.ends.time && step.at_most.time && *step.at_most.time < *step.ends.time) {
        j.error(cap_path(j, step, "time"), label(step) + " ends by time after " + quoted(*step.ends.time) +
                                               " but may last at most " + quoted(*step.at_most.time) +
                                               ", so it can never end as written; 'at_most' must be above");
    }
    if (step.kind == StepKind::repeat && step.at_most.time) {
        const std::vector<Step> alone{step};
        Protocol only_it;
        only_it.steps = alone;
        const Duration least = shortest_run(only_it);
        if (*step.at_most.time < least) {
            j.error(cap_path(j, step, "time"), label(step) + " may last at most " + quoted(*step.at_most.time) +
                                                   ", but its steps by time alone take " + quoted(least) +
                                                   ", so its passes can never end; 'at_most' must be above");
        }
    }
}

void check_amount(Judge& j, const Step& step) {
    if (!step.ends.amount) {
        return;
    }
    // A share of the measured capacity and one of the rated cannot be compared: cells differ.
    const bool measured = step.ends.amount->measured;
    const Charge amount = j.charge(step.ends.amount->value);
    const std::string path = path_of(step, "ends.amount");
    const std::string text =
        label(step) + " ends after " + quoted_with_charge(step.ends.amount->value, j.cell.capacity);
    const std::optional<StepCharge>& capped = step.at_most.amount;
    if (capped && capped->measured == measured && amount > j.charge(capped->value)) {
        j.error(path, text + " but may move at most " + quoted_with_charge(capped->value, j.cell.capacity) +
                          ", so this end can never be reached; 'at_most' must be above");
        return;
    }
    if (const std::optional<Charge> most = moved_in_time(j, step, measured); most && amount > *most) {
        j.error(path, text + ", but its current moves at most " + quoted(*most) +
                          " in the time it has; give it more time or current, or a smaller amount");
        return;
    }
    const Charge cap = std::max(j.charge(*j.limits.charge_leg_first), j.charge(*j.limits.charge_leg_later));
    if (!measured && step.kind != StepKind::discharge && amount > cap) {
        j.error(path, text + ", but charge_leg_max trips at " + quoted(cap) + "; an amount below it would be right");
    } else if (step.kind == StepKind::discharge && amount > times(j.cell.capacity, 2)) {
        j.error(path, text + ", twice what a cell of " + quoted(j.cell.capacity) +
                          " holds; an amount of at most its capacity would be right");
    }
}

void check_length(Judge& j) {
    const Bounds all = bounds(j.protocol, j.cell.capacity);
    if (all.run_time > ten_years && all.run_time != unbounded<Duration>) {
        j.error("step.1", "the steps' caps add up to " + print_span(all.run_time) +
                              ", more than ten years; lower 'at_most' or 'times'");
    }
}

}  // namespace

std::optional<Charge> moved_in_time(const Judge& j, const Step& step, bool measured) {
    const std::optional<Duration> time =
        step.not_before ? step.at_most.time : least_of(step.ends.time, step.at_most.time);
    if (!step.current || step.current->measured != measured || !time) {
        return std::nullopt;
    }
    return moved(j.current(step.current->value), *time);
}

void check_current_sense(Judge& j, const Step& step, const CurrentOrRate& value, const std::string& path) {
    const Charge capacity = j.cell.capacity;
    const Current current = magnitude(j.current(value));
    const std::string text = quoted_with_amperes(value, capacity);
    if (current > current_of(fastest, capacity) || current < current_of(slowest, capacity)) {
        j.error(path, label(step) + " asks " + text + " of a cell of " + quoted(capacity) + "; between " +
                          quoted(slowest) + " and " + quoted(fastest) + " (" + print(current_of(slowest, capacity)) +
                          " to " + print(current_of(fastest, capacity)) + ") is allowed, and C/50 to 1C is usual");
        return;
    }
    const std::optional<CurrentOrRate> most = j.trip(step, &Limits::current_max);
    if (!most) {
        return;
    }
    const Current limit = j.current(*most);
    const Current room = {saturated((static_cast<Wide>(current.count) * 101 + 99) / 100)};
    if (current > limit) {
        j.error(path, label(step) + " asks " + text + ", above current_max " + quoted_with_amperes(*most, capacity) +
                          "; lower the step's current, or set current_max to a little above " + quoted(current));
    } else if (limit < room) {
        j.warning(path, label(step) + " asks " + text + ", and current_max " + quoted_with_amperes(*most, capacity) +
                            " leaves the instrument's own error no room; at least " + quoted(room) +
                            " (1 % more) would be right");
    }
}

// What the connection checks may send is half of current_max.
void check_test_current(Judge& j) {
    const auto& most = j.limits.current_max.trip;
    const Current least = current_of(Rate{2, test_part_least}, j.cell.capacity);
    if (most && j.current(*most) < least) {
        j.error("limits.current_max",
                "current_max " + quoted_with_amperes(*most, j.cell.capacity) +
                    " leaves the connection checks too little current to tell a cell from an open circuit, and every "
                    "start would fail; at least " +
                    quoted(least) + " would be right");
    }
}

void check_steps(Judge& j) {
    check_test_current(j);
    each_step(j.protocol.steps, [&](const Step& step, std::uint64_t) {
        check_current(j, step);
        check_voltage(j, step);
        check_times(j, step);
        check_amount(j, step);
    });
    check_length(j);
}

}  // namespace slowfilm::protocol
