#include "daemon/main/slowfilmd_serial.hpp"

#include "daemon/channel/instrument_channel.hpp"

#include <algorithm>

namespace slowfilm::daemon {

Result<std::unique_ptr<channel::Channel>> SerialBench::make(const channel::InstrumentChannelOptions& options) {
    return channel::make_instrument_channel(instruments_, options);
}

bool has_serial(const bench::BenchConfig& config) {
    return std::any_of(config.channels.begin(), config.channels.end(),
                       [](const bench::ChannelConfig& channel) { return channel.instrument.has_value(); });
}

}  // namespace slowfilm::daemon
