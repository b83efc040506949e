// A channel with what the bench has put beside its instrument: a thermometer and a chamber of the bench's own.
#pragma once

#include "daemon/channel/chamber_unit.hpp"
#include "daemon/channel/channel.hpp"
#include "daemon/channel/temperature_unit.hpp"

#include <cstdint>
#include <memory>

namespace slowfilm::channel {

// Where it is: an input of a module, shared with other channels.
struct Thermometer {
    std::shared_ptr<const TemperatureUnit> unit;  // null: there is none
    std::uint16_t input{0};
};

struct Fittings {
    Thermometer temperature, ambient;
    std::shared_ptr<ChamberUnit> chamber;  // null: there is none
    ChannelTraits traits;                  // of the channel with all of it
};

// The temperature of a fitted thermometer takes the place of the channel's own, each reading once and with its own
// time. A chamber tells the ambient temperature where there is no thermometer for it.
[[nodiscard]] std::unique_ptr<Channel> fit_channel(std::unique_ptr<Channel> channel, Timing& timing, Fittings fittings);

}  // namespace slowfilm::channel
