#include "daemon/protocol/bounds.hpp"
#include "daemon/protocol/bounds_arithmetic.hpp"
#include "daemon/protocol/guard_table.hpp"

namespace slowfilm::protocol {
namespace {

template <class V>
void fill(Limit<V>& limit, GuardId id, std::optional<V> trip) {
    if (limit.off) {
        return;
    }
    // A soft guard written as {warn} alone only warns; giving it a trip would harden it behind the author's back.
    if (!limit.trip && !limit.warn) {
        limit.trip = trip;
    }
    if (!limit.persistence) {
        limit.persistence = guard_row(id).persistence;
    }
}

void fill(TemperatureWindow& window, GuardId id, std::optional<Temperature> min, std::optional<Temperature> max) {
    window.min = window.min ? window.min : min;
    window.max = window.max ? window.max : max;
    if (!window.persistence) {
        window.persistence = guard_row(id).persistence;
    }
}

// A tenth more, rounded up.
Duration with_a_tenth(Duration time) {
    return {saturated((static_cast<Wide>(time.count) * 11 + 9) / 10)};
}

}  // namespace

Voltage start_voltage_min(const Protocol& protocol) {
    if (protocol.start.voltage.min) {
        return *protocol.start.voltage.min;
    }
    switch (protocol.cell.state) {
        case CellState::pristine: return reversed_trip;
        case CellState::tapped: return Voltage{800'000'000};
        case CellState::formed: break;
    }
    return difference(protocol.cell.window_min, floor_under_window);
}

Voltage start_voltage_max(const Protocol& protocol) {
    if (protocol.start.voltage.max) {
        return *protocol.start.voltage.max;
    }
    switch (protocol.cell.state) {
        case CellState::pristine: return Voltage{1'000'000'000};
        case CellState::tapped: return Voltage{3'200'000'000};
        case CellState::formed: break;
    }
    return protocol.cell.window_max;
}

Limits with_defaults(const Protocol& protocol) {
    const Cell& cell = protocol.cell;
    Limits limits = protocol.limits;
    fill(limits.voltage_max, GuardId::over_voltage, std::optional<Voltage>{});
    fill(limits.low_voltage, GuardId::low_voltage, std::optional{difference(cell.window_min, low_trip_under_window)});
    if (!limits.armed_above && !limits.low_voltage.off) {
        limits.armed_above = sum(cell.window_min, armed_over_window);
    }
    fill(limits.voltage_fall, GuardId::voltage_fall, std::optional{voltage_fall_default});
    fill(limits.voltage_jump, GuardId::voltage_jump, std::optional{voltage_jump_default});
    fill(limits.lead_drop, GuardId::lead_drop, std::optional{lead_drop_default});
    fill(limits.stuck, GuardId::stuck,
         std::optional<ChargeOrRatio>{cell.chemistry == Chemistry::lfp_graphite ? stuck_default_flat : stuck_default});
    fill(limits.above_ambient, GuardId::above_ambient, std::optional{above_ambient_default});
    fill(limits.discharge_floor, GuardId::discharge_floor,
         std::optional{difference(cell.window_min, floor_under_window)});
    fill(limits.current_max, GuardId::over_current, std::optional<CurrentOrRate>{});
    fill(limits.current_error, GuardId::current_error, std::optional<CurrentOrRate>{});
    fill(limits.leakage_max, GuardId::leakage, std::optional<CurrentOrRate>{});
    fill(limits.hold_error, GuardId::hold_error, std::optional<Voltage>{});
    fill(limits.temperature_max, GuardId::over_temperature, std::optional<Temperature>{});
    fill(limits.temperature_min, GuardId::under_temperature, std::optional{temperature_min_default});
    fill(limits.charge_temperature, GuardId::charge_temperature, {}, {});
    fill(limits.discharge_temperature, GuardId::discharge_temperature, temperature_min_default,
         limits.temperature_max.trip);
    fill(limits.temperature_rise, GuardId::temperature_rise, std::optional{temperature_rise_default});
    limits.charge_leg_first = limits.charge_leg_first.value_or(charge_leg_first_default);
    limits.charge_leg_later = limits.charge_leg_later.value_or(charge_leg_later_default);
    limits.net_max = limits.net_max.value_or(net_max_default);
    if (!limits.run_time_max) {
        limits.run_time_max = with_a_tenth(bounds(protocol, cell.capacity).run_time);
    }
    return limits;
}

}  // namespace slowfilm::protocol
