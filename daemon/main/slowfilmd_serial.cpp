#include "daemon/main/slowfilmd_serial.hpp"

#include "daemon/channel/board_channel.hpp"
#include "daemon/channel/instrument_channel.hpp"

#include <algorithm>

namespace slowfilm::daemon {

Result<std::unique_ptr<channel::Channel>> SerialBench::make(const bench::ChannelConfig& config) {
    if (config.board) {
        return channel::make_board_channel(
            *config.board,
            std::make_unique<channel::BoardLine>(io_, timing_, *config.board, instruments_.next_guarding()));
    }
    return channel::make_instrument_channel(instruments_, *config.instrument);
}

bool has_serial(const bench::BenchConfig& config) {
    return std::any_of(config.channels.begin(), config.channels.end(),
                       [](const bench::ChannelConfig& channel) { return channel.serial(); });
}

}  // namespace slowfilm::daemon
