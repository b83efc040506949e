// The daemon around a bench: socket, signals, log, supervisor. One thread runs it all.
#pragma once

#include "daemon/bench/bench.hpp"
#include "daemon/bench/config.hpp"
#include "daemon/channel/guardian.hpp"
#include "daemon/control/server.hpp"
#include "daemon/core/result.hpp"
#include "daemon/main/slowfilmd_serial.hpp"
#include "daemon/main/slowfilmd_simulated.hpp"

#include <boost/asio/io_context.hpp>
#include <boost/asio/signal_set.hpp>
#include <memory>
#include <optional>
#include <string>
#include <vector>

namespace slowfilm::daemon {

class Service {
  public:
    // `guardian`: who switches off what is real should this process die; null where nothing is.
    Service(bench::BenchConfig config, std::optional<double> time_scale, channel::Guardian* guardian);
    ~Service();
    Service(const Service&) = delete;
    Service& operator=(const Service&) = delete;

    // Takes socket and ledger, each for this daemon alone, and finds what was under way.
    [[nodiscard]] Result<void> open();
    // Opens all outputs, says that it is ready, and serves until it is told to end. The exit code.
    [[nodiscard]] int run();

  private:
    [[nodiscard]] Result<void> open_server();
    [[nodiscard]] Result<void> open_serial();
    void tell(boost::json::object event);
    void ready(const std::vector<std::string>& not_open);
    void await_end();
    void await_hangup();
    void end(int signal);

    bench::BenchConfig config_;
    std::optional<double> time_scale_;
    channel::Guardian* guardian_;
    boost::asio::io_context io_{1};
    boost::asio::signal_set end_signals_, hangup_;
    std::unique_ptr<control::Server> server_;
    SimulatedBench simulated_;
    std::unique_ptr<SerialBench> serial_;
    std::unique_ptr<bench::Bench> bench_;
    int exit_code_{0};
    bool ending_{false};
    bool all_open_{true};
    bool recorded_{true};
};

}  // namespace slowfilm::daemon
