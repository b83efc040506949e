// What the bench says of a channel of serial instruments.
#pragma once

#include "daemon/channel/profile.hpp"
#include "daemon/core/quantity.hpp"
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

// bad_config: these instruments cannot protect so, or are wired otherwise.
[[nodiscard]] Result<void> can_make(const InstrumentChannelOptions& options);

}  // namespace slowfilm::channel
