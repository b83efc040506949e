// [channel.board] of a bench file: the channel board that a channel hangs on.
#pragma once

#include "daemon/bench/config.hpp"
#include "daemon/bench/config_instrument.hpp"
#include "daemon/protocol/toml_reader.hpp"

namespace slowfilm::bench {

// The channel's traits stand in `config` already, for a board has no profile. What could not be read is complained of
// in the table's document, and the channel has no board then.
void read_board(protocol::Table& channel, InstrumentReader& instruments, ChannelConfig& config);

}  // namespace slowfilm::bench
