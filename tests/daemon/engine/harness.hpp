// A run on a bench of one ideal channel: what the engine demands is taken at once, the current follows it, voltage and
// temperature are what the test says. One step() is one period: a tick and a sample.
#pragma once

#include "daemon/engine/describe.hpp"
#include "daemon/engine/engine.hpp"

#include <algorithm>
#include <functional>
#include <optional>
#include <vector>

namespace slowfilm::engine::test {

using namespace literals;
using protocol::Protocol;
using protocol::Step;

inline Protocol base_protocol() {
    Protocol p;
    p.title = "test";
    p.cell = {.chemistry = protocol::Chemistry::nmc_graphite,
              .capacity = 5000_mAh,
              .window_min = 2700_mV,
              .window_max = 4200_mV,
              .state = CellState::pristine};
    const Place here{1, 1};
    p.limits.voltage_max.trip = 4250_mV;
    p.limits.voltage_max.written = here;
    p.limits.current_max.trip = CurrentOrRate{1200_mA};
    p.limits.current_max.written = here;
    p.limits.temperature_max.trip = 50_degC;
    p.limits.temperature_max.written = here;
    p.limits.voltage_jump.off = true;  // tests move the voltage by leaps; those of that guard switch it on
    p.limits.charge_temperature = {.min = 10_degC, .max = 45_degC, .written = here};
    return p;
}

inline Step charge_step(CurrentOrRate current, Voltage to, Duration at_most) {
    Step s;
    s.kind = protocol::StepKind::charge;
    s.path = "1";
    s.current = current;
    s.ends.voltage = to;
    s.at_most.time = at_most;
    return s;
}
inline Step discharge_step(CurrentOrRate current, Voltage to, Duration at_most) {
    Step s = charge_step(current, to, at_most);
    s.kind = protocol::StepKind::discharge;
    return s;
}
inline Step hold_step(Voltage voltage, CurrentOrRate most, CurrentOrRate taper, Duration at_most) {
    Step s;
    s.kind = protocol::StepKind::hold;
    s.path = "1";
    s.voltage = voltage;
    s.current = most;
    s.ends.current = taper;
    s.at_most.time = at_most;
    return s;
}
inline Step rest_step(Duration time) {
    Step s;
    s.kind = protocol::StepKind::rest;
    s.path = "1";
    s.ends.time = time;
    return s;
}
inline Step ask_step(Duration at_most) {
    Step s;
    s.kind = protocol::StepKind::ask;
    s.path = "1";
    s.prompt = "Reseal the pouch, then confirm.";
    s.at_most.time = at_most;
    return s;
}
inline Step repeat_step(std::uint32_t times, std::vector<Step> steps) {
    Step s;
    s.kind = protocol::StepKind::repeat;
    s.path = "1";
    s.times = times;
    s.steps = std::move(steps);
    return s;
}

// A cell at 3.6 V in a charge of 0.5 A, thirty seconds under way.
inline Protocol charging() {
    Protocol p = base_protocol();
    p.cell.state = CellState::formed;
    p.steps = {charge_step(CurrentOrRate{500_mA}, 4200_mV, 14_h)};
    return p;
}
inline Protocol discharging() {
    Protocol p = charging();
    p.steps = {discharge_step(CurrentOrRate{500_mA}, 2700_mV, 14_h)};
    return p;
}
inline Protocol holding() {
    Protocol p = charging();
    p.steps = {hold_step(4200_mV, Rate{1, 10}, Rate{1, 50}, 6_h)};
    return p;
}
inline Protocol resting() {
    Protocol p = charging();
    p.steps = {rest_step(24_h)};
    return p;
}

inline CellHistory formed() {
    return {.furthest = CellState::formed, .known = true, .armed = true, .highest = 4200_mV};
}

inline ChannelTraits ideal_traits() {
    return {.period = 1_s,
            .settle = 500_ms,
            .voltage_min = Voltage{-1'000'000'000},
            .voltage_max = 5000_mV,
            .source_max = 5000_mA,
            .sink_max = 5000_mA,
            .voltage_accuracy = 1_mV,
            .voltage_resolution = 100_uV,
            .current_accuracy = 1_mA,
            .current_resolution = 10_uA,
            .reports_ceiling = true,
            .has_contactor = true,
            .off_state = OffState::relay_open,
            .temperature_of = TemperatureOf::cell,
            .has_ambient = false};
}

inline BenchCaps wide_caps() {
    return {.voltage_max = 5000_mV, .current_max = 5000_mA, .temperature_max = 70_degC};
}

class Bench {
  public:
    explicit Bench(const Protocol& protocol, const CellHistory& history = {},
                   const ChannelTraits& traits = ideal_traits())
        : plan{make_plan(protocol, protocol.cell.capacity, traits, wide_caps()).value()}, run{new_run(plan, history)} {}

    Plan plan;
    Run run;
    Time now{1'000'000};
    Voltage voltage = 240_mV;
    Temperature temperature = 25_degC;
    std::optional<Current> current;  // what flows; follows the demand where not set
    bool applies = true;             // the stage takes demands
    std::optional<StageMode> mode;
    Duration period = 1_s;
    Resistance resistance{30'000'000};  // what the cell answers a test current with; nothing else moves its voltage
    bool grants = true;                 // the group grants every test at once
    Temperature ambient = 25_degC;      // where the channel has a thermometer for it
    Voltage drop;                       // of the terminals over the sense leads, where they are read
    bool frozen = false;                // the converter repeats itself to the digit
    std::vector<Event> events;          // all so far
    Decision last;
    std::uint8_t most_events = 0;
    bool group_tripped = false;  // some decision so far asked for the neighbours to open
    // Alters the next samples, to break a reading.
    std::function<void(Sample&)> spoil;

    Decision give(InputBody body) {
        last = advance(plan, run, Input{.sequence = run.sequence + 1, .time = now, .body = std::move(body)});
        most_events = std::max(most_events, last.event_count);
        group_tripped = group_tripped || last.trip_group;
        for (const Event& event : last.all_events()) {
            events.push_back(event);
        }
        const Decision decision = last;
        if (decision.apply && applies) {
            advance_applied(decision.demand);
        }
        if (decision.wants_test && grants) {
            give(TestGrant{});
            last = decision;
        }
        return decision;
    }
    Decision command(CommandKind kind) { return give(Command{kind}); }

    Current flowing() const {
        if (current) {
            return *current;
        }
        if (const auto* drive = std::get_if<DriveCurrent>(&run.applied)) {
            return drive->current;
        }
        if (const auto* hold = std::get_if<HoldVoltage>(&run.applied)) {
            return hold->source_max.count > 0 ? hold->source_max : -hold->sink_max;
        }
        return Current{};
    }

    Sample sample() const {
        Sample s;
        s.voltage = {now, shown(), Quality::good};
        s.current = {now, flowing(), Quality::good};
        s.temperature = {now, temperature, Quality::good};
        if (plan.traits.has_ambient) {
            s.ambient = {now, ambient, Quality::good};
        }
        if (plan.traits.reads_terminals) {
            s.terminals = {now, s.voltage.value + drop, Quality::good};
        }
        s.mode = mode.value_or(is_open(run.applied)                                ? StageMode::open
                               : std::holds_alternative<DriveCurrent>(run.applied) ? StageMode::constant_current
                                                                                   : StageMode::constant_voltage);
        if (spoil) {
            spoil(s);
        }
        return s;
    }

    Decision step() {
        now = now + period;
        give(Tick{});
        return give(sample());
    }
    void steps(int n) {
        for (int i = 0; i < n; ++i) {
            step();
        }
    }
    void run_for(Duration span) { steps(static_cast<int>(span.count / period.count)); }
    // A tick without a sample.
    void silence() {
        now = now + period;
        give(Tick{});
    }

    // Starts the run and passes the connection checks: the first step is under way.
    void start() {
        command(CommandKind::start);
        for (int i = 0; i < 10 && run.state == RunState::checking; ++i) {
            step();
        }
    }

    [[nodiscard]] int count(EventKind kind) const {
        return static_cast<int>(
            std::count_if(events.begin(), events.end(), [&](const Event& e) { return e.kind == kind; }));
    }
    [[nodiscard]] std::optional<Event> find(EventKind kind) const {
        const auto it = std::find_if(events.begin(), events.end(), [&](const Event& e) { return e.kind == kind; });
        return it == events.end() ? std::nullopt : std::optional{*it};
    }
    [[nodiscard]] EndReason last_end() const { return run.last_visit.ended_by; }
    [[nodiscard]] bool tripped_by(GuardId id) const {
        return run.state == RunState::tripped && run.tripped_by == id && is_open(run.demand);
    }

  private:
    // A test current moves it; and a live converter's last digit is never still for long.
    [[nodiscard]] Voltage shown() const {
        if (run.state == RunState::checking) {
            return voltage + Voltage{flowing().count / 1'000 * (resistance.count / 1'000) / 1'000};
        }
        const bool digit = !frozen && now.count / 1'000'000 % 64 == 63;
        return voltage + Voltage{digit ? 1 : 0};
    }
    void advance_applied(const Demand& demand) {
        const Decision answer =
            advance(plan, run, Input{.sequence = run.sequence + 1, .time = now, .body = Applied{demand}});
        for (const Event& event : answer.all_events()) {
            events.push_back(event);
        }
    }
};

// A formed cell, thirty seconds under way in the protocol's first step.
inline Bench under_way(const Protocol& protocol, Voltage voltage = 3600_mV,
                       const ChannelTraits& traits = ideal_traits()) {
    Bench bench{protocol, formed(), traits};
    bench.voltage = voltage;
    bench.start();
    bench.run_for(30_s);
    return bench;
}

}  // namespace slowfilm::engine::test
