// A bench of virtual instruments in this process, and a host that talks to them on their own clock.
#pragma once

#include "daemon/core/diagnostic.hpp"
#include "daemon/wire/scpi.hpp"
#include "sim/instrument/config.hpp"
#include "sim/instrument/console.hpp"
#include "sim/instrument/virtual_bench.hpp"

#include <algorithm>
#include <cmath>
#include <fstream>
#include <iterator>
#include <memory>
#include <string>
#include <string_view>
#include <utility>

#include <gtest/gtest.h>

namespace slowfilm::sim::instrument {

using namespace slowfilm::literals;

// A cell that is quick to make, half full: 3.4 V and some.
inline std::string circuit_cell(std::string_view name, std::string_view more = "") {
    return "[[cell]]\nname = \"" + std::string{name} +
           "\"\nlike = \"NMC/graphite\"\nmodel = \"circuit\"\ncapacity = \"5 Ah\"\nstate = \"formed\"\n" +
           std::string{more};
}
// An instrument at c1 that answers at once.
inline std::string scpi(std::string_view name, std::string_view kind, std::string_view more = "") {
    std::string text = "[[instrument]]\nname = \"" + std::string{name} + "\"\nkind = \"" + std::string{kind} +
                       "\"\nanswer = \"0 ms\"\nbaud = 1000000\n";
    const auto without = [&](std::string_view key) { return more.find(key) == std::string_view::npos; };
    text += without("cell") ? "cell = \"c1\"\n" : "";
    text += without("off_state") ? "off_state = \"relay open\"\n" : "";
    return text + std::string{more};
}

// The shipped bench, without its first line, which World writes itself.
inline std::string shipped_bench() {
    std::ifstream file{SLOWFILM_SOURCE_DIR "/config/virtual-bench.toml"};
    const std::string text{std::istreambuf_iterator<char>{file}, {}};
    const std::size_t format = text.find("format = 1\n");
    EXPECT_NE(format, std::string::npos);
    return text.substr(std::min(format + 11, text.size()));
}

class World {
  public:
    explicit World(const std::string& text) {
        const std::string whole = "format = 1\n" + text;
        ReadBench read = read_virtual_bench("virtual.toml", whole);
        EXPECT_TRUE(read.parts) << render(read.diagnostics, whole);
        bench_ = std::make_unique<VirtualBench>(read.parts ? std::move(*read.parts) : VirtualBench::Parts{});
    }

    VirtualBench& bench() { return *bench_; }
    void pass(Duration time) { bench_->run_to(bench_->now() + time); }
    // What comes back within the time, from a port by its name.
    std::string exchange(std::string_view port, std::string_view bytes, Duration within = 100_ms) {
        bench_->put(index(port), bytes);
        pass(within);
        return bench_->take(index(port));
    }
    // One line there, one line back without its end.
    std::string ask(std::string_view port, std::string_view line) {
        std::string answer = exchange(port, std::string{line} + "\n");
        if (answer.ends_with('\n')) {
            answer.pop_back();
        }
        return answer;
    }
    // Commands that must leave no error and no answer.
    void tell(std::string_view port, std::string_view line) {
        EXPECT_EQ(ask(port, line), "") << line;
        EXPECT_EQ(ask(port, "SYST:ERR?"), "0,\"No error\"") << line;
    }
    double number(std::string_view port, std::string_view question) {
        const std::string answer = ask(port, question);
        const auto value = wire::read_number(answer);
        EXPECT_TRUE(value) << question << " -> \"" << answer << "\"";
        return value.value_or(std::nan(""));
    }
    void command(std::string_view line) { EXPECT_EQ(console(*bench_, line), "ok\n") << line; }
    std::string refused(std::string_view line) {
        const std::string answer = console(*bench_, line);
        EXPECT_TRUE(answer.starts_with("error: ")) << line << " -> " << answer;
        return answer;
    }
    std::size_t index(std::string_view port) const {
        for (std::size_t at = 0; at < bench_->lines(); ++at) {
            if (bench_->line(at).name() == port) {
                return at;
            }
        }
        ADD_FAILURE() << "no port " << port;
        return 0;
    }

  private:
    std::unique_ptr<VirtualBench> bench_;
};

}  // namespace slowfilm::sim::instrument
