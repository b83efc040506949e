#include "daemon/channel/targets.hpp"

namespace slowfilm::channel {
namespace {

using wire::Rounding;

std::optional<std::string> beyond(const Setting& setting, Voltage voltage) {
    if (voltage.count < setting.min || voltage.count > setting.max) {
        return print(voltage) + " lies outside the range of the setting, " + print(Voltage{setting.min}) + " to " +
               print(Voltage{setting.max});
    }
    return std::nullopt;
}

std::optional<std::string> beyond(const Setting& setting, Current current) {
    if (current.count > setting.max) {
        return print(current) + " is more than the " + print(Current{setting.max}) + " of the setting";
    }
    if (current.count > 0 && current.count < setting.resolution) {
        return print(current) + " is finer than the setting, which goes in steps of " +
               print(Current{setting.resolution});
    }
    return std::nullopt;
}

std::optional<std::string> beyond(const OutputProfile& output, const Target& target) {
    if (auto why = beyond(output.voltage, target.voltage)) {
        return why;
    }
    if (auto why = beyond(output.current, target.current)) {
        return why;
    }
    return output.sink ? beyond(*output.sink, target.sink) : std::nullopt;
}

Result<Targets, std::string> within(const Profile& profile, Targets targets) {
    if (targets.source) {
        if (auto why = beyond(profile.source, *targets.source)) {
            return tl::unexpected(std::move(*why));
        }
    }
    if (targets.load) {
        if (auto why = beyond(*profile.load, *targets.load)) {
            return tl::unexpected(std::move(*why));
        }
    }
    return targets;
}

Result<Targets, std::string> driven(const Profile& profile, const DriveCurrent& drive) {
    Targets targets;
    if (drive.current.count >= 0) {
        targets.source =
            Target{.voltage = drive.ceiling, .rounding = Rounding::down, .current = drive.current, .sink = {}};
        return within(profile, targets);
    }
    switch (profile.kind) {
        case ProfileKind::two_quadrant:
            targets.source =
                Target{.voltage = drive.floor, .rounding = Rounding::up, .current = {}, .sink = -drive.current};
            break;
        case ProfileKind::supply_and_load:
            targets.load =
                Target{.voltage = drive.floor, .rounding = Rounding::up, .current = -drive.current, .sink = {}};
            break;
        case ProfileKind::supply_alone: return tl::unexpected(std::string("a supply alone cannot discharge"));
    }
    return within(profile, targets);
}

Result<Targets, std::string> held(const Profile& profile, const HoldVoltage& hold) {
    if (profile.kind != ProfileKind::two_quadrant && hold.source_max.count == 0) {
        return tl::unexpected(std::string("only a two-quadrant source can hold a voltage from above"));
    }
    Targets targets;
    targets.source = Target{.voltage = hold.voltage,
                            .rounding = Rounding::nearest,
                            .current = hold.source_max,
                            .sink = profile.source.sink ? hold.sink_max : Current{}};
    return within(profile, targets);
}

}  // namespace

Result<Targets, std::string> targets_of(const Profile& profile, const Demand& demand) {
    if (const auto* drive = std::get_if<DriveCurrent>(&demand)) {
        return driven(profile, *drive);
    }
    if (const auto* hold = std::get_if<HoldVoltage>(&demand)) {
        return held(profile, *hold);
    }
    return Targets{};
}

}  // namespace slowfilm::channel
