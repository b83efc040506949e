#include "daemon/engine/connection.hpp"

#include "daemon/engine/guards.hpp"
#include "daemon/protocol/bounds.hpp"

#include <algorithm>

namespace slowfilm::engine {

namespace {

using namespace literals;

constexpr std::uint8_t samples_in_a_row = 2;
constexpr std::int64_t sensors_agree_within = 2'000;  // mK, at rest
// How far the same cell may have moved since it was last seen: it relaxes against the last current by the most, the
// more so the larger that was, and an emptied one comes back far. Common practice.
constexpr Voltage relaxes_against = 250_mV;        // after no more than 1C; for a larger current in proportion
constexpr Voltage relaxes_along = 100_mV;          // and self-discharges no more than by the other
constexpr Voltage same_cell_known_from = 3000_mV;  // below it a fresh cell goes its own way
constexpr Voltage emptied_below = 3400_mV;         // a discharged cell below it ...
constexpr Voltage emptied_comes_to = 3650_mV;      // ... comes back up to here
constexpr Voltage room_to_charge = 50_mV;

ConnectionVerdict outside(ConnectionFault fault, std::int64_t value, std::int64_t limit) {
    return {.fault = fault, .value = value, .limit = limit};
}

std::int64_t guard_trip(const Plan& plan, GuardId id) {
    return plan.guards[static_cast<std::size_t>(id)].trip;
}

// What the cell that was here can show now, at rest.
protocol::Range<Voltage> same_cell_window(const Plan& plan, const SameCell& cell) {
    protocol::Range<Voltage> window;
    if (!cell.known) {
        return window;
    }
    __extension__ using Wide = __int128;
    const Current one_c = current_of(Rate{1, 1}, plan.capacity);
    const Voltage by_current{
        static_cast<std::int64_t>(static_cast<Wide>(relaxes_against.count) * magnitude(cell.current).count /
                                  std::max<std::int64_t>(one_c.count, 1))};
    const Voltage against = std::max(relaxes_against, by_current);
    if (cell.voltage >= same_cell_known_from) {
        window.min = cell.voltage - (cell.current.count > 0 ? against : relaxes_against);
    }
    if (cell.discharged) {
        const Voltage highest = cell.voltage + (cell.current.count < 0 ? against : relaxes_against);
        window.max = cell.voltage < emptied_below ? std::max(highest, emptied_comes_to) : highest;
    } else {
        window.max = std::max(cell.voltage, same_cell_known_from) + relaxes_along;
    }
    return window;
}

// The cell that was here is the one that is here now.
ConnectionVerdict check_same_cell(const Plan& plan, const Run& run, Voltage voltage) {
    const bool gap = run.window == StartWindow::gap;
    const protocol::Range<Voltage> window = same_cell_window(plan, run.same_cell);
    const bool judges_fall = window.min && !(gap && plan.interruption.voltage_fall_max);
    const bool judges_rise = window.max && !(gap && plan.interruption.voltage_rise_max);
    if (judges_fall && !(voltage >= *window.min)) {
        return outside(ConnectionFault::other_cell, voltage.count, window.min->count);
    }
    if (judges_rise && !(voltage <= *window.max)) {
        return outside(ConnectionFault::other_cell, voltage.count, window.max->count);
    }
    return {};
}

protocol::Range<Voltage> window_of(const Plan& plan, const Run& run) {
    protocol::Range<Voltage> window;
    switch (run.window) {
        case StartWindow::as_before: break;
        case StartWindow::start: window = plan.start_voltage; break;
        case StartWindow::by_history:
        case StartWindow::same_cell:
            window = start_window(run.history.furthest, plan.window_min, plan.window_max);
            break;
        case StartWindow::gap:
            if (plan.interruption.voltage_fall_max) {
                window.min = run.voltage_before_gap - *plan.interruption.voltage_fall_max;
            }
            if (plan.interruption.voltage_rise_max) {
                window.max = run.voltage_before_gap + *plan.interruption.voltage_rise_max;
            }
            break;
    }
    return window;
}

ConnectionVerdict check_voltage(const Plan& plan, const Run& run, Voltage voltage) {
    if (!(voltage >= reversed_below)) {
        return outside(ConnectionFault::reversed, voltage.count, reversed_below.count);
    }
    protocol::Range<Voltage> window = window_of(plan, run);
    // A cell above its limit gets no current, whatever is in doubt.
    const Voltage most{guard_trip(plan, GuardId::over_voltage)};
    window.max = std::min(window.max.value_or(most), most);
    if (window.min && !(voltage >= *window.min)) {
        return outside(ConnectionFault::below_start_window, voltage.count, window.min->count);
    }
    if (window.max && !(voltage <= *window.max)) {
        return outside(ConnectionFault::above_start_window, voltage.count, window.max->count);
    }
    switch (run.window) {
        case StartWindow::start:
        case StartWindow::by_history: return {};
        case StartWindow::as_before:
        case StartWindow::same_cell:
        case StartWindow::gap: return check_same_cell(plan, run, voltage);
    }
    return {};
}

ConnectionVerdict check_temperature(const Plan& plan, const Run& run, const Sample& sample) {
    const Temperature temperature = sample.temperature.value;
    const protocol::Range<Temperature>& window = plan.start_temperature;
    if (window.min && !(temperature >= *window.min)) {
        return outside(ConnectionFault::temperature_outside, temperature.count, window.min->count);
    }
    if (window.max && !(temperature <= *window.max)) {
        return outside(ConnectionFault::temperature_outside, temperature.count, window.max->count);
    }
    // Only here has the cell rested: later it may be warm from its own current.
    if (run.window == StartWindow::start && plan.traits.has_ambient) {
        const std::int64_t apart = magnitude(temperature - sample.ambient.value).count;
        if (!(apart <= sensors_agree_within)) {
            return outside(ConnectionFault::sensors_disagree, apart, sensors_agree_within);
        }
    }
    return {};
}

bool all_fresh(const Plan& plan, const Run& run, const Sample& sample) {
    const auto fresh = [&](const auto& reading) { return reading.good() && reading.time > run.checking_since; };
    const bool thermometer = plan.traits.temperature_of != TemperatureOf::none;
    const bool ambient = thermometer && plan.traits.has_ambient && run.window == StartWindow::start;
    return fresh(sample.voltage) && fresh(sample.current) && (!thermometer || fresh(sample.temperature)) &&
           (!ambient || fresh(sample.ambient));
}

ConnectionVerdict check_at_rest(const Plan& plan, Run& run, const Sample& sample, Time now) {
    if (!all_fresh(plan, run, sample) || !run.opening.verified) {
        return check_deadline(plan, run, now);
    }
    ConnectionTest& test = run.test;
    ConnectionVerdict verdict = check_voltage(plan, run, sample.voltage.value);
    if (verdict.fault == ConnectionFault::none && plan.traits.temperature_of != TemperatureOf::none) {
        verdict = check_temperature(plan, run, sample);
    }
    const bool again = run.check_count > 0 && run.check_fault == verdict.fault;
    run.check_count = again ? static_cast<std::uint8_t>(std::min(run.check_count + 1, 100)) : std::uint8_t{1};
    run.check_fault = verdict.fault;
    verdict.decided = run.check_count >= samples_in_a_row;
    if (!verdict.decided || verdict.fault != ConnectionFault::none) {
        return verdict;
    }
    test.before = run.last.voltage.good() ? (sample.voltage.value + run.last.voltage.value) / 2 : sample.voltage.value;
    const bool asked = test.phase == TestPhase::wanted;
    test.since = now;
    if (asked || test_current(plan, run, test.before).possible) {
        verdict.decided = false;
        verdict.act = asked ? CheckAct::none : CheckAct::ask_group;
        test.phase = TestPhase::wanted;
    }
    return verdict;
}

// The newest good reading of a quantity, where it was taken after what it is to answer.
template <class Q>
const Reading<Q>* answer(const Reading<Q>& fresh, const Reading<Q>& last, Time from) {
    const Reading<Q>& reading = newest(fresh, last);
    return reading.good() && reading.time >= from ? &reading : nullptr;
}

ConnectionVerdict check_driven(const Plan& plan, Run& run, const Sample& sample, Time now) {
    ConnectionTest& test = run.test;
    const Time settled = std::max(run.applied_at + plan.traits.settle, run.applied_at + Duration{1});
    const Reading<Voltage>* voltage = answer(sample.voltage, run.last.voltage, settled);
    const Reading<Current>* current = answer(sample.current, run.last.current, settled);
    if (voltage == nullptr || current == nullptr) {
        return check_deadline(plan, run, now);
    }
    test.during = voltage->value;
    test.current = current->value;
    test.phase = TestPhase::after;
    test.since = now;
    return {.act = CheckAct::open};
}

ConnectionVerdict judge_resistance(const Plan& plan, const ConnectionTest& test, Voltage moved) {
    const Resistance resistance =
        resistance_of(Voltage{}, Current{}, moved, magnitude(test.current)).value_or(Resistance{});
    const protocol::Range<Resistance>& window = plan.start_resistance;
    if (window.min && !(resistance >= *window.min)) {
        return outside(ConnectionFault::resistance_low, resistance.count, window.min->count);
    }
    if (window.max && !(resistance <= *window.max)) {
        return outside(ConnectionFault::resistance_high, resistance.count, window.max->count);
    }
    return {};
}

// What the voltage did, in the current's direction. A cell that still drifts is compared with the mean of before and
// after; a pristine one does not come all the way back.
ConnectionVerdict judge_test(const Plan& plan, const Run& run, Voltage after) {
    const ConnectionTest& test = run.test;
    const bool pristine = run.history.furthest == CellState::pristine;
    const std::int64_t sign = test.current.count < 0 ? -1 : 1;
    const Voltage from = pristine ? test.before : (test.before + after) / 2;
    const Voltage moved = (test.during - from) * sign;
    const Voltage went_on = (after - test.during) * sign;
    const Voltage least = test_threshold(plan.traits);
    const bool flowed = magnitude(test.current).count > guard_trip(plan, GuardId::leakage);
    if (flowed && moved < -least) {
        return outside(ConnectionFault::wrong_direction, moved.count * sign, least.count);
    }
    const bool answered = (test.during - test.before) * sign >= least;
    if (flowed && answered && !(went_on <= least)) {
        return outside(ConnectionFault::not_back, went_on.count, least.count);
    }
    if (!flowed || !(moved >= least)) {
        return outside(ConnectionFault::no_response, magnitude(moved).count, least.count);
    }
    return run.history.furthest == CellState::formed ? judge_resistance(plan, test, moved) : ConnectionVerdict{};
}

ConnectionVerdict check_after(const Plan& plan, Run& run, const Sample& sample, Time now) {
    const Reading<Voltage>* voltage = answer(sample.voltage, run.last.voltage, run.test.since + plan.traits.settle);
    if (!run.opening.verified || voltage == nullptr || voltage->time == run.test.since) {
        return check_deadline(plan, run, now);
    }
    ConnectionVerdict verdict = judge_test(plan, run, voltage->value);
    verdict.decided = true;
    return verdict;
}

}  // namespace

void start_checks(Run& run, StartWindow window, Time now) {
    run.checking_since = now;
    run.window = window;
    run.check_fault = ConnectionFault::none;
    run.check_count = 0;
    run.test = ConnectionTest{};
    run.idle_said = 0;
}

ConnectionVerdict check_connection(const Plan& plan, Run& run, const Sample& sample, Time now) {
    switch (run.test.phase) {
        case TestPhase::none:
        case TestPhase::wanted: return check_at_rest(plan, run, sample, now);
        case TestPhase::before: break;  // the demand has not been taken yet: that has its own deadline
        case TestPhase::driven: return check_driven(plan, run, sample, now);
        case TestPhase::after: return check_after(plan, run, sample, now);
        case TestPhase::passed: break;
    }
    return {};
}

ConnectionVerdict check_deadline(const Plan& plan, const Run& run, Time now) {
    const TestPhase phase = run.test.phase;
    if (phase == TestPhase::before) {
        return {};
    }
    if (phase == TestPhase::driven) {
        const Duration longest = test_time(plan.traits);
        if (now - run.applied_at <= longest) {
            return {};
        }
        return {.fault = ConnectionFault::no_reading, .decided = true, .limit = longest.count};
    }
    const Duration slowest = std::max({plan.stale_voltage, plan.stale_current, plan.stale_temperature});
    const Duration deadline = std::max(slowest * 3, 10_s) + plan.traits.settle * 2;
    const Time since = phase == TestPhase::none ? run.checking_since : run.test.since;
    if (now - since <= deadline) {
        return {};
    }
    const Reading<Current>& current = run.last.current;
    const std::int64_t leakage = guard_trip(plan, GuardId::leakage);
    if (current.good() && current.time > since && magnitude(current.value).count > leakage) {
        return {
            .fault = ConnectionFault::current_flows, .decided = true, .value = current.value.count, .limit = leakage};
    }
    return {.fault = ConnectionFault::no_reading, .decided = true, .limit = deadline.count};
}

bool may_be_same_cell(const Plan& plan, const Run& run, Voltage voltage) {
    const protocol::Range<Voltage> window = same_cell_window(plan, run.same_cell);
    return (!window.min || voltage >= *window.min) && (!window.max || voltage <= *window.max);
}

protocol::Range<Voltage> start_window(CellState state, Voltage window_min, Voltage window_max) {
    switch (state) {
        case CellState::pristine: return {reversed_below, 1000_mV};
        case CellState::tapped: return {tapped_from, 3200_mV};
        case CellState::formed: return {window_min - 100_mV, window_max};
    }
    return {};
}

Duration test_time(const ChannelTraits& traits) {
    return std::max(traits.settle + traits.period * 2, 1_s);
}

Voltage test_threshold(const ChannelTraits& traits) {
    return std::max({traits.voltage_resolution * 2, traits.voltage_accuracy / 2, 100_uV});
}

TestCurrent test_current(const Plan& plan, const Run& run, Voltage voltage) {
    const ChannelTraits& traits = plan.traits;
    const Current one_c = current_of(Rate{1, 1}, plan.capacity);
    const Voltage highest =
        std::min(plan.window_max, Voltage{guard_trip(plan, GuardId::over_voltage)} - protocol::ceiling_under_limit);
    const Voltage floor{plan.guards[static_cast<std::size_t>(GuardId::discharge_floor)].low};
    const Voltage lowest = std::max(plan.window_min, floor + protocol::ceiling_under_limit);
    const Current most = Current{std::min(guard_trip(plan, GuardId::over_current), plan.caps.current_max.count)} / 2;
    Current current = one_c / protocol::test_part(run.history.furthest);
    bool charges = true;
    switch (run.history.furthest) {
        case CellState::pristine:
            // Slower channels need longer for one reading: the charge stays that of C/50 for 1 s.
            current = Current{current.count / std::max<std::int64_t>(test_time(traits).count / 1000, 1) * 1000};
            break;
        case CellState::tapped: break;
        case CellState::formed:
            charges = voltage - plan.window_min < plan.window_max - voltage || traits.sink_max.count == 0;
            break;
    }
    current = std::min({current, most, charges ? traits.source_max : traits.sink_max});
    TestCurrent test;
    test.possible = current.count > 0 && (charges ? voltage + room_to_charge <= highest : voltage > lowest);
    test.drive = charges ? DriveCurrent{.current = current, .ceiling = highest, .floor = traits.voltage_min}
                         : DriveCurrent{.current = -current, .ceiling = highest, .floor = lowest};
    return test;
}

}  // namespace slowfilm::engine
