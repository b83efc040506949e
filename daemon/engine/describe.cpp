#include "daemon/engine/describe.hpp"

#include "daemon/core/text.hpp"
#include "daemon/engine/guards.hpp"
#include "daemon/protocol/grammar.hpp"

namespace slowfilm::engine {

namespace {

std::string step_text(const Event& event, const Plan& plan) {
    if (event.step >= plan.labels.size()) {
        return "";
    }
    const StepLabel& label = plan.labels[event.step];
    return "step " + label.path + (label.name.empty() ? "" : " (" + label.name + ")");
}

std::string_view side(std::int64_t value, std::int64_t limit) {
    return value > limit ? "above" : value < limit ? "below" : "at";
}

std::string_view fault_text(std::int64_t code) {
    switch (static_cast<FaultKind>(code)) {
        case FaultKind::lost: return "the link to the instrument was lost";
        case FaultKind::refused: return "the instrument did not take a demand";
        case FaultKind::rebooted: return "the instrument rebooted and lost its settings";
        case FaultKind::opened_itself: return "the instrument opened its own output";
        case FaultKind::setting_changed: return "a setting read back differs from what was set";
    }
    return "the channel reported a fault";
}

// Whose limit it is tells by its value; where two caps are the same number, nobody can tell.
std::string cap_text(const Event& event, const BenchCaps& caps) {
    const auto beyond = [](const auto& value, const auto& limit) {
        return print(value) + " is above the " + print(limit) + " that the bench allows";
    };
    if (event.limit == caps.temperature_max.count) {
        return beyond(Temperature{event.value}, caps.temperature_max);
    }
    if (event.limit != caps.voltage_max.count) {
        return beyond(Current{event.value}, caps.current_max);
    }
    if (caps.voltage_max.count != caps.current_max.count) {
        return beyond(Voltage{event.value}, caps.voltage_max);
    }
    return print(Voltage{event.value}) + " or " + print(Current{event.value}) + " is above the " +
           print(caps.voltage_max) + " and " + print(caps.current_max) + " that the bench allows";
}

std::string trip_text(const Event& event, const Plan& plan) {
    const auto id = static_cast<GuardId>(event.code);
    const std::string name{guard_row(id).name};
    switch (id) {
        case GuardId::stale:
            return name + ": no good reading for " + print_guard_value(id, event.value) + ", limit " +
                   print_guard_value(id, event.limit) + "; none came, or all that came were bad";
        case GuardId::not_plausible: return name + ": readings outside the sensor's range, too many to ride out";
        case GuardId::channel_fault:
            if (event.limit != 0) {
                return name + ": a demand was not reported as taken within " + print_guard_value(id, event.limit);
            }
            return name + ": " + std::string{fault_text(event.value)};
        case GuardId::group: return name + ": a neighbouring channel tripped for heat or a stuck output";
        case GuardId::climb:
            return name + ": the voltage has only reached " + print_guard_value(id, event.value) +
                   " though the charge so far should have brought it above " + print_guard_value(id, event.limit);
        case GuardId::current_lost:
            return name + ": the current fell to " + print_guard_value(id, event.value) + " between two readings";
        case GuardId::stuck:
            return name + ": the voltage reading has not moved by a digit over " + print_guard_value(id, event.value) +
                   " at constant current, limit " + print_guard_value(id, event.limit) +
                   "; the converter may be frozen";
        case GuardId::bench_cap: return name + ": " + cap_text(event, plan.caps);
        case GuardId::voltage_jump:
            return name + ": the voltage went " + print_guard_value(id, event.value) +
                   " off between two readings, more than " + print_guard_value(id, event.limit) +
                   ", as no demand or cell would move it; look at the sense leads and contacts";
        case GuardId::over_voltage:
        case GuardId::reversed:
        case GuardId::low_voltage:
        case GuardId::voltage_fall:
        case GuardId::discharge_floor:
        case GuardId::over_current:
        case GuardId::current_error:
        case GuardId::leakage:
        case GuardId::hold_error:
        case GuardId::lead_drop:
        case GuardId::over_temperature:
        case GuardId::under_temperature:
        case GuardId::charge_temperature:
        case GuardId::discharge_temperature:
        case GuardId::temperature_rise:
        case GuardId::above_ambient:
        case GuardId::charge_leg:
        case GuardId::charge_net:
        case GuardId::run_time:
        case GuardId::record_lost: break;
    }
    return name + ": " + print_guard_value(id, event.value) + " is " + std::string{side(event.value, event.limit)} +
           " the limit " + print_guard_value(id, event.limit);
}

std::string test_text(ConnectionFault fault, const Event& event) {
    switch (fault) {
        case ConnectionFault::sensors_disagree:
            return "cell and room differ by " + print(TemperatureDifference{event.value}) + " at rest, more than " +
                   print(TemperatureDifference{event.limit}) + "; let the cell settle, or look at the thermometers";
        case ConnectionFault::no_response:
            return "a test current moved the voltage by " + print(Voltage{event.value}) + ", less than " +
                   print(Voltage{event.limit}) + "; look at the sense leads: they may be at another cell";
        case ConnectionFault::wrong_direction:
            return "a test current moved the voltage the wrong way, by " + print(Voltage{event.value}) +
                   "; look at the polarity of force and sense leads with a voltmeter";
        case ConnectionFault::not_back:
            return "after the test current the voltage went on by " + print(Voltage{event.value}) +
                   "; look whether another channel feeds this cell";
        case ConnectionFault::resistance_low:
            return "the resistance is " + print(Resistance{event.value}) + ", below " + print(Resistance{event.limit}) +
                   "; is it the right cell?";
        case ConnectionFault::resistance_high:
            return "the resistance is " + print(Resistance{event.value}) + ", above " + print(Resistance{event.limit}) +
                   "; look at clamps and contacts";
        case ConnectionFault::crossed:
            return "the voltage of channel number " + std::to_string(event.value + 1) +
                   " of the bench moved with this one's test current: force or sense leads are crossed";
        case ConnectionFault::other_cell:
            return "the cell reads " + print(Voltage{event.value}) +
                   ", and the one that was here would not be beyond " + print(Voltage{event.limit}) +
                   "; look whether it is the same cell: one that is, and changed so much, cannot go on in this run";
        case ConnectionFault::none:
        case ConnectionFault::no_reading:
        case ConnectionFault::reversed:
        case ConnectionFault::below_start_window:
        case ConnectionFault::above_start_window:
        case ConnectionFault::temperature_outside:
        case ConnectionFault::current_flows: return "";
    }
    return "";
}

std::string connection_text(const Event& event) {
    const auto fault = static_cast<ConnectionFault>(event.code);
    const Voltage value{event.value};
    const Voltage limit{event.limit};
    switch (fault) {
        case ConnectionFault::none: return "connection checks passed";
        case ConnectionFault::no_reading:
            return "no good reading of every quantity within " + print(Duration{event.limit}) +
                   "; look at the sense leads, the thermometer and the instrument";
        case ConnectionFault::reversed:
            return "the cell reads " + print(value) + ", below " + print(limit) +
                   ": it looks reversed; check the polarity with a voltmeter before anything else";
        case ConnectionFault::below_start_window:
            return "the cell reads " + print(value) + ", below the start window's " + print(limit) +
                   "; is it the right cell, and in the state the protocol expects?";
        case ConnectionFault::above_start_window:
            return "the cell reads " + print(value) + ", above the start window's " + print(limit) +
                   "; is it the right cell, and in the state the protocol expects?";
        case ConnectionFault::temperature_outside:
            return "the cell is at " + print(Temperature{event.value}) + ", outside the start window (" +
                   print(Temperature{event.limit}) + "); let it settle, or check the thermometer";
        case ConnectionFault::current_flows:
            return print(Current{event.value}) +
                   " flows at open circuit; the output or a contactor is stuck: open it "
                   "by hand and look at the wiring";
        case ConnectionFault::sensors_disagree:
        case ConnectionFault::no_response:
        case ConnectionFault::wrong_direction:
        case ConnectionFault::not_back:
        case ConnectionFault::resistance_low:
        case ConnectionFault::resistance_high:
        case ConnectionFault::crossed:
        case ConnectionFault::other_cell: return test_text(fault, event);
    }
    return "";
}

std::string_view command_name(std::uint8_t code) {
    switch (static_cast<CommandKind>(code)) {
        case CommandKind::start: return "start";
        case CommandKind::pause: return "pause";
        case CommandKind::resume: return "resume";
        case CommandKind::confirm: return "confirm";
        case CommandKind::acknowledge: return "acknowledge";
        case CommandKind::stop: return "stop";
    }
    return "";
}

std::string wait_text(WaitReason reason) {
    if (reason == WaitReason::none) {
        return "waiting for a person";
    }
    // A resume by itself sets these going again.
    const bool checks_again = reason == WaitReason::acknowledged || reason == WaitReason::moved;
    return checks_again ? "waiting: " + std::string{cause(reason)} + "; resume with its ID runs the connection checks"
                        : "waiting for a person: " + std::string{cause(reason)};
}

}  // namespace

std::string_view name(EndReason reason) {
    switch (reason) {
        case EndReason::none: return "none";
        case EndReason::voltage: return "voltage";
        case EndReason::current: return "current";
        case EndReason::time: return "time";
        case EndReason::amount: return "amount";
        case EndReason::net: return "net";
        case EndReason::confirmed: return "confirmed";
        case EndReason::passes: return "passes";
        case EndReason::already_so: return "already so";
        case EndReason::temperature: return "temperature";
        case EndReason::settled: return "settle";
        case EndReason::swept: return "swept";
        case EndReason::levels: return "levels";
        case EndReason::figure: return "figure";
        case EndReason::skipped: return "skipped by only_if";
        case EndReason::at_most_time: return "at_most time";
        case EndReason::at_most_amount: return "at_most amount";
        case EndReason::repeat_at_most: return "at_most of its repeat";
        case EndReason::tripped: return "tripped";
        case EndReason::stopped: return "stopped";
    }
    return "";
}

std::string_view name(ConnectionFault fault) {
    switch (fault) {
        case ConnectionFault::none: return "none";
        case ConnectionFault::no_reading: return "no_reading";
        case ConnectionFault::reversed: return "reversed";
        case ConnectionFault::below_start_window: return "below_start_window";
        case ConnectionFault::above_start_window: return "above_start_window";
        case ConnectionFault::temperature_outside: return "temperature_outside";
        case ConnectionFault::current_flows: return "current_flows";
        case ConnectionFault::sensors_disagree: return "sensors_disagree";
        case ConnectionFault::no_response: return "no_response";
        case ConnectionFault::wrong_direction: return "wrong_direction";
        case ConnectionFault::not_back: return "not_back";
        case ConnectionFault::resistance_low: return "resistance_low";
        case ConnectionFault::resistance_high: return "resistance_high";
        case ConnectionFault::crossed: return "crossed";
        case ConnectionFault::other_cell: return "other_cell";
    }
    return "";
}

std::string_view name(StepKind kind) {
    return protocol::step_word(kind);
}

std::string print_guard_value(GuardId guard, std::int64_t value) {
    const Dimension dimension = guard_row(guard).dimension;
    constexpr std::int64_t micro_ampere_hour = 3'600'000'000;  // pC; finer digits are noise to a reader
    return print_count(dimension,
                       dimension == Dimension::charge ? value / micro_ampere_hour * micro_ampere_hour : value);
}

std::string describe_copper(Voltage voltage, Duration left) {
    return "the cell is at " + print(voltage) + " without current and loses copper: " + print_span(left) +
           " left to charge it";
}

std::string describe_not_open(Current last, Current none) {
    if (!(magnitude(last) <= none)) {
        return print(last) + " at the last reading, and no more than " + print(none) + " counts as none";
    }
    return print(last) + " at the last reading counts as none, but it is from before the opening, or the instrument " +
           "says that its output is on";
}

std::string describe(const Event& event, const Plan& plan) {
    const std::string where = step_text(event, plan);
    switch (event.kind) {
        case EventKind::started: return "started; connection checks begin";
        case EventKind::step_began: return where + " began";
        case EventKind::step_ended: return where + " ended: " + std::string{name(static_cast<EndReason>(event.code))};
        case EventKind::warned:
            if (static_cast<GuardId>(event.code) == GuardId::stuck && event.limit == temperature_unchanged_for.count) {
                return "stuck warns: the thermometer has read " + print(Temperature{event.value}) +
                       " to the digit for " + print(temperature_unchanged_for) + "; see whether it is alive";
            }
            return std::string{guard_row(static_cast<GuardId>(event.code)).name} +
                   " warns: " + print_guard_value(static_cast<GuardId>(event.code), event.value) + ", warning level " +
                   print_guard_value(static_cast<GuardId>(event.code), event.limit);
        case EventKind::tripped: return trip_text(event, plan) + ", in " + where;
        case EventKind::acknowledged: return "trip acknowledged";
        case EventKind::paused: return "paused; open circuit";
        case EventKind::resumed: return "resumed; connection checks begin";
        case EventKind::waiting: return wait_text(static_cast<WaitReason>(event.code));
        case EventKind::asking:
            return where + " asks: " + (event.step < plan.labels.size() ? plan.labels[event.step].prompt : "");
        case EventKind::confirmed: return where + " confirmed";
        case EventKind::connection_failed: return connection_text(event);
        case EventKind::connection_good: return "connection checks passed";
        case EventKind::opened: return "open circuit verified";
        case EventKind::open_resent: return "open circuit asked for again, time " + std::to_string(event.value);
        case EventKind::output_stuck:
            return "open this channel by hand now: its output was asked to open and is not seen open: " +
                   describe_not_open(Current{event.value}, Current{event.limit});
        case EventKind::stopped: return "stopped";
        case EventKind::done: return "done: ended as written";
        case EventKind::refused: return std::string{command_name(event.code)} + " refused: the run's state forbids it";
        case EventKind::gap: return "nobody watched for " + print_span(Duration{event.value});
        case EventKind::bad_input: return "an input came out of order";
        case EventKind::mark:
            return "mean voltage " + print(Voltage{event.value}) + " of " + std::to_string(event.limit) + " readings";
        case EventKind::repeat_ended:
            return where + " ended: " + std::string{name(static_cast<EndReason>(event.code))} +
                   (event.value > 0 ? ", after " + std::to_string(event.value) + " passes" : "");
        case EventKind::ambient: return "chamber set to " + print(Temperature{event.value});
        case EventKind::gathering: return where + " waits for the other cells of its tray";
        case EventKind::copper: return describe_copper(Voltage{event.value}, Duration{event.limit});
        case EventKind::idle_alarm:
            return "the cell on the channel, which is asked for no current, is out of a limit: " +
                   trip_text(event, plan);
    }
    return "";
}

}  // namespace slowfilm::engine
