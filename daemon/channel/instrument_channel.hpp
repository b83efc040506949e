// A channel of serial instruments: one output that does both, a supply and a load that are never both on, or a supply.
#pragma once

#include "daemon/channel/channel.hpp"
#include "daemon/channel/instrument.hpp"
#include "daemon/channel/profile.hpp"
#include "daemon/core/result.hpp"
#include "daemon/core/traits.hpp"

#include <memory>
#include <string>
#include <vector>

namespace slowfilm::channel {

struct InstrumentChannelOptions {
    std::shared_ptr<const Profile> profile;
    std::vector<std::string> ports;    // a stable name for each of the profile's instruments, in their order
    std::vector<std::string> serials;  // likewise, or none: any serial number will do; "" likewise
    std::string output{"1"};           // for {channel} of the source or supply
    std::string load_output{"1"};      // and of the load
    bool four_wire{true};
    Voltage protection;  // what the instrument's own protections are set to
    Current current_protection;
    ChannelTraits traits;  // traits_of(profile, the bench's own)
};

// bad_config: these instruments cannot protect so, are wired otherwise, or a port is another profile's. That a port is
// not there, or another instrument hangs on it, is no error here: it is the channel's health, and is tried for ever.
[[nodiscard]] Result<std::unique_ptr<Channel>> make_instrument_channel(Instruments& instruments,
                                                                       InstrumentChannelOptions options);

// Between a supply and a load: both off for so long, and both currents at rest.
inline constexpr Duration change_over{200'000};
// All settings are read back so often, besides after each change.
inline constexpr Duration verify_every{60'000'000};

}  // namespace slowfilm::channel
