// What is wrong now, for those who ask: whether a trip may be acknowledged, and whether neighbours may get current.
#include "daemon/engine/guards_judge.hpp"

namespace slowfilm::engine {

namespace {

// Of class channel, and judged also of a cell that only lies there.
constexpr std::uint32_t channel_guards_at_rest = bit_of(GuardId::leakage) | bit_of(GuardId::under_temperature) |
                                                 bit_of(GuardId::stale) | bit_of(GuardId::not_plausible);

}  // namespace

bool is_hot(const Plan& plan, const Run& run) {
    const Reading<Temperature>& last = run.last.temperature;
    const bool cap = is_out(run.guards, GuardId::bench_cap) && last.good();
    return (run.guards.out & heat_guards) != 0 || (cap && !(last.value <= plan.caps.temperature_max));
}

bool is_stuck(const Run& run) {
    return run.opening.wanted && !run.opening.verified &&
           (run.opening.escalated || is_out(run.guards, GuardId::leakage));
}

ChannelTrouble channel_trouble(const Plan& plan, const Run& run, Time now) {
    const GuardState& guards = run.guards;
    const bool thermometer = plan.traits.temperature_of != TemperatureOf::none;
    // A run that has ended is read seldom; one that has tripped as often as before.
    const Scope scope{.idle = run.state == RunState::stopped || run.state == RunState::done};
    const auto fresh = [&](Time at, Duration stale_after) { return now - at <= longest_gap(scope, stale_after); };
    const bool all_fresh = fresh(guards.voltage_fresh, plan.stale_voltage) &&
                           fresh(guards.current_fresh, plan.stale_current) &&
                           (!thermometer || fresh(guards.temperature_fresh, plan.stale_temperature)) &&
                           (!plan.traits.has_ambient || fresh(guards.ambient_fresh, plan.stale_temperature));
    return {.not_open = !run.opening.verified, .silent = !all_fresh, .out = guards.out & channel_guards_at_rest};
}

bool cause_gone(const Plan& plan, const Run& run, Time now) {
    const GuardSetting& setting = settings_of(plan, run)[index_of(run.tripped_by)];
    const GuardState& guards = run.guards;
    if (run.trip_class == TripClass::channel && channel_trouble(plan, run, now).any()) {
        return false;
    }
    switch (run.tripped_by) {
        case GuardId::stale:
        case GuardId::stuck:
        case GuardId::voltage_jump:
        case GuardId::not_plausible:
        case GuardId::leakage:
        case GuardId::current_lost:
        case GuardId::current_error:
        case GuardId::hold_error:
        case GuardId::group:
        case GuardId::channel_fault: return true;
        case GuardId::lead_drop: {
            const Reading<Voltage>& terminals = run.last.terminals;
            return leads_cut(plan, run) || (terminals.good() && now - terminals.time <= plan.stale_voltage &&
                                            magnitude(terminals.value - run.last.voltage.value).count <= setting.trip);
        }
        case GuardId::charge_temperature:
        case GuardId::discharge_temperature: {
            const std::int64_t last = run.last.temperature.value.count;
            return last >= setting.low && last <= setting.trip;
        }
        case GuardId::over_voltage:
        case GuardId::reversed:
        case GuardId::low_voltage:
        case GuardId::voltage_fall:
        case GuardId::above_ambient:
        case GuardId::discharge_floor:
        case GuardId::over_current:
        case GuardId::over_temperature:
        case GuardId::under_temperature:
        case GuardId::temperature_rise:
        case GuardId::climb:
        case GuardId::charge_leg:
        case GuardId::charge_net:
        case GuardId::run_time:
        case GuardId::bench_cap:
        case GuardId::record_lost: return !is_out(guards, run.tripped_by);
    }
    return false;
}

}  // namespace slowfilm::engine
