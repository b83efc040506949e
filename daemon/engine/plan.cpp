// A protocol made runnable: what stands in text becomes whole numbers, what the channel cannot do is refused.
#include "daemon/engine/plan.hpp"

#include "daemon/engine/connection.hpp"
#include "daemon/protocol/bounds.hpp"

#include <algorithm>
#include <limits>

namespace slowfilm::engine {

namespace {

using namespace literals;
using protocol::Protocol;
using protocol::Step;

constexpr Voltage cycle_end_over_window = 300_mV;

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
        set_keep();
        set_interruption();
        if (auto done = lay_flat(protocol_.steps, -1, 0); !done) {
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
    void set_keep();
    void set_interruption();
    Done lay_flat(const std::vector<Step>& steps, std::int16_t parent, std::uint8_t depth);
    Result<PlanStep> plan_step(const Step& step) const;
    Result<Demand> demand_of(const Step& step) const;
    Result<Demand> drive_of(const Step& step, bool charges) const;
    Result<Demand> hold_of(const Step& step) const;
    Voltage end_margin() const;

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

bool moves_out(const std::vector<Step>& steps) {
    return std::any_of(steps.begin(), steps.end(), [](const Step& step) {
        return step.kind == StepKind::discharge ||
               (step.kind == StepKind::hold && step.direction != protocol::Direction::charge) || moves_out(step.steps);
    });
}

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
    const Voltage ceiling = protocol_.cell.window_max + end_margin();
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
    plan_.formed_above = plan_.window_min + cycle_end_over_window;
    plan_.end_margin = end_margin();
    plan_.armed_above = limits_.armed_above.value_or(plan_.window_min + cycle_end_over_window);
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

void Planner::set_keep() {
    const protocol::Keep& keep = protocol_.keep;
    plan_.keep.every = keep.every.value_or(10_s);
    if (keep.on_voltage_change) {
        plan_.keep.voltage = {.value = *keep.on_voltage_change, .set = true};
    }
    if (keep.on_current_change) {
        const auto* amps = std::get_if<Current>(&*keep.on_current_change);
        const auto* share = std::get_if<Ratio>(&*keep.on_current_change);
        plan_.keep.current = {
            .value = amps != nullptr ? *amps : current_of(Rate{share->count, 1'000'000}, plan_.capacity), .set = true};
    }
    if (keep.on_temperature_change) {
        plan_.keep.temperature = {.value = *keep.on_temperature_change, .set = true};
    }
}

void Planner::set_interruption() {
    plan_.interruption = protocol_.interruption;
    plan_.interruption_charge_max = plan_.interruption.charge_uncertain_max
                                        ? charge(*plan_.interruption.charge_uncertain_max)
                                        : Charge{std::numeric_limits<std::int64_t>::max()};
}

Planner::Done Planner::lay_flat(const std::vector<Step>& steps, std::int16_t parent, std::uint8_t depth) {
    std::int16_t before = -1;
    for (const Step& step : steps) {
        if (plan_.steps.size() >= static_cast<std::size_t>(std::numeric_limits<std::int16_t>::max())) {
            return refuse("a protocol has at most 32767 steps");
        }
        auto planned = plan_step(step);
        if (!planned) {
            return refuse("step " + step.path + (step.name.empty() ? "" : " (" + step.name + ")") + ": " +
                          planned.error().message);
        }
        const auto index = static_cast<std::int16_t>(plan_.steps.size());
        planned->parent = parent;
        planned->depth = depth;
        plan_.steps.push_back(*planned);
        plan_.labels.push_back({.path = step.path, .name = step.name, .prompt = step.prompt, .enter = step.enter});
        if (before >= 0) {
            plan_.steps[static_cast<std::size_t>(before)].next = index;
        } else if (parent >= 0) {
            plan_.steps[static_cast<std::size_t>(parent)].first_child = index;
        }
        before = index;
        if (step.kind == StepKind::repeat) {
            if (depth >= protocol::repeat_depth_max || step.steps.empty()) {
                return refuse("step " + step.path + ": a repeat has steps inside, at most 8 levels deep");
            }
            if (auto inner = lay_flat(step.steps, index, static_cast<std::uint8_t>(depth + 1)); !inner) {
                return inner;
            }
        }
    }
    return {};
}

Result<PlanStep> Planner::plan_step(const Step& step) const {
    PlanStep planned;
    planned.kind = step.kind;
    planned.direction = step.direction;
    planned.on_overrun = step.on_overrun;
    planned.times = step.times;
    if (auto demand = demand_of(step)) {
        planned.demand = *demand;
    } else {
        return tl::unexpected<Error>{demand.error()};
    }
    const protocol::Ends& ends = step.ends;
    const auto set = [](auto& maybe, const auto& value) {
        maybe.value = value;
        maybe.set = true;
    };
    if (ends.voltage)
        set(planned.end_voltage, *ends.voltage);
    if (ends.current)
        set(planned.end_current, current(ends.current->value));
    if (ends.time)
        set(planned.end_time, *ends.time);
    if (ends.amount)
        set(planned.end_amount, charge(ends.amount->value));
    if (ends.net)
        set(planned.end_net, charge(ends.net->value));
    if (step.at_most.time)
        set(planned.at_most_time, *step.at_most.time);
    if (step.at_most.amount)
        set(planned.at_most_amount, charge(step.at_most.amount->value));
    if (planned.at_most_amount.set && step.kind == StepKind::repeat) {
        return refuse("a repeat is capped by time, not by amount; cap the steps inside it");
    }
    if (planned.at_most_amount.set && step.on_overrun == protocol::OnOverrun::next) {
        return refuse("on_overrun = \"next\" goes with a time cap only; a charge cap stops or waits");
    }
    const GuardSetting& error = plan_.guards[static_cast<std::size_t>(GuardId::current_error)];
    const auto* drive = std::get_if<DriveCurrent>(&planned.demand);
    planned.current_error = drive != nullptr && error.origin == Origin::by_default
                                ? plan_.traits.current_accuracy * 2 + magnitude(drive->current) / 100
                                : Current{error.trip};
    planned.lost_below = planned.end_current.set ? planned.end_current.value * 4 : plan_.traits.current_accuracy * 10;
    planned.ends_cycle_by_voltage =
        step.kind == StepKind::discharge && ends.voltage && *ends.voltage <= plan_.window_min + cycle_end_over_window;
    return planned;
}

Result<Demand> Planner::demand_of(const Step& step) const {
    switch (step.kind) {
        case StepKind::charge: return drive_of(step, true);
        case StepKind::discharge: return drive_of(step, false);
        case StepKind::hold: return hold_of(step);
        case StepKind::rest:
        case StepKind::ramp:
        case StepKind::pulse:
        case StepKind::ask:
        case StepKind::repeat: return Demand{Open{}};
    }
    return Demand{Open{}};
}

Voltage Planner::end_margin() const {
    const ChannelTraits& traits = plan_.traits;
    if (traits.voltage_accuracy.count <= 0) {
        return protocol::end_margin_unknown;
    }
    return traits.voltage_accuracy * 2 + traits.voltage_resolution;
}

// The stage's own ceiling stands a little above the end of a charge, and below window and limit; a floor mirrors it.
// Should the software die, the stage stops there by itself.
Result<Demand> Planner::drive_of(const Step& step, bool charges) const {
    const auto& guards = plan_.guards;
    const auto trip = [&](GuardId id) { return guards[static_cast<std::size_t>(id)].trip; };
    const auto low = [&](GuardId id) { return guards[static_cast<std::size_t>(id)].low; };
    const Current wanted = current(step.current ? step.current->value : CurrentOrRate{Current{}});
    const Current range = charges ? plan_.traits.source_max : plan_.traits.sink_max;
    if (wanted.count <= 0 || wanted.count > trip(GuardId::over_current)) {
        return refuse("the current " + print(wanted) + " must be above 0 A and at most current_max " +
                      print(Current{trip(GuardId::over_current)}));
    }
    if (wanted > range) {
        return refuse("the current " + print(wanted) + " is more than this channel gives, " + print(range));
    }
    DriveCurrent drive;
    drive.current = charges ? wanted : -wanted;
    const Voltage limit{trip(GuardId::over_voltage)};
    const Voltage floor{low(GuardId::discharge_floor)};
    const Voltage margin = end_margin();
    if (charges) {
        drive.ceiling = step.ends.voltage ? *step.ends.voltage + margin : plan_.window_max;
        drive.floor = plan_.traits.voltage_min;
        if (drive.ceiling > plan_.window_max + protocol::ceiling_over_window ||
            drive.ceiling > limit - protocol::ceiling_under_limit) {
            return refuse("the stage's ceiling " + print(drive.ceiling) + " (end voltage + " + print(margin) +
                          " for this channel's accuracy) must stay within 10 mV above window.max " +
                          print(plan_.window_max) + " and 10 mV below voltage_max " + print(limit));
        }
    } else {
        drive.floor = step.ends.voltage ? *step.ends.voltage - margin : plan_.window_min;
        drive.ceiling = std::min(limit - protocol::ceiling_under_limit, plan_.traits.voltage_max);
        if (drive.floor < floor + protocol::ceiling_under_limit) {
            return refuse("the stage's floor " + print(drive.floor) + " (end voltage - " + print(margin) +
                          " for this channel's accuracy) must stay 10 mV above discharge_floor " + print(floor));
        }
    }
    return Demand{drive};
}

Result<Demand> Planner::hold_of(const Step& step) const {
    const auto& guards = plan_.guards;
    const std::int64_t current_max = guards[static_cast<std::size_t>(GuardId::over_current)].trip;
    const Voltage limit{guards[static_cast<std::size_t>(GuardId::over_voltage)].trip};
    const Current most = current(step.current ? step.current->value : CurrentOrRate{Current{}});
    const Voltage voltage = step.voltage.value_or(Voltage{});
    if (most.count <= 0 || most.count > current_max) {
        return refuse("the hold's current limit " + print(most) + " must be above 0 A and at most current_max " +
                      print(Current{current_max}));
    }
    if (voltage > plan_.window_max + protocol::ceiling_over_window || voltage > limit - protocol::ceiling_under_limit) {
        return refuse("the hold's voltage " + print(voltage) + " must not be above window.max " +
                      print(plan_.window_max) + " and must stay 10 mV below voltage_max " + print(limit));
    }
    HoldVoltage hold{.voltage = voltage, .source_max = most, .sink_max = most};
    if (step.direction == protocol::Direction::charge) {
        hold.sink_max = Current{};
    } else if (step.direction == protocol::Direction::discharge) {
        hold.source_max = Current{};
    }
    if (hold.source_max > plan_.traits.source_max || hold.sink_max > plan_.traits.sink_max) {
        return refuse("the hold's current limit " + print(most) + " is more than this channel gives, " +
                      print(std::min(plan_.traits.source_max, plan_.traits.sink_max)));
    }
    return Demand{hold};
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
            .has_ambient = true,
            .has_chamber = true};
}

BenchCaps caps_of_no_name() {
    return {.voltage_max = 100'000_mV, .current_max = 1'000'000_mA, .temperature_max = 200_degC};
}

}  // namespace slowfilm::engine
