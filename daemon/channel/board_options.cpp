#include "daemon/channel/board_options.hpp"

#include <algorithm>

namespace slowfilm::channel {
namespace {

using namespace literals;

Result<void> refuse(std::string why) {
    return fail(Failure::bad_config, std::move(why));
}

}  // namespace

Result<void> can_make(const BoardChannelOptions& options) {
    const wire::BoardLimits& limits = options.limits;
    const ChannelTraits& traits = options.traits;
    const Current most = std::max(traits.source_max, traits.sink_max);
    if (limits.voltage_max <= traits.voltage_max || limits.voltage_min >= traits.voltage_min) {
        return refuse("the board's own limits of voltage, " + print(limits.voltage_min) + " to " +
                      print(limits.voltage_max) + ", must stand a little outside the channel's " +
                      print(traits.voltage_min) + " to " + print(traits.voltage_max) +
                      ", or noise on a set-point opens its output");
    }
    if (limits.current_max <= most) {
        return refuse("the board's own limit of current, " + print(limits.current_max) +
                      ", must stand a little above the channel's " + print(most) +
                      ", or noise on a set-point opens its output");
    }
    if (options.has_thermometer != limits.temperature_max.has_value()) {
        return refuse(options.has_thermometer
                          ? "a board with a thermometer needs a limit for it: temperature_max within 'limits'"
                          : "a board without a thermometer holds to no temperature_max; leave it out");
    }
    if (limits.watchdog < 200_ms || limits.watchdog > 60_s || limits.watchdog.count % 1'000 != 0) {
        return refuse("a board waits for a heartbeat for 200 ms to 60 s, in whole milliseconds, not for " +
                      print(limits.watchdog));
    }
    if (limits.watchdog < traits.period * periods_a_watchdog) {
        return refuse("the heart beats once a period, so 'watchdog' must be " +
                      print(traits.period * periods_a_watchdog) + " or more, three periods, not " +
                      print(limits.watchdog));
    }
    if (options.answer * 2 >= limits.watchdog) {
        return refuse("'answer' must be less than half of 'watchdog', or one lost answer opens the output");
    }
    return {};
}

std::string describe(const wire::BoardLimits& limits) {
    return print(limits.voltage_min) + " to " + print(limits.voltage_max) + ", " + print(limits.current_max) +
           (limits.temperature_max ? ", " + print(*limits.temperature_max) : "") + ", heartbeat within " +
           print(limits.watchdog);
}

std::string describe(const wire::BoardIdentity& identity) {
    return "channel board, kind " + std::to_string(identity.kind) + ", number " + std::to_string(identity.serial) +
           ", firmware " + std::to_string(identity.firmware);
}

std::vector<std::string> abilities(const wire::BoardIdentity& identity) {
    const auto with = [](bool fitted, const std::string& what) { return (fitted ? "has a " : "has no ") + what; };
    return {"holds " + print(identity.voltage_min) + " to " + print(identity.voltage_max) + ", charges with up to " +
                print(identity.source_max) +
                (identity.sink_max.count > 0 ? ", discharges with up to " + print(identity.sink_max)
                                             : ", cannot discharge"),
            with(identity.has_thermometer, "thermometer"),
            with(identity.has_ambient, "thermometer for its surroundings"),
            with(identity.reads_terminals, "reading of its terminals beside that of the sense leads"),
            with(identity.has_contactor, "contactor"),
            "opens its own output at limits that the bench file gives, and when the host falls silent"};
}

std::vector<std::string> remarks(const BoardChannelOptions& options) {
    std::vector<std::string> all{"the board itself holds to " + describe(options.limits) +
                                 ": it opens its own output when one is passed, or when this computer falls silent"};
    if (!options.serial) {
        all.push_back("no serial number is written for it, so any channel board on this port is taken for it");
    }
    if (options.traits.off_state == OffState::sinks) {
        all.push_back("it sinks when it is off: without a contactor a cell at rest is drained");
    }
    return all;
}

}  // namespace slowfilm::channel
