// What the outputs of a profile's instruments are set to for a demand. Pure.
#pragma once

#include "daemon/channel/profile.hpp"
#include "daemon/core/demand.hpp"
#include "daemon/core/result.hpp"
#include "daemon/wire/scpi.hpp"

#include <optional>
#include <string>

namespace slowfilm::channel {

// What one output is set to before it is on. A source gives at most `current` and takes at most `sink`, going for
// `voltage`; a load takes `current` for as long as the cell is above `voltage`.
struct Target {
    Voltage voltage;
    wire::Rounding rounding{wire::Rounding::nearest};  // of the voltage, to the safe side
    Current current, sink;
    bool operator==(const Target&) const = default;
};

// An output without a target is off.
struct Targets {
    std::optional<Target> source, load;
    bool operator==(const Targets&) const = default;
};

// The error, a phrase, says what these instruments cannot do of it. Nothing is rounded but to the step of a setting.
[[nodiscard]] Result<Targets, std::string> targets_of(const Profile& profile, const Demand& demand);

}  // namespace slowfilm::channel
