// Ramps and pulses: sweeps that go nowhere or outside the limits, levels that the guards would stop.
#include "daemon/protocol/bounds_arithmetic.hpp"
#include "daemon/protocol/check_judge.hpp"

namespace slowfilm::protocol {
namespace {

void check_sweep_time(Judge& j, const Step& step, Duration takes) {
    if (step.at_most.time && takes > *step.at_most.time) {
        j.error(j.key_of(step, {"at_most.time", "at_most"}),
                label(step) + " sweeps for " + quoted(takes) + " but may last at most " + quoted(*step.at_most.time) +
                    ", so it can never come to its end; 'at_most' must be above, or the sweep faster");
    }
}

// How long from one voltage to another, rounded up; slopes are nV a day.
Duration sweep_time(Voltage from, Voltage to, VoltageSlope rate) {
    constexpr Wide us_per_day = 86'400'000'000;
    const Wide way = static_cast<Wide>(magnitude(difference(to, from)).count) * us_per_day;
    return {saturated((way + rate.count - 1) / rate.count)};
}

void check_swept_voltage(Judge& j, const Step& step, Voltage voltage, std::string_view key) {
    const Cell& cell = j.cell;
    const std::string path = path_of(step, "voltage." + std::string(key));
    const bool fresh = cell.state != CellState::formed || !j.state_known();
    if (voltage > cell.window_max) {
        j.error(path, label(step) + " sweeps to " + quoted(voltage) + ", above window.max " + quoted(cell.window_max) +
                          "; at most " + quoted(cell.window_max) + " would be right");
    } else if (voltage < cell.window_min && !fresh) {
        j.error(path, label(step) + " sweeps to " + quoted(voltage) + ", below window.min " + quoted(cell.window_min) +
                          "; only a cell that was never formed may be there: at least " + quoted(cell.window_min) +
                          " would be right");
    }
}

void check_voltage_ramp(Judge& j, const Step& step, const VoltageRamp& ramp) {
    check_swept_voltage(j, step, ramp.to, "to");
    if (!ramp.from) {
        return;
    }
    check_swept_voltage(j, step, *ramp.from, "from");
    if (*ramp.from == ramp.to) {
        j.error(path_of(step, "voltage.to"), label(step) + " sweeps from " + quoted(*ramp.from) +
                                                 " to the same voltage; a hold does that, or write another 'to'");
        return;
    }
    check_sweep_time(j, step, sweep_time(*ramp.from, ramp.to, ramp.rate));
    if (step.ends.voltage) {
        const auto [low, high] = std::minmax(*ramp.from, ramp.to);
        if (*step.ends.voltage <= low || *step.ends.voltage >= high) {
            j.error(path_of(step, "ends.voltage"),
                    label(step) + " ends at " + quoted(*step.ends.voltage) + ", which lies outside its sweep from " +
                        quoted(*ramp.from) + " to " + quoted(ramp.to) +
                        ": already so or never reached; a voltage between them would be right");
        }
    }
}

void check_current_ramp(Judge& j, const Step& step, const CurrentRamp& ramp) {
    check_sweep_time(j, step, ramp.over);
    const Current to = j.current(ramp.to);
    if (to.count != 0) {
        check_current_sense(j, step, ramp.to, path_of(step, "current.to"));
    }
    const std::optional<Current> from = ramp.from ? std::optional{j.current(*ramp.from)} : std::nullopt;
    if (from && from->count != 0) {
        check_current_sense(j, step, *ramp.from, path_of(step, "current.from"));
    }
    if (from == to) {
        j.error(path_of(step, "current.to"), label(step) + " sweeps from " + quoted(*ramp.from) +
                                                 " to the same current; a charge or discharge does that, or write "
                                                 "another 'to'");
    }
    if (!step.ends.voltage) {
        return;
    }
    const std::string path = path_of(step, "ends.voltage");
    const bool charges = may_charge(step);
    if (charges == may_discharge(step)) {
        j.error(path, label(step) +
                          " ends by a voltage in the direction of its current, which goes both ways; make two "
                          "ramps of it, or end it otherwise");
    } else if (charges ? *step.ends.voltage > j.cell.window_max : *step.ends.voltage < j.cell.window_min) {
        j.error(path, label(step) + " ends at " + quoted(*step.ends.voltage) + ", outside the window of " +
                          quoted(j.cell.window_min) + " to " + quoted(j.cell.window_max) + ", where the stage's own " +
                          (charges ? "ceiling" : "floor") + " stops it: this end can never be reached");
    }
}

void check_pulse(Judge& j, const Step& step) {
    Duration all;
    for (std::size_t i = 0; i < step.levels.size(); ++i) {
        const PulseLevel& level = step.levels[i];
        all = sum(all, level.span);
        check_current_sense(
            j, step, level.current.value,
            path_of(step, "levels." + std::to_string(i + 1) + (level.charges ? ".charge" : ".discharge")));
    }
    if (step.at_most.time && all > *step.at_most.time) {
        j.error(j.key_of(step, {"at_most.time", "at_most"}),
                label(step) + " has levels of " + quoted(all) + " together but may last at most " +
                    quoted(*step.at_most.time) + ", so it can never come to its end; 'at_most' must be above");
    }
}

}  // namespace

void check_drive(Judge& judge) {
    each_step(judge.protocol.steps, [&](const Step& step, std::uint64_t) {
        if (step.voltage_ramp) {
            check_voltage_ramp(judge, step, *step.voltage_ramp);
        } else if (step.current_ramp) {
            check_current_ramp(judge, step, *step.current_ramp);
        } else if (step.kind == StepKind::pulse) {
            check_pulse(judge, step);
        }
    });
}

}  // namespace slowfilm::protocol
