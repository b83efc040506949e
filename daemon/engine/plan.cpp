// A protocol made runnable: what stands in text becomes whole numbers, what the channel cannot do is refused.
#include "daemon/engine/plan.hpp"

#include "daemon/engine/connection.hpp"
#include "daemon/engine/plan_steps.hpp"
#include "daemon/protocol/bounds.hpp"

#include <algorithm>
#include <limits>

namespace slowfilm::engine {

namespace {

using namespace literals;
using protocol::Protocol;
using protocol::Step;

class Planner {
  public:
    Planner(const Protocol& protocol, Charge capacity, const ChannelTraits& traits, const BenchCaps& caps)
        : protocol_{protocol}, limits_{protocol::with_defaults(protocol)} {
        plan_.capacity = capacity;
        plan_.traits = traits;
        plan_.caps = caps;
        plan_.window_min = protocol.cell.window_min;
        plan_.window_max = protocol.cell.window_max;
        plan_.state = protocol.cell.state;
    }

    Result<Plan> make() {
        for (const auto part : {&Planner::check_channel, &Planner::set_guards, &Planner::check_caps}) {
            if (auto done = (this->*part)(); !done) {
                return tl::unexpected<Error>{done.error()};
            }
        }
        set_start();
        set_interruption();
        if (auto done = plan_steps(protocol_, plan_); !done) {
            return tl::unexpected<Error>{done.error()};
        }
        return std::move(plan_);
    }

  private:
    using Done = Result<void>;

    static tl::unexpected<Error> refuse(std::string why) { return fail(Failure::bad_data, std::move(why)); }
    GuardSetting& guard(GuardId id) { return plan_.guards[static_cast<std::size_t>(id)]; }
    Current current(const CurrentOrRate& value) const { return current_of(value, plan_.capacity); }
    Charge charge(const ChargeOrRatio& value) const { return charge_of(value, plan_.capacity); }

    Done check_channel();
    Done set_guards();
    Done check_caps();
    void set_current_guards();
    void set_temperature_guards();
    void set_time_guards();
    void set_start();
    void set_interruption();

    template <class V, class Count>
    void set_above(GuardId id, const protocol::Limit<V>& limit, Count count) {
        GuardSetting& setting = guard(id);
        setting.origin = limit.off ? Origin::off : limit.written ? Origin::written : Origin::by_default;
        setting.persistence = limit.persistence.value_or(guard_row(id).persistence);
        setting.warn_only = limit.warn.has_value() && !limit.trip.has_value();
        setting.has_warn = limit.warn.has_value();
        setting.warn = limit.warn ? count(*limit.warn) : 0;
        if (limit.trip) {
            setting.trip = count(*limit.trip);
        } else if (setting.warn_only) {
            setting.trip = setting.warn;
        }
    }
    template <class V, class Count>
    void set_below(GuardId id, const protocol::Limit<V>& limit, Count count) {
        set_above(id, limit, count);
        guard(id).low = guard(id).trip;
    }

    const Protocol& protocol_;
    protocol::Limits limits_;
    Plan plan_;
};

constexpr auto as_count = [](auto quantity) { return quantity.count; };

Planner::Done Planner::check_channel() {
    const ChannelTraits& traits = plan_.traits;
    if (traits.period.count <= 0) {
        return fail(Failure::bad_config, "the channel's period must be longer than 0 s");
    }
    if (moves_out(protocol_.steps) && traits.sink_max.count <= 0) {
        return refuse("the protocol discharges, but this channel cannot sink current; use a channel that can");
    }
    if (traits.temperature_of == TemperatureOf::none) {
        return refuse("the protocol has temperature limits, but this channel has no thermometer; give it one");
    }
    if (traits.off_state == OffState::sinks && !traits.has_contactor) {
        return refuse(
            "this channel sinks current when off and has no contactor, so it cannot rest or open the circuit; "
            "put a contactor in, or use another channel");
    }
    const Voltage ceiling = protocol_.cell.window_max + end_margin(plan_.traits);
    if (traits.voltage_max < ceiling) {
        return refuse("the channel reaches " + print(traits.voltage_max) + ", but the window needs " + print(ceiling));
    }
    return {};
}

Planner::Done Planner::set_guards() {
    for (std::size_t i = 0; i < guard_count; ++i) {
        plan_.guards[i].persistence = guard_table()[i].persistence;
    }
    if (!limits_.voltage_max.trip || !limits_.current_max.trip || !limits_.temperature_max.trip) {
        return refuse("voltage_max, current_max and temperature_max must be written in [limits]");
    }
    set_above(GuardId::over_voltage, limits_.voltage_max, as_count);
    guard(GuardId::reversed).trip = guard(GuardId::reversed).low = reversed_below.count;
    set_below(GuardId::low_voltage, limits_.low_voltage, as_count);
    plan_.formed_above = plan_.window_min + protocol::armed_over_window;
    plan_.end_margin = end_margin(plan_.traits);
    plan_.armed_above = limits_.armed_above.value_or(plan_.window_min + protocol::armed_over_window);
    set_below(GuardId::discharge_floor, limits_.discharge_floor, as_count);
    set_current_guards();
    set_temperature_guards();
    set_time_guards();
    if (limits_.climb.size() > climb_gates_max) {
        return refuse("at most " + std::to_string(climb_gates_max) + " climb gates can be watched");
    }
    for (const protocol::Climb& gate : limits_.climb) {
        plan_.climb.push_back({.by = charge(gate.by), .above = gate.above});
    }
    guard(GuardId::climb).origin = limits_.climb.empty() ? Origin::off : Origin::written;
    plan_.leg_max_first = charge(limits_.charge_leg_first.value_or(protocol::charge_leg_first_default));
    plan_.leg_max_later = charge(limits_.charge_leg_later.value_or(protocol::charge_leg_later_default));
    guard(GuardId::charge_leg).trip = plan_.leg_max_first.count;
    const bool leg_written = protocol_.limits.charge_leg_first || protocol_.limits.charge_leg_later;
    guard(GuardId::charge_leg).origin = leg_written ? Origin::written : Origin::by_default;
    guard(GuardId::charge_net).trip = charge(limits_.net_max.value_or(protocol::net_max_default)).count;
    guard(GuardId::charge_net).origin = protocol_.limits.net_max ? Origin::written : Origin::by_default;
    return {};
}

void Planner::set_current_guards() {
    const auto count = [this](const CurrentOrRate& value) { return current(value).count; };
    const ChannelTraits& traits = plan_.traits;
    set_above(GuardId::over_current, limits_.current_max, count);
    set_above(GuardId::current_error, limits_.current_error, count);
    if (!limits_.current_error.trip && !limits_.current_error.warn) {
        // For people; what is judged is 1 % of each step's own demand (plan_step).
        guard(GuardId::current_error).trip =
            (traits.current_accuracy * 2).count + guard(GuardId::over_current).trip / 100;
    }
    set_above(GuardId::leakage, limits_.leakage_max, count);
    if (!limits_.leakage_max.trip) {
        guard(GuardId::leakage).trip = std::max(traits.current_accuracy * 2, traits.current_resolution * 2).count;
    }
    set_above(GuardId::hold_error, limits_.hold_error, as_count);
    if (!limits_.hold_error.trip && !limits_.hold_error.warn) {
        guard(GuardId::hold_error).trip = (traits.voltage_accuracy * 2 + 2_mV).count;
    }
}

void Planner::set_temperature_guards() {
    set_above(GuardId::over_temperature, limits_.temperature_max, as_count);
    set_below(GuardId::under_temperature, limits_.temperature_min, as_count);
    const auto window = [this](GuardId id, const protocol::TemperatureWindow& w) {
        GuardSetting& setting = guard(id);
        const std::int64_t hottest = guard(GuardId::over_temperature).trip;
        setting.low = w.min ? w.min->count : protocol::temperature_min_default.count;
        setting.trip = w.max ? w.max->count : hottest;
        setting.persistence = w.persistence.value_or(guard_row(id).persistence);
        setting.origin = w.written ? Origin::written : Origin::by_default;
    };
    window(GuardId::charge_temperature, limits_.charge_temperature);
    window(GuardId::discharge_temperature, limits_.discharge_temperature);
    set_above(GuardId::temperature_rise, limits_.temperature_rise, as_count);
    if (plan_.traits.temperature_of != TemperatureOf::cell) {
        guard(GuardId::temperature_rise).origin = Origin::off;  // a shelf's thermometer does not see one cell warm
    }
}

void Planner::set_time_guards() {
    const auto longest = [this](const std::optional<Duration>& written) {
        // Two periods at least, or one late sample would trip.
        return std::max(written.value_or(plan_.traits.period * 3), plan_.traits.period * 2);
    };
    plan_.stale_voltage = longest(limits_.stale_voltage);
    plan_.stale_current = longest(limits_.stale_current);
    plan_.stale_temperature = longest(limits_.stale_temperature);
    const bool written = limits_.stale_voltage || limits_.stale_current || limits_.stale_temperature;
    guard(GuardId::stale).origin = written ? Origin::written : Origin::by_default;
    guard(GuardId::stale).trip = std::max({plan_.stale_voltage, plan_.stale_current, plan_.stale_temperature}).count;
    guard(GuardId::run_time).trip =
        limits_.run_time_max.value_or(Duration{std::numeric_limits<std::int64_t>::max()}).count;
    guard(GuardId::run_time).origin = protocol_.limits.run_time_max ? Origin::written : Origin::by_default;
    guard(GuardId::bench_cap).trip = plan_.caps.voltage_max.count;
}

Planner::Done Planner::check_caps() {
    const auto& guards = plan_.guards;
    const auto trip = [&](GuardId id) { return guards[static_cast<std::size_t>(id)].trip; };
    if (trip(GuardId::over_voltage) > plan_.caps.voltage_max.count) {
        return refuse("voltage_max " + print(Voltage{trip(GuardId::over_voltage)}) +
                      " is above what the bench allows, " + print(plan_.caps.voltage_max));
    }
    if (trip(GuardId::over_current) > plan_.caps.current_max.count) {
        return refuse("current_max " + print(Current{trip(GuardId::over_current)}) +
                      " is above what the bench allows, " + print(plan_.caps.current_max));
    }
    if (trip(GuardId::over_temperature) > plan_.caps.temperature_max.count) {
        return refuse("temperature_max " + print(Temperature{trip(GuardId::over_temperature)}) +
                      " is above what the bench allows, " + print(plan_.caps.temperature_max));
    }
    return {};
}

void Planner::set_start() {
    plan_.start_voltage = start_window(plan_.state, plan_.window_min, plan_.window_max);
    if (protocol_.start.voltage.min) {
        plan_.start_voltage.min = protocol_.start.voltage.min;
    }
    if (protocol_.start.voltage.max) {
        plan_.start_voltage.max = protocol_.start.voltage.max;
    }
    const auto hottest = Temperature{guard(GuardId::over_temperature).trip};
    const auto coldest = Temperature{guard(GuardId::under_temperature).low};
    plan_.start_temperature = {protocol_.start.temperature.min.value_or(coldest),
                               protocol_.start.temperature.max.value_or(hottest)};
}

void Planner::set_interruption() {
    plan_.interruption = protocol_.interruption;
    plan_.interruption_charge_max = plan_.interruption.charge_uncertain_max
                                        ? charge(*plan_.interruption.charge_uncertain_max)
                                        : Charge{std::numeric_limits<std::int64_t>::max()};
}

}  // namespace

Result<Plan> make_plan(const Protocol& protocol, Charge capacity, const ChannelTraits& traits, const BenchCaps& caps) {
    if (capacity.count <= 0) {
        return fail(Failure::bad_data, "the cell's capacity must be above 0 Ah");
    }
    return Planner{protocol, capacity, traits, caps}.make();
}

ChannelTraits bench_of_no_name(const Protocol& protocol) {
    const Charge capacity = protocol.cell.capacity;
    const Current ten_c = current_of(Rate{10, 1}, capacity);
    return {.period = 1_s,
            .settle = 500_ms,
            .voltage_min = Voltage{-1'000'000'000},
            .voltage_max = protocol.cell.window_max + 1000_mV,
            .source_max = ten_c,
            .sink_max = ten_c,
            .voltage_accuracy = 1_mV,
            .voltage_resolution = 10_uV,
            .current_accuracy = Current{ten_c.count / 20'000},
            .current_resolution = Current{ten_c.count / 1'000'000},
            .reports_ceiling = true,
            .has_contactor = true,
            .off_state = OffState::relay_open,
            .temperature_of = TemperatureOf::cell,
            .has_ambient = true};
}

BenchCaps caps_of_no_name() {
    return {.voltage_max = 100'000_mV, .current_max = 1'000'000_mA, .temperature_max = 200_degC};
}

}  // namespace slowfilm::engine
