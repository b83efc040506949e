// One [[channel]] of a bench file.
#pragma once

#include "daemon/bench/config.hpp"
#include "daemon/bench/config_instrument.hpp"
#include "daemon/protocol/toml_reader.hpp"

namespace slowfilm::bench {

// What could not be read stands at its default, and the complaint is in the table's document.
[[nodiscard]] ChannelConfig read_channel(protocol::Table& table, InstrumentReader& instruments);

}  // namespace slowfilm::bench
