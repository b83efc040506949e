// A virtual bench of this process at the far end of pseudo-terminals, its time that of the test's world.
#pragma once

#include "sim/instrument/config.hpp"
#include "sim/instrument/console.hpp"
#include "sim/instrument/virtual_bench.hpp"
#include "tests/daemon/channel/pty_peer.hpp"

#include <algorithm>
#include <memory>
#include <string>
#include <utility>

namespace slowfilm::test {

class VirtualInstruments {
  public:
    VirtualInstruments(const World& world, const std::string& text) : world_(world) {
        auto read = sim::instrument::read_virtual_bench("virtual.toml", text);
        EXPECT_TRUE(read.parts) << render(read.diagnostics, text);
        bench_ = std::make_unique<sim::instrument::VirtualBench>(std::move(*read.parts));
    }
    // What the port by that name answers to bytes, at the world's time; it takes a few virtual milliseconds.
    std::string hear(const std::string& port, const std::string& bytes) {
        const std::size_t line = index(port);
        bench_->run_to(std::max(bench_->now(), world_.timing.steady()));
        bench_->put(line, bytes);
        bench_->run_to(bench_->now() + Duration{5'000});
        return bench_->take(line);
    }
    void command(const std::string& line) {
        bench_->run_to(std::max(bench_->now(), world_.timing.steady()));
        EXPECT_EQ(sim::instrument::console(*bench_, line), "ok\n") << line;
    }
    std::string describe(const std::string& instrument) {
        bench_->run_to(std::max(bench_->now(), world_.timing.steady()));
        return bench_->describe(instrument);
    }

  private:
    std::size_t index(const std::string& port) const {
        for (std::size_t at = 0; at < bench_->lines(); ++at) {
            if (bench_->line(at).name() == port) {
                return at;
            }
        }
        ADD_FAILURE() << "no port " << port;
        return 0;
    }
    const World& world_;
    std::unique_ptr<sim::instrument::VirtualBench> bench_;
};

}  // namespace slowfilm::test
