#include "daemon/engine/plan_guards.hpp"

#include "daemon/engine/connection.hpp"
#include "daemon/protocol/bounds.hpp"

#include <algorithm>
#include <limits>

namespace slowfilm::engine {

namespace {

using namespace literals;
using protocol::Limit;
using protocol::Limits;

constexpr Voltage formed_over_window = 300_mV;

// Lays limits over settings that hold already: what is not written stays.
class Overlay {
  public:
    Overlay(const Plan& plan, GuardSettings& guards) : plan_{plan}, guards_{guards} {}

    void lay(const Limits& limits) {
        const auto count = [](auto quantity) { return quantity.count; };
        const auto current = [this](const CurrentOrRate& value) { return current_of(value, plan_.capacity).count; };
        const auto charge = [this](const ChargeOrRatio& value) { return charge_of(value, plan_.capacity).count; };
        above(GuardId::over_voltage, limits.voltage_max, count);
        below(GuardId::low_voltage, limits.low_voltage, count);
        above(GuardId::voltage_fall, limits.voltage_fall, count);
        below(GuardId::discharge_floor, limits.discharge_floor, count);
        above(GuardId::over_current, limits.current_max, current);
        above(GuardId::current_error, limits.current_error, current);
        above(GuardId::leakage, limits.leakage_max, current);
        above(GuardId::hold_error, limits.hold_error, count);
        above(GuardId::voltage_jump, limits.voltage_jump, count);
        above(GuardId::lead_drop, limits.lead_drop, count);
        above(GuardId::stuck, limits.stuck, charge);
        above(GuardId::over_temperature, limits.temperature_max, count);
        below(GuardId::under_temperature, limits.temperature_min, count);
        above(GuardId::temperature_rise, limits.temperature_rise, count);
        above(GuardId::above_ambient, limits.above_ambient, count);
        window(GuardId::charge_temperature, limits.charge_temperature);
        window(GuardId::discharge_temperature, limits.discharge_temperature);
        if (limits.net_max) {
            at(GuardId::charge_net).trip = charge(*limits.net_max);
        }
        at(GuardId::temperature_rise).persistence = Duration{};  // its slope is of a minute and the one before it
    }

  private:
    GuardSetting& at(GuardId id) { return guards_[static_cast<std::size_t>(id)]; }

    template <class V, class Count>
    void above(GuardId id, const Limit<V>& limit, Count count) {
        GuardSetting& setting = at(id);
        const bool soft = guard_row(id).hardness == Hardness::soft;
        if (limit.written) {
            setting.origin = Origin::written;
        }
        if (limit.off && guard_row(id).hardness != Hardness::hard) {
            setting.origin = Origin::off;
        }
        setting.persistence = limit.persistence.value_or(setting.persistence);
        if (limit.warn) {
            setting.has_warn = true;
            setting.warn = count(*limit.warn);
            setting.warn_only = soft && !limit.trip;
        } else if (limit.trip) {
            setting.warn_only = false;
        }
        if (limit.trip) {
            setting.trip = count(*limit.trip);
        } else if (setting.warn_only) {
            setting.trip = setting.warn;
        }
    }
    template <class V, class Count>
    void below(GuardId id, const Limit<V>& limit, Count count) {
        above(id, limit, count);
        at(id).low = at(id).trip;
    }
    void window(GuardId id, const protocol::TemperatureWindow& limit) {
        GuardSetting& setting = at(id);
        setting.low = limit.min ? limit.min->count : setting.low;
        setting.trip = limit.max ? limit.max->count : setting.trip;
        setting.persistence = limit.persistence.value_or(setting.persistence);
        setting.origin = limit.written ? Origin::written : setting.origin;
    }

    const Plan& plan_;
    GuardSettings& guards_;
};

class GuardPlanner {
  public:
    GuardPlanner(const protocol::Protocol& protocol, Plan& plan, Refusals& refusals)
        : protocol_{protocol}, limits_{protocol::with_defaults(protocol)}, plan_{plan}, refusals_{refusals} {}

    bool make() {
        if (!limits_.voltage_max.trip || !limits_.current_max.trip || !limits_.temperature_max.trip) {
            refuse("voltage_max, current_max and temperature_max must be written in [limits]");
            return false;
        }
        if (limits_.climb.size() > climb_gates_max) {
            refuse("at most " + std::to_string(climb_gates_max) + " climb gates can be watched");
            return false;
        }
        set_defaults();
        Overlay{plan_, plan_.guards}.lay(limits_);
        switch_off_what_the_channel_cannot_see();
        set_charge();
        set_time();
        check_caps();
        return true;
    }

  private:
    void refuse(std::string why) { refusals_.push_back({Failure::bad_data, std::move(why)}); }
    GuardSetting& guard(GuardId id) { return plan_.guards[static_cast<std::size_t>(id)]; }
    Charge charge(const ChargeOrRatio& value) const { return charge_of(value, plan_.capacity); }

    // What stands where nothing is written and the channel or the chemistry decides.
    void set_defaults() {
        const ChannelTraits& traits = plan_.traits;
        for (std::size_t i = 0; i < guard_count; ++i) {
            plan_.guards[i].persistence = guard_table()[i].persistence;
        }
        plan_.formed_above = plan_.window_min + formed_over_window;
        plan_.armed_above = limits_.armed_above.value_or(plan_.window_min + protocol::armed_over_window);
        guard(GuardId::reversed).trip = guard(GuardId::reversed).low = reversed_below.count;
        // For people; what is judged is 1 % of the demand at hand.
        const Current most = current_of(*limits_.current_max.trip, plan_.capacity);
        guard(GuardId::current_error).trip = (traits.current_accuracy * 2).count + most.count / 100;
        guard(GuardId::leakage).trip = std::max(traits.current_accuracy * 2, traits.current_resolution * 2).count;
        guard(GuardId::hold_error).trip = (traits.voltage_accuracy * 2 + 2_mV).count;
        for (const GuardId id : {GuardId::charge_temperature, GuardId::discharge_temperature}) {
            guard(id).low = protocol::temperature_min_default.count;
            guard(id).trip = limits_.temperature_max.trip->count;
        }
    }

    // A guard that its channel has no sensor for is off, and printed so.
    void switch_off_what_the_channel_cannot_see() {
        const ChannelTraits& traits = plan_.traits;
        if (traits.temperature_of != TemperatureOf::cell) {
            guard(GuardId::temperature_rise).origin = Origin::off;  // a shelf's thermometer does not see one cell warm
        }
        if (!traits.has_ambient) {
            guard(GuardId::above_ambient).origin = Origin::off;
        }
        if (!traits.reads_terminals) {
            guard(GuardId::lead_drop).origin = Origin::off;
        }
    }

    void set_charge() {
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
    }

    void set_time() {
        const auto longest = [this](const std::optional<Duration>& written) {
            // Two periods at least, or one late sample would trip.
            return std::max(written.value_or(plan_.traits.period * 3), plan_.traits.period * 2);
        };
        plan_.stale_voltage = longest(limits_.stale_voltage);
        plan_.stale_current = longest(limits_.stale_current);
        plan_.stale_temperature = longest(limits_.stale_temperature);
        const bool written = limits_.stale_voltage || limits_.stale_current || limits_.stale_temperature;
        guard(GuardId::stale).origin = written ? Origin::written : Origin::by_default;
        guard(GuardId::stale).trip =
            std::max({plan_.stale_voltage, plan_.stale_current, plan_.stale_temperature}).count;
        guard(GuardId::run_time).trip =
            limits_.run_time_max.value_or(Duration{std::numeric_limits<std::int64_t>::max()}).count;
        guard(GuardId::run_time).origin = protocol_.limits.run_time_max ? Origin::written : Origin::by_default;
        guard(GuardId::bench_cap).trip = plan_.caps.voltage_max.count;
    }

    void check_caps() {
        const BenchCaps& caps = plan_.caps;
        const Voltage voltage{guard(GuardId::over_voltage).trip};
        const Current current{guard(GuardId::over_current).trip};
        const Temperature temperature{guard(GuardId::over_temperature).trip};
        const std::string why = " is above what the bench allows, ";
        if (voltage > caps.voltage_max) {
            refuse("voltage_max " + print(voltage) + why + print(caps.voltage_max));
        }
        if (current > caps.current_max) {
            refuse("current_max " + print(current) + why + print(caps.current_max));
        }
        if (temperature > caps.temperature_max) {
            refuse("temperature_max " + print(temperature) + why + print(caps.temperature_max));
        }
    }

    const protocol::Protocol& protocol_;
    Limits limits_;
    Plan& plan_;
    Refusals& refusals_;
};

// Guards with a lower limit only: what is written for them stands in `low` and `trip` alike.
bool is_floor(GuardId id) {
    return id == GuardId::low_voltage || id == GuardId::discharge_floor || id == GuardId::under_temperature;
}

}  // namespace

bool plan_guards(const protocol::Protocol& protocol, Plan& plan, Refusals& refusals) {
    return GuardPlanner{protocol, plan, refusals}.make();
}

Result<std::int16_t> plan_step_guards(const Limits& own, Plan& plan) {
    if (plan.step_guards.size() >= static_cast<std::size_t>(std::numeric_limits<std::int16_t>::max())) {
        return fail(Failure::bad_data, "too many steps have limits of their own");
    }
    GuardSettings settings = plan.guards;
    Overlay{plan, settings}.lay(own);
    for (std::size_t i = 0; i < guard_count; ++i) {
        const GuardSetting& whole = plan.guards[i];
        GuardSetting& step = settings[i];
        if (whole.origin == Origin::off) {
            step.origin = Origin::off;
        } else if (step.origin == Origin::off) {
            step = whole;
        }
        step.low = std::max(step.low, whole.low);
        step.trip = is_floor(static_cast<GuardId>(i)) ? step.low : std::min(step.trip, whole.trip);
    }
    plan.step_guards.push_back(settings);
    return static_cast<std::int16_t>(plan.step_guards.size() - 1);
}

}  // namespace slowfilm::engine
