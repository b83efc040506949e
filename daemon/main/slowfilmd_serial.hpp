// The channels of a bench that hang on serial ports.
#pragma once

#include "daemon/bench/config.hpp"
#include "daemon/channel/channel.hpp"
#include "daemon/channel/fitted_channel.hpp"
#include "daemon/channel/guardian.hpp"
#include "daemon/channel/instrument.hpp"
#include "daemon/channel/lockstep.hpp"
#include "daemon/channel/modbus_bus.hpp"
#include "daemon/channel/timing.hpp"
#include "daemon/core/result.hpp"

#include <boost/asio/io_context.hpp>
#include <map>
#include <memory>
#include <string>
#include <utility>

namespace slowfilm::daemon {

class SerialBench {
  public:
    // On the machine's clock. `guardian`: null where nobody switches off after this process.
    SerialBench(boost::asio::io_context& io, channel::Guardian* guardian)
        : io_(io), timing_(io), instruments_(io, timing_, guardian), buses_(io, timing_) {}
    // On a clock of ours, by which the virtual instruments go at whose ports they all are.
    SerialBench(boost::asio::io_context& io, std::unique_ptr<channel::Lockstep> lockstep, channel::Guardian* guardian)
        : io_(io),
          timing_(io),
          lockstep_(std::move(lockstep)),
          instruments_(io, *lockstep_, guardian),
          buses_(io, lockstep_->timing(), lockstep_.get()) {}

    // Of a channel that is serial().
    [[nodiscard]] Result<std::unique_ptr<channel::Channel>> make(const bench::BenchConfig& bench,
                                                                 const bench::ChannelConfig& config,
                                                                 const bench::ChamberConfig* chamber);
    // Null on the machine's clock.
    [[nodiscard]] channel::Lockstep* lockstep() { return lockstep_.get(); }

  private:
    [[nodiscard]] Result<std::unique_ptr<channel::Channel>> make_plain(const bench::ChannelConfig& config);
    [[nodiscard]] std::shared_ptr<channel::TemperatureUnit> module_at(const bench::UnitConfig& at);
    [[nodiscard]] std::shared_ptr<channel::ChamberUnit> chamber_of(const bench::ChamberConfig& config);
    [[nodiscard]] channel::Thermometer thermometer(const bench::BenchConfig& bench, const std::string& name);

    boost::asio::io_context& io_;
    channel::MachineTiming timing_;
    std::unique_ptr<channel::Lockstep> lockstep_;
    channel::Instruments instruments_;
    channel::ModbusBuses buses_;
    std::map<std::pair<std::string, int>, std::shared_ptr<channel::TemperatureUnit>> modules_;  // by port and unit
    std::map<std::string, std::shared_ptr<channel::ChamberUnit>> chambers_;                     // by name
};

// Whether there is one on the bench.
[[nodiscard]] bool has_serial(const bench::BenchConfig& config);

// Takes the clock of the virtual instruments at whose ports all serial channels are; there must be one at least.
// bad_config: they are not, or not of one folder; try_again: another program has the clock.
[[nodiscard]] Result<std::unique_ptr<channel::Lockstep>> take_clock(const bench::BenchConfig& config);

}  // namespace slowfilm::daemon
