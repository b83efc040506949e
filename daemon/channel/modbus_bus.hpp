// One Modbus line and the units on it: one question at a time, whoever asks.
#pragma once

#include "daemon/channel/link.hpp"
#include "daemon/channel/lockstep.hpp"
#include "daemon/channel/unit_profile.hpp"
#include "daemon/core/result.hpp"
#include "daemon/wire/modbus.hpp"

#include <boost/asio/io_context.hpp>
#include <functional>
#include <map>
#include <memory>
#include <string>
#include <vector>

namespace slowfilm::channel {

struct BusAnswer {
    std::vector<std::uint16_t> values;  // of reads
    Time asked;                         // steady
};

class ModbusBus {
  public:
    // `lockstep`: the units on it are virtual, and their time is ours; null where time is the machine's.
    ModbusBus(boost::asio::io_context& io, Timing& timing, const BusOptions& options, Lockstep* lockstep = nullptr);

    // The error is a sentence. Called exactly once unless the bus goes, possibly before this returns.
    using Done = std::function<void(const Result<BusAnswer, std::string>&)>;
    void ask(const wire::modbus::Request& request, Duration deadline, Urgency urgency, Done done);
    [[nodiscard]] const Link& link() const { return link_; }
    [[nodiscard]] Timing& timing() const { return link_.timing(); }
    [[nodiscard]] const BusOptions& options() const { return options_; }

  private:
    BusOptions options_;
    Link link_;
};

// All Modbus lines of a bench: a port is opened once, however many units hang on it.
class ModbusBuses {
  public:
    ModbusBuses(boost::asio::io_context& io, Timing& timing, Lockstep* lockstep = nullptr)
        : io_(io), timing_(timing), lockstep_(lockstep) {}
    [[nodiscard]] std::shared_ptr<ModbusBus> at(const BusOptions& options);

  private:
    boost::asio::io_context& io_;
    Timing& timing_;
    Lockstep* lockstep_;
    std::map<std::string, std::shared_ptr<ModbusBus>> by_path_;
};

}  // namespace slowfilm::channel
