// A channel of serial instruments: one output that does both, a supply and a load that are never both on, or a supply.
#pragma once

#include "daemon/channel/channel.hpp"
#include "daemon/channel/instrument.hpp"
#include "daemon/channel/instrument_options.hpp"
#include "daemon/core/result.hpp"

#include <memory>

namespace slowfilm::channel {

// bad_config: what can_make() refuses, or a port is another profile's. That a port is
// not there, or another instrument hangs on it, is no error here: it is the channel's health, and is tried for ever.
[[nodiscard]] Result<std::unique_ptr<Channel>> make_instrument_channel(Instruments& instruments,
                                                                       InstrumentChannelOptions options);

// Between a supply and a load: both off for so long, and both currents at rest.
inline constexpr Duration change_over{200'000};
// All settings are read back so often, besides after each change.
inline constexpr Duration verify_every{60'000'000};

}  // namespace slowfilm::channel
