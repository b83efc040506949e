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
        : timing_(io), instruments_(io, timing_, guardian) {}

    [[nodiscard]] Result<std::unique_ptr<channel::Channel>> make(const channel::InstrumentChannelOptions& options);

  private:
    channel::MachineTiming timing_;
    channel::Instruments instruments_;
};

// Whether there is one on the bench.
[[nodiscard]] bool has_serial(const bench::BenchConfig& config);

}  // namespace slowfilm::daemon
