// [cell], [start], [keep] and [interruption]: values that contradict each other or the chemistry.
#include "daemon/core/text.hpp"
#include "daemon/protocol/bounds_arithmetic.hpp"
#include "daemon/protocol/check_judge.hpp"

#include <algorithm>

namespace slowfilm::protocol {
namespace {

using namespace literals;

constexpr Voltage pristine_voltage_max{1'000'000'000};  // a cell never charged lies at -0.05..0.5 V

struct ChemistryWindow {
    Voltage min, max;
};

std::optional<ChemistryWindow> usual_window(Chemistry chemistry) {
    switch (chemistry) {
        case Chemistry::nmc_graphite:
        case Chemistry::nmc_graphite_siox: return ChemistryWindow{2500_mV, 4200_mV};
        case Chemistry::lfp_graphite: return ChemistryWindow{2000_mV, 3650_mV};
        case Chemistry::other: break;
    }
    return std::nullopt;
}

void check_window(Judge& j) {
    const Cell& cell = j.cell;
    if (const auto reason = why_no_capacity(cell.capacity)) {
        j.error("cell.capacity", "a rated capacity of " + quoted(cell.capacity) + " " + *reason);
    }
    const std::optional<ChemistryWindow> usual = usual_window(cell.chemistry);
    if (usual && cell.unusual_window.empty() && !j.written("cell.unusual_window") &&
        (cell.window_min < usual->min || cell.window_max > usual->max)) {
        j.error("cell.window", "a window of " + quoted(cell.window_min) + " to " + quoted(cell.window_max) +
                                   " does not fit " + std::string(word(cell.chemistry)) + ", which lies within " +
                                   quoted(usual->min) + " to " + quoted(usual->max) +
                                   "; correct one of them, or give the reason in 'unusual_window'");
    }
}

void check_start_voltage(Judge& j) {
    if (!j.state_known()) {
        return;
    }
    const Range<Voltage>& written = j.protocol.start.voltage;
    const Voltage min = start_voltage_min(j.protocol);
    const Voltage max = start_voltage_max(j.protocol);
    if (min >= max && written.min.has_value() != written.max.has_value()) {
        j.error("start.voltage", "the lowest voltage to start at, " + quoted(min) + ", is not below the highest, " +
                                     quoted(max) + "; the one that is not written is the default of a " +
                                     std::string(name(j.cell.state)) + " cell, so write both");
        return;
    }
    if (written.min && *written.min < reversed_trip) {
        j.error("start.voltage.min", quoted(*written.min) + " would let a reversed cell start; " +
                                         quoted(reversed_trip) +
                                         " is where the guard 'reversed' trips, and the lowest that is right");
    }
    if (written.max && j.limits.voltage_max.trip && *written.max > *j.limits.voltage_max.trip) {
        j.error("start.voltage.max", "a cell may start at " + quoted(*written.max) + " but voltage_max trips at " +
                                         quoted(*j.limits.voltage_max.trip) + "; at most window.max " +
                                         quoted(j.cell.window_max) + " would be right");
    }
    if (j.cell.state == CellState::pristine && written.max && *written.max > pristine_voltage_max) {
        j.error("start.voltage.max", "a cell at " + quoted(*written.max) +
                                         " is not pristine: one that was never charged lies below " +
                                         quoted(pristine_voltage_max) + "; lower it, or say state = \"tapped\"");
    }
}

void check_start_temperature(Judge& j) {
    const Range<Temperature>& range = j.protocol.start.temperature;
    const TemperatureWindow& charge = j.limits.charge_temperature;
    const auto outside = [&](Temperature edge) {
        return (charge.min && edge < *charge.min) || (charge.max && edge > *charge.max);
    };
    for (const auto& [key, edge] :
         {std::pair{"start.temperature.min", range.min}, {"start.temperature.max", range.max}}) {
        if (edge && outside(*edge) && charge.min && charge.max) {
            j.error(key, "a cell may start at " + quoted(*edge) + ", where charge_temperature (" + quoted(*charge.min) +
                             " to " + quoted(*charge.max) + ") trips at once; stay within it");
        }
    }
}

void check_start_resistance(Judge& j) {
    const Range<Resistance>& range = j.protocol.start.resistance;
    if (j.state_known() && j.cell.state == CellState::pristine && (range.min || range.max)) {
        j.warning("start.resistance",
                  "the resistance of a pristine cell is never judged, for a small current tells nothing "
                  "of it; remove the line, or say what the cells are");
    }
}

void check_keep(Judge& j) {
    const Keep& keep = j.protocol.keep;
    constexpr Duration every_min = 10_ms;
    constexpr Duration every_max = 24_h;
    if (keep.every && (*keep.every < every_min || *keep.every > every_max)) {
        j.error("keep.every", "keeping a sample every " + quoted(*keep.every) + " leaves a record of no use; between " +
                                  quoted(every_min) + " and " + quoted(every_max) + " would be right");
    }
    const Voltage width = difference(j.cell.window_max, j.cell.window_min);
    if (keep.on_voltage_change && width.count > 0 && *keep.on_voltage_change >= width) {
        j.error("keep.on_change.voltage", "a change of " + quoted(*keep.on_voltage_change) +
                                              " is the cell's whole window (" + quoted(width) +
                                              ") and keeps nothing; a few millivolts would be right");
    }
    if (keep.on_current_change && j.limits.current_max.trip) {
        const Current limit = j.current(*j.limits.current_max.trip);
        const Current one_c = current_of(Rate{1, 1}, j.cell.capacity);
        Current change;
        std::string text;
        if (const Ratio* ratio = std::get_if<Ratio>(&*keep.on_current_change)) {
            change = Current{saturated(static_cast<Wide>(one_c.count) * ratio->count / 1'000'000)};
            text = quoted(*ratio) + " of the 1C current (" + print(change) + ")";
        } else {
            change = std::get<Current>(*keep.on_current_change);
            text = quoted(change);
        }
        if (change > limit) {
            j.error("keep.on_change.current", "a change of " + text + " is more than current_max (" + quoted(limit) +
                                                  ") and keeps nothing; a hundredth of it would be right");
        }
    }
    constexpr TemperatureDifference degrees_max{50'000};
    if (keep.on_temperature_change && *keep.on_temperature_change > degrees_max) {
        j.error("keep.on_change.temperature", "a change of " + quoted(*keep.on_temperature_change) +
                                                  " would trip long before it is kept; at most " + quoted(degrees_max) +
                                                  " is allowed, and \"1 K\" is usual");
    }
}

void check_interruption(Judge& j) {
    const Interruption& rules = j.protocol.interruption;
    if (rules.longest && rules.total && *rules.longest > *rules.total) {
        j.error("interruption.longest", "one interruption may last " + quoted(*rules.longest) +
                                            " but all together only " + quoted(*rules.total) +
                                            " (total); 'longest' must not be above 'total'");
    }
    const Voltage width = difference(j.cell.window_max, j.cell.window_min);
    for (const auto& [key, change] : {std::pair{"interruption.voltage_fall_max", rules.voltage_fall_max},
                                      {"interruption.voltage_rise_max", rules.voltage_rise_max}}) {
        if (change && width.count > 0 && *change >= width) {
            j.error(key, quoted(*change) + " is the cell's whole window (" + quoted(width) +
                             ") and tells nothing about the cell; some tens of millivolts would be right");
        }
    }
    if (rules.charge_uncertain_max && j.charge(*rules.charge_uncertain_max) > j.cell.capacity) {
        j.error("interruption.charge_uncertain_max", quoted_with_charge(*rules.charge_uncertain_max, j.cell.capacity) +
                                                         " is more than the rated capacity " + quoted(j.cell.capacity) +
                                                         "; a few percent of it would be right");
    }
}

}  // namespace

std::optional<std::string> why_no_capacity(Charge capacity) {
    if (capacity < smallest_capacity) {
        return "is smaller than any cell's; at least " + quoted(smallest_capacity) + " would be right";
    }
    if (capacity > largest_capacity) {
        return "is larger than any cell's; at most " + quoted(largest_capacity) + " would be right";
    }
    return std::nullopt;
}

void check_cell(Judge& j) {
    check_window(j);
    check_start_voltage(j);
    check_start_temperature(j);
    check_start_resistance(j);
    check_keep(j);
    check_interruption(j);
}

}  // namespace slowfilm::protocol
