// The conditions of `ends` beyond current, voltage and charge (check_steps.cpp): those that a guard or the step itself
// puts out of reach, and what good_end and not_before say of them.
#include "daemon/protocol/bounds_arithmetic.hpp"
#include "daemon/protocol/check_judge.hpp"
#include "daemon/protocol/grammar.hpp"

namespace slowfilm::protocol {
namespace {

// `what` must last `span`, and the step ends before.
void check_lasts(Judge& j, const Step& step, std::string_view key, Duration span, const std::string& what) {
    const std::optional<Duration> most = least_of(step.ends.time, step.at_most.time);
    if (most && span > *most) {
        j.error(path_of(step, key), label(step) + " " + what + " " + quoted(span) + " but lasts at most " +
                                        quoted(*most) + ", so this can never be met; a shorter time would be right");
    }
}

void check_temperature_end(Judge& j, const Step& step) {
    const TemperatureEnd& end = *step.ends.temperature;
    const auto high = j.trip(step, &Limits::temperature_max);
    const auto low = j.trip(step, &Limits::temperature_min);
    const std::string never = ", which trips before this end can be met";
    if (end.min && high && *end.min >= *high) {
        j.error(path_of(step, "ends.temperature.min"), label(step) + " ends at " + quoted(*end.min) +
                                                           " or above, and temperature_max is " + quoted(*high) +
                                                           never + "; a temperature below it would be right");
    }
    if (end.max && low && *end.max <= *low) {
        j.error(path_of(step, "ends.temperature.max"), label(step) + " ends at " + quoted(*end.max) +
                                                           " or below, and temperature_min is " + quoted(*low) + never +
                                                           "; a temperature above it would be right");
    }
    const TemperatureWindow& window =
        step.kind == StepKind::discharge ? j.limits.discharge_temperature : j.limits.charge_temperature;
    if (step.kind == StepKind::charge || step.kind == StepKind::discharge) {
        const bool hot = end.min && window.max && *end.min > *window.max;
        const bool cold = end.max && window.min && *end.max < *window.min;
        if (hot || cold) {
            j.error(path_of(step, hot ? "ends.temperature.min" : "ends.temperature.max"),
                    label(step) + " ends at " + quoted(hot ? *end.min : *end.max) + ", outside " +
                        (step.kind == StepKind::charge ? "charge_temperature" : "discharge_temperature") + never +
                        "; wait for it in a rest, or end otherwise");
        }
    }
    if (end.held) {
        check_lasts(j, step, "ends.temperature.for", *end.held, "waits for a temperature that lasts");
    }
}

void check_passed_voltage(Judge& j, const Step& step) {
    const bool above = step.ends.above.has_value();
    if (!above && !step.ends.below) {
        return;
    }
    const Voltage goal = above ? *step.ends.above : *step.ends.below;
    const std::string path = path_of(step, above ? "ends.voltage.above" : "ends.voltage.below");
    const std::string what = label(step) + " ends " + (above ? "above " : "below ") + quoted(goal);
    const auto high = j.trip(step, &Limits::voltage_max);
    if (above && high && goal >= *high) {
        j.error(path,
                what + ", and voltage_max trips at " + quoted(*high) + " before; a voltage below it would be right");
    } else if (step.kind == StepKind::hold && step.voltage && step.direction != Direction::either) {
        const bool up = step.direction == Direction::charge;
        if (up && above && goal >= *step.voltage) {
            j.error(path, what + ", which a charge held at " + quoted(*step.voltage) +
                              " can never pass; a voltage below it would be right");
        } else if (!up && !above && goal <= *step.voltage) {
            j.error(path, what + ", which a discharge held at " + quoted(*step.voltage) +
                              " can never pass; a voltage above it would be right");
        }
    }
}

bool stands(const Ends& ends, GoodEnd good) {
    switch (good) {
        case GoodEnd::any: return true;
        case GoodEnd::voltage: return ends.voltage || ends.above || ends.below;
        case GoodEnd::current: return ends.current.has_value();
        case GoodEnd::time: return ends.time.has_value();
        case GoodEnd::amount: return ends.amount.has_value();
        case GoodEnd::net: return ends.net.has_value();
        case GoodEnd::temperature: return ends.temperature.has_value();
        case GoodEnd::settle: return ends.settle.has_value();
    }
    return false;
}

void check_good_end(Judge& j, const Step& step) {
    if (stands(step.ends, step.good_end) || j.unclear(step)) {
        return;
    }
    const Key& key = grammar_key(grammar_section("step").keys, "good_end");
    const std::string word(key.words[static_cast<std::size_t>(step.good_end) - 1]);
    j.error(path_of(step, "good_end"), label(step) + " counts only \"" + word +
                                           "\" as a good end, and its ends has no such condition; write one there, or "
                                           "name a condition that is");
}

void check_not_before(Judge& j, const Step& step) {
    if (step.at_most.time && *step.not_before >= *step.at_most.time) {
        j.error(path_of(step, "not_before"),
                label(step) + " lets no condition count before " + quoted(*step.not_before) + " but may last at most " +
                    quoted(*step.at_most.time) +
                    ", so it can never end as written; a shorter not_before would be right");
    } else if (step.ends.time && *step.not_before > *step.ends.time) {
        j.error(path_of(step, "not_before"), label(step) + " ends by time after " + quoted(*step.ends.time) +
                                                 " but lets no condition count before " + quoted(*step.not_before) +
                                                 "; make not_before the shorter of the two");
    }
}

// A time of keep.at that the step never reaches is a mark that is never kept.
void check_kept_times(Judge& j, const Step& step) {
    const std::optional<Duration> longest = least_of(step.ends.time, step.at_most.time);
    if (!longest || step.kind == StepKind::repeat || (step.not_before && *step.not_before > *longest)) {
        return;
    }
    for (const Duration at : step.keep->at) {
        if (at > *longest) {
            j.error(path_of(step, "keep.at"), label(step) + " keeps a reading after " + quoted(at) + " but lasts " +
                                                  quoted(*longest) + " at most; a time within it would be right");
            return;
        }
    }
}

void check_measures(Judge& j, const Step& step) {
    if (!step.ends.voltage && !j.unclear(step)) {
        j.error(path_of(step, "measures"),
                label(step) +
                    " measures the capacity but does not end by voltage, so it would measure "
                    "what it was told to take; add ends.voltage");
    }
}

}  // namespace

void check_ends(Judge& judge) {
    each_step(judge.protocol.steps, [&](const Step& step, std::uint64_t) {
        if (step.ends.temperature) {
            check_temperature_end(judge, step);
        }
        check_passed_voltage(judge, step);
        if (step.ends.settle) {
            check_lasts(judge, step, "ends.settle.over", step.ends.settle->over, "takes the voltage's drift over");
        }
        check_good_end(judge, step);
        if (step.not_before) {
            check_not_before(judge, step);
        }
        if (step.keep) {
            check_kept_times(judge, step);
        }
        if (step.measures) {
            check_measures(judge, step);
        }
    });
}

}  // namespace slowfilm::protocol
