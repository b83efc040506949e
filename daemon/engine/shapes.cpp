// Steps whose demand changes on the way: a ramp's sweep, a pulse's levels.
#include "daemon/engine/machine.hpp"

#include <algorithm>

namespace slowfilm::engine {

namespace {

using namespace literals;

// IEC 61960-3 names the time of each level; a resistance from levels that were off by more is another one (the margin
// is common practice).
constexpr Duration level_time_off_max = 100_ms;

}  // namespace

void Machine::begin_shape(const PlanStep& step) {
    run_.shape = Shape{};
    if (step.kind == StepKind::ramp) {
        const std::int64_t here = step.sweep.of_current ? (is_open(run_.demand) ? 0 : run_.last.current.value.count)
                                                        : run_.last.voltage.value.count;
        run_.shape.from = step.sweep.from_now ? here : step.sweep.from;
    }
}

// Where the sweep is now, whole steps of the channel's resolution only: each setpoint is a message to an instrument.
std::int64_t Machine::sweep_now(const SweepPlan& sweep) const {
    const Shape& shape = run_.shape;
    const std::int64_t way = sweep.to - shape.from;
    if (sweep.of_current) {
        if (shape.done >= sweep.over) {
            return sweep.to;
        }
        __extension__ using Wide = __int128;
        const auto moved = static_cast<std::int64_t>(static_cast<Wide>(way) * shape.done.count / sweep.over.count);
        const std::int64_t least = std::max<std::int64_t>(plan_.traits.current_resolution.count, 1);
        return shape.from + moved / least * least;
    }
    const std::int64_t most = way < 0 ? -way : way;
    const std::int64_t least = std::max<std::int64_t>(plan_.traits.voltage_resolution.count, 1);
    const std::int64_t moved = moved_by(sweep.rate, shape.done).count;
    if (moved >= most) {
        return sweep.to;
    }
    return shape.from + (way < 0 ? -1 : 1) * (moved / least * least);
}

Demand Machine::sweep_demand(const PlanStep& step) const {
    const SweepPlan& sweep = step.sweep;
    const std::int64_t now = sweep_now(sweep);
    if (!sweep.of_current) {
        return HoldVoltage{.voltage = Voltage{now},
                           .source_max = std::min(sweep.limit, plan_.traits.source_max),
                           .sink_max = std::min(sweep.limit, plan_.traits.sink_max)};
    }
    DriveCurrent drive = std::get<DriveCurrent>(step.demand);
    drive.current = Current{now};
    return drive;
}

// A voltage goes on from where the cell is now, a current from where the sweep was.
void Machine::go_on_with_sweep(const PlanStep& step, bool again) {
    if (again && !step.sweep.of_current) {
        const auto [low, high] = std::minmax(step.sweep.to, run_.shape.from);
        run_.shape.from = std::clamp(run_.last.voltage.value.count, low, high);
        run_.shape.done = Duration{};
    }
    run_.state = RunState::forming;
    demand(sweep_demand(step));
}

// A pulse begins again, after the rest that it had before.
void Machine::go_on_with_pulse(const PlanStep& step, bool again) {
    run_.shape = Shape{};
    if (again && step.rest_before.count > 0) {
        run_.shape.rest_left = step.rest_before;
        run_.state = RunState::resting;
        demand(Open{});
        return;
    }
    begin_levels(step);
}

void Machine::begin_levels(const PlanStep& step) {
    Shape& shape = run_.shape;
    shape.before_known = run_.last.voltage.good() && run_.last.current.good();
    shape.before_voltage = run_.last.voltage.value;
    shape.before_current = run_.opening.verified ? Current{} : run_.last.current.value;
    run_.state = RunState::forming;
    take_level(step, 0);
}

void Machine::take_level(const PlanStep& step, std::uint8_t level) {
    const PlanLevel& plan = plan_.levels[step.first_level + level];
    run_.shape.level = level;
    run_.shape.switched = now_;
    DriveCurrent drive = std::get<DriveCurrent>(step.demand);
    drive.current = plan.measured ? scaled_current(plan.current) : plan.current;
    demand(drive);
}

// One setpoint of a sweep to the next: the same demand, further on. Nothing settles anew.
void Machine::follow(const Demand& wanted) {
    if (wanted != run_.demand) {
        run_.demand = wanted;
        decision_.apply = true;
    }
}

// A voltage is swept once the cell has it: at its limit of current the stage may have stayed behind.
bool Machine::arrived(const SweepPlan& sweep) const {
    const std::int64_t near = plan_.guards[static_cast<std::size_t>(GuardId::hold_error)].trip;
    return sweep.of_current ||
           (run_.last.voltage.good() && magnitude(run_.last.voltage.value - Voltage{sweep.to}).count <= near);
}

EndReason Machine::go_through_shape(const PlanStep& step, const Sample* sample) {
    if (step.kind == StepKind::ramp) {
        if (sweep_now(step.sweep) == step.sweep.to && run_.shape.done.count > 0 && arrived(step.sweep)) {
            return EndReason::swept;
        }
        follow(sweep_demand(step));
        return EndReason::none;
    }
    if (step.kind != StepKind::pulse) {
        return EndReason::none;
    }
    Shape& shape = run_.shape;
    if (shape.rest_left.count > 0) {
        return EndReason::none;  // count_time takes it down
    }
    if (run_.state == RunState::resting) {
        begin_levels(step);
        return EndReason::none;
    }
    if (sample != nullptr) {
        const bool bound = sample->mode == StageMode::at_ceiling || sample->mode == StageMode::at_floor;
        const bool beyond = sample->voltage.good() &&
                            !(sample->voltage.value > plan_.window_min && sample->voltage.value < plan_.window_max);
        if (bound || beyond) {
            shape.flaw = NoResistance::window_reached;
        }
    }
    // The reading nearest to the written time ends the level: a period rarely divides it to the microsecond.
    const PlanLevel& level = plan_.levels[step.first_level + shape.level];
    const Duration lasted = now_ - shape.switched;
    if (!run_.taken || lasted + plan_.traits.period / 2 <= level.span) {
        return EndReason::none;
    }
    return end_level(step, magnitude(lasted - level.span) > level_time_off_max);
}

EndReason Machine::end_level(const PlanStep& step, bool off_time) {
    Shape& shape = run_.shape;
    const auto meant = [&](Time at, bool good) { return good && at > shape.switched; };
    const Reading<Voltage>& voltage = run_.last.voltage;
    const Reading<Current>& current = run_.last.current;
    const bool known = meant(voltage.time, voltage.good()) && meant(current.time, current.good());
    if (off_time && shape.flaw == NoResistance::none) {
        shape.flaw = NoResistance::level_time;
    }
    const bool last = shape.level + 1 == step.level_count;
    if (!last) {
        shape.before_known = known;
        shape.before_voltage = voltage.value;
        shape.before_current = current.value;
        take_level(step, static_cast<std::uint8_t>(shape.level + 1));
        return EndReason::none;
    }
    if (shape.flaw == NoResistance::none && !(known && shape.before_known)) {
        shape.flaw = NoResistance::no_reading;
    }
    const auto resistance = resistance_of(shape.before_voltage, shape.before_current, voltage.value, current.value);
    if (shape.flaw == NoResistance::none && !resistance) {
        shape.flaw = NoResistance::no_change;
    }
    run_.totals.no_resistance = shape.flaw;
    run_.totals.resistance = shape.flaw == NoResistance::none ? *resistance : Resistance{};
    return EndReason::levels;
}

}  // namespace slowfilm::engine
