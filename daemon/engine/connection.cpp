#include "daemon/engine/connection.hpp"

#include <algorithm>

namespace slowfilm::engine {

namespace {

using namespace literals;

constexpr std::uint8_t samples_in_a_row = 2;

ConnectionVerdict outside(ConnectionFault fault, std::int64_t value, std::int64_t limit) {
    return {.fault = fault, .value = value, .limit = limit};
}

ConnectionVerdict check_voltage(const Plan& plan, const Run& run, Voltage voltage) {
    if (!(voltage >= reversed_below)) {
        return outside(ConnectionFault::reversed, voltage.count, reversed_below.count);
    }
    protocol::Range<Voltage> window;
    switch (run.window) {
        case StartWindow::start: window = plan.start_voltage; break;
        case StartWindow::same_cell:
        case StartWindow::by_history:
            window = start_window(run.history.furthest, plan.window_min, plan.window_max);
            break;
        case StartWindow::none: break;
        case StartWindow::gap:
            if (plan.interruption.voltage_fall_max) {
                window.min = run.voltage_before_gap - *plan.interruption.voltage_fall_max;
            }
            if (plan.interruption.voltage_rise_max) {
                window.max = run.voltage_before_gap + *plan.interruption.voltage_rise_max;
            }
            break;
    }
    if (window.min && !(voltage >= *window.min)) {
        return outside(ConnectionFault::below_start_window, voltage.count, window.min->count);
    }
    if (window.max && !(voltage <= *window.max)) {
        return outside(ConnectionFault::above_start_window, voltage.count, window.max->count);
    }
    return {};
}

ConnectionVerdict check_temperature(const Plan& plan, Temperature temperature) {
    const protocol::Range<Temperature>& window = plan.start_temperature;
    if (window.min && !(temperature >= *window.min)) {
        return outside(ConnectionFault::temperature_outside, temperature.count, window.min->count);
    }
    if (window.max && !(temperature <= *window.max)) {
        return outside(ConnectionFault::temperature_outside, temperature.count, window.max->count);
    }
    return {};
}

}  // namespace

void start_checks(Run& run, StartWindow window, Time now) {
    run.checking_since = now;
    run.window = window;
    run.check_fault = ConnectionFault::none;
    run.check_count = 0;
}

ConnectionVerdict check_connection(const Plan& plan, Run& run, const Sample& sample, Time now) {
    const bool thermometer = plan.traits.temperature_of != TemperatureOf::none;
    const auto fresh = [&](Time time, bool good) { return good && time > run.checking_since; };
    if (!fresh(sample.voltage.time, sample.voltage.good()) || !fresh(sample.current.time, sample.current.good()) ||
        (thermometer && !fresh(sample.temperature.time, sample.temperature.good()))) {
        return check_deadline(plan, run, now);
    }
    if (!run.opening.verified) {
        return check_deadline(plan, run, now);
    }
    ConnectionVerdict verdict = check_voltage(plan, run, sample.voltage.value);
    if (verdict.fault == ConnectionFault::none && thermometer) {
        verdict = check_temperature(plan, sample.temperature.value);
    }
    run.check_count = run.check_count > 0 && run.check_fault == verdict.fault
                          ? static_cast<std::uint8_t>(run.check_count + 1)
                          : std::uint8_t{1};
    run.check_fault = verdict.fault;
    verdict.decided = run.check_count >= samples_in_a_row;
    return verdict;
}

ConnectionVerdict check_deadline(const Plan& plan, const Run& run, Time now) {
    const Duration slowest = std::max({plan.stale_voltage, plan.stale_current, plan.stale_temperature});
    const Duration deadline = std::max(slowest * 3, 10_s) + plan.traits.settle * 2;
    if (now - run.checking_since <= deadline) {
        return {};
    }
    const Reading<Current>& current = run.last.current;
    const std::int64_t leakage = plan.guards[static_cast<std::size_t>(GuardId::leakage)].trip;
    if (current.good() && current.time > run.checking_since && magnitude(current.value).count > leakage) {
        return {
            .fault = ConnectionFault::current_flows, .decided = true, .value = current.value.count, .limit = leakage};
    }
    return {.fault = ConnectionFault::no_reading, .decided = true, .limit = deadline.count};
}

protocol::Range<Voltage> start_window(CellState state, Voltage window_min, Voltage window_max) {
    switch (state) {
        case CellState::pristine: return {reversed_below, 1000_mV};
        case CellState::tapped: return {tapped_from, 3200_mV};
        case CellState::formed: return {window_min - 100_mV, window_max};
    }
    return {};
}

}  // namespace slowfilm::engine
