// What a bench file says of simulated channels and chambers, as the simulation takes it.
#pragma once

#include "daemon/bench/config.hpp"
#include "daemon/channel/channel.hpp"
#include "daemon/core/result.hpp"
#include "sim/stage/chamber.hpp"

#include <map>
#include <memory>
#include <string>

namespace slowfilm::daemon {

class SimulatedBench {
  public:
    // `chamber`: around it, or null. Channels of one chamber share it.
    [[nodiscard]] Result<std::unique_ptr<channel::Channel>> make(const bench::ChannelConfig& config,
                                                                 const bench::ChamberConfig* chamber);

  private:
    std::map<std::string, std::shared_ptr<sim::Chamber>> chambers_;
};

}  // namespace slowfilm::daemon
