#include "daemon/main/slowfilm_bench_fit.hpp"

#include "daemon/core/figure.hpp"
#include "daemon/protocol/bounds.hpp"
#include "daemon/protocol/check.hpp"
#include "daemon/protocol/guard_table.hpp"

#include <optional>
#include <utility>

namespace slowfilm::command {

namespace {

using namespace literals;
using protocol::each_step;
using protocol::label;
using protocol::Limits;
using protocol::Protocol;
using protocol::Step;

class Notes {
  public:
    Notes(const Protocol& protocol, const ChannelTraits& traits)
        : protocol_(protocol), traits_(traits), limits_(protocol::with_defaults(protocol)) {}

    std::vector<std::string> all() {
        of_the_channel();
        of_limits();
        of_kept_samples(protocol_.keep, "[keep]");
        each_step(protocol_.steps, [&](const Step& step, std::uint64_t) { of_step(step); });
        return std::move(notes_);
    }

  private:
    void note(std::string sentence) { notes_.push_back(std::move(sentence)); }

    void of_the_channel() {
        if (!traits_.isolates()) {
            note(
                "no contactor and no relay cut the cell off, so nothing opens the circuit of an output that is stuck; "
                "only "
                "what stands outside this program does");
        }
        if (!traits_.reads_terminals) {
            note(
                "terminals are not read, so lead_drop is off and a lifted sense lead shows only as a jump of the "
                "voltage");
        }
        if (!traits_.has_ambient) {
            note(
                "there is no ambient sensor, so above_ambient is off and temperature_rise counts the room's warming "
                "too");
        }
        if (traits_.temperature_of == TemperatureOf::shelf) {
            note("the thermometer is the shelf's, so temperature_rise is off and a single hot cell is seen late");
        }
        if (limits_.voltage_max.trip && *limits_.voltage_max.trip > traits_.voltage_max) {
            note("voltages above " + print(traits_.voltage_max) + " are not measured, so voltage_max of " +
                 print(*limits_.voltage_max.trip) + " is never seen; readings out of range trip instead");
        }
        if (traits_.voltage_min > protocol::reversed_trip) {
            note("voltages below " + print(traits_.voltage_min) + " are not measured, so a reversed cell, below " +
                 print(protocol::reversed_trip) + ", shows only as a reading out of range");
        }
        const Duration electrical = guard_row(GuardId::over_voltage).persistence_max;
        if (traits_.period * 2 > electrical) {
            note("samples come every " + print(traits_.period) + ", so a guard that takes two in a row trips after " +
                 print(traits_.period * 2) + " and not within " + print(electrical));
        }
    }

    void finer_than(std::string_view key, const std::optional<Voltage>& limit, Voltage error) {
        if (limit && *limit <= error) {
            note(std::string(key) + " of " + print(*limit) + " lies within this channel's own error of " +
                 print(error) + " and would trip sound cells");
        }
    }

    void of_limits() {
        const Limits& written = protocol_.limits;
        finer_than("hold_error", written.hold_error.trip, traits_.voltage_accuracy);
        finer_than("voltage_jump", limits_.voltage_jump.trip, traits_.voltage_resolution * 2);
        finer_than("voltage_fall", limits_.voltage_fall.trip, traits_.voltage_resolution * 2);
        for (const auto& [key, limit] :
             {std::pair{"current_error", written.current_error.trip}, {"leakage_max", written.leakage_max.trip}}) {
            if (limit && current_of(*limit, protocol_.cell.capacity) <= traits_.current_accuracy) {
                note(std::string(key) + " of " + print(*limit) + " lies within this channel's own error of " +
                     print(traits_.current_accuracy) + " and would trip sound cells");
            }
        }
        for (const auto& [key, age] : {std::pair{"voltage", written.stale_voltage},
                                       {"current", written.stale_current},
                                       {"temperature", written.stale_temperature}}) {
            if (age && *age < traits_.period * 2) {
                note("stale_after of a " + std::string(key) + ", " + print(*age) + ", is less than two periods of " +
                     print(traits_.period) + "; one late sample would trip");
            }
        }
    }

    void of_kept_samples(const protocol::Keep& keep, const std::string& where) {
        if (keep.on_voltage_change && *keep.on_voltage_change < traits_.voltage_resolution) {
            note(where + " keeps changes of " + print(*keep.on_voltage_change) +
                 ", finer than this channel's resolution of " + print(traits_.voltage_resolution));
        }
        if (keep.every && *keep.every < traits_.period) {
            note(where + " keeps a sample every " + print(*keep.every) + ", but they come every " +
                 print(traits_.period));
        }
        if (keep.mean_of && *keep.mean_of < traits_.period * 2) {
            note(where + " takes means over " + print(*keep.mean_of) +
                 ", which holds fewer than two samples at one every " + print(traits_.period));
        }
    }

    void of_step(const Step& step) {
        if (step.ends.current) {
            const Current taper = current_of(step.ends.current->value, protocol_.cell.capacity);
            if (taper <= traits_.current_accuracy) {
                note(label(step) + " ends at " + print(taper) + ", within this channel's own error of " +
                     print(traits_.current_accuracy) + "; its taper may never come");
            }
        }
        if (step.ends.settle) {
            settles(step, *step.ends.settle);
        }
        if (step.keep) {
            of_kept_samples(*step.keep, label(step));
        }
    }

    // How far the voltage drifts in that time, against one digit of the instrument.
    void settles(const Step& step, const protocol::Settle& settle) {
        if (moved_by(settle.below, settle.over) < traits_.voltage_resolution) {
            note(label(step) + " waits for a drift below " + print(settle.below) + " over " + print(settle.over) +
                 ", less than one digit of this channel, " + print(traits_.voltage_resolution) +
                 "; a longer time would be right");
        }
    }

    const Protocol& protocol_;
    const ChannelTraits& traits_;
    const Limits limits_;
    std::vector<std::string> notes_;
};

}  // namespace

std::vector<std::string> not_protected(const Protocol& protocol, const ChannelTraits& traits) {
    return Notes(protocol, traits).all();
}

}  // namespace slowfilm::command
