// The channels of a bench that hang on serial ports.
#pragma once

#include "daemon/bench/config.hpp"
#include "daemon/channel/channel.hpp"
#include "daemon/channel/guardian.hpp"
#include "daemon/channel/instrument.hpp"
#include "daemon/channel/timing.hpp"
#include "daemon/core/result.hpp"

#include <boost/asio/io_context.hpp>
#include <memory>

namespace slowfilm::daemon {

class SerialBench {
  public:
    // `guardian`: null where nobody switches off after this process.
    SerialBench(boost::asio::io_context& io, channel::Guardian* guardian)
        : io_(io), timing_(io), instruments_(io, timing_, guardian) {}

    // Of a channel that is serial().
    [[nodiscard]] Result<std::unique_ptr<channel::Channel>> make(const bench::ChannelConfig& config);

  private:
    boost::asio::io_context& io_;
    channel::MachineTiming timing_;
    channel::Instruments instruments_;
};

// Whether there is one on the bench.
[[nodiscard]] bool has_serial(const bench::BenchConfig& config);

}  // namespace slowfilm::daemon
