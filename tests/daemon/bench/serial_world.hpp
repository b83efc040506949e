// A bench of serial instruments in this process: real pseudo-terminals, the machine's clock, and at the far end of each
// an instrument that can be told to misbehave. Every wait ends with what it waits for.
#pragma once

#include "daemon/bench/bench.hpp"
#include "daemon/channel/instrument_channel.hpp"
#include "daemon/core/json.hpp"
#include "tests/daemon/channel/test_instrument.hpp"

#include <boost/asio/io_context.hpp>
#include <boost/json.hpp>
#include <chrono>
#include <deque>
#include <fstream>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace slowfilm::bench {

// Charges a formed cell for as long as anybody looks.
inline std::string charge_protocol() {
    return R"(format = 1
title = "A charge"
[cell]
chemistry = "NMC/graphite"
capacity  = "5 Ah"
window    = { min = "2.7 V", max = "4.2 V" }
state     = "formed"
[start]
resistance = { min = "1 mohm", max = "200 mohm" }
[limits]
voltage_max        = "4.25 V"
current_max        = "3 A"
temperature_max    = "50 degC"
charge_temperature = { min = "10 degC", max = "45 degC" }
[[step]]
name    = "fill"
do      = "charge"
rate    = "C/10"
ends    = { amount = "10 %" }
at_most = "2 h"
)";
}

class SerialWorld {
  public:
    explicit SerialWorld(std::size_t channels) : config_(config(channels)) {
        for (std::size_t i = 0; i < channels; ++i) {
            auto& one = instruments.emplace_back(folder.file("port" + std::to_string(i + 1)), test::source_identity);
            one.instead["MEAS:TEMP?"] = "25.0\n";
            // A cell with 30 mohm.
            one.heard = [&one](const std::string&) { one.cell = 3.7 + 0.03 * one.current(); };
        }
    }
    ~SerialWorld() { close(); }
    SerialWorld(const SerialWorld&) = delete;
    SerialWorld& operator=(const SerialWorld&) = delete;

    test::Folder folder;
    std::deque<test::TestInstrument> instruments;
    std::unique_ptr<Bench> bench;
    std::vector<std::string> not_open, troubles;
    bool guardian_alive{true};
    std::optional<double> time_scale;

    Result<void> try_open() {
        io_ = std::make_unique<boost::asio::io_context>(1);
        timing_ = std::make_unique<channel::MachineTiming>(*io_);
        serial_ = std::make_unique<channel::Instruments>(*io_, *timing_);
        BenchOptions options;
        options.config = config_;
        options.time_scale = time_scale;
        options.guardian_alive = [this] { return guardian_alive; };
        Result<std::unique_ptr<Bench>> opened =
            Bench::open(*io_, options, [this](const ChannelConfig& config, const ChamberConfig*) {
                return channel::make_instrument_channel(*serial_, *config.instrument);
            });
        if (!opened) {
            return tl::unexpected(opened.error());
        }
        bench = std::move(*opened);
        bench->on_trouble([this](const std::string& trouble) { troubles.push_back(trouble); });
        return {};
    }
    void open() {
        const Result<void> opened = try_open();
        ASSERT_TRUE(opened) << opened.error().message;
        bool ready = false;
        bench->open_outputs([&](const std::vector<std::string>& found) {
            ready = true;
            not_open = found;
        });
        until([&] { return ready; });
    }
    // The daemon dies: nothing more is said to anyone.
    void close() {
        bench.reset();
        serial_.reset();
        timing_.reset();
        io_.reset();
    }
    Bench::Ending shut_down(std::chrono::milliseconds patience = std::chrono::seconds(60)) {
        std::optional<Bench::Ending> ending;
        bench->shut_down("the test", patience, [&](const Bench::Ending& found) { ending = found; });
        until([&] { return ending.has_value(); });
        return *ending;
    }

    void turn() {
        for (test::TestInstrument& one : instruments) {
            one.peer.turn();
        }
        io_->run_one_for(std::chrono::milliseconds(1));
        io_->poll();
    }
    void until(const std::function<bool()>& so) {
        const auto patience = std::chrono::steady_clock::now() + std::chrono::seconds(60);
        while (!so()) {
            ASSERT_LT(std::chrono::steady_clock::now(), patience) << "it never came to that";
            turn();
        }
    }
    Result<boost::json::value> request(std::string method, boost::json::object params = {}) {
        std::optional<Result<boost::json::value>> answer;
        bench->handle({std::move(method), std::move(params), {::geteuid(), 60'000, 1}},
                      [&](Result<boost::json::value> result) { answer = std::move(result); });
        until([&] { return answer.has_value(); });
        return answer ? *answer : Result<boost::json::value>(fail(Failure::internal, "no answer"));
    }
    Result<boost::json::value> start(const std::string& channel, const std::string& cell) {
        return request("start", {{"channel", channel},
                                 {"cell", cell},
                                 {"protocol_file", "charge.toml"},
                                 {"protocol_text", charge_protocol()}});
    }
    std::string refusal(const Result<boost::json::value>& result) {
        EXPECT_FALSE(result) << "was answered with " << to_json_text(*result);
        return result ? "" : result.error().message;
    }
    boost::json::object channel(const std::string& name) {
        const Result<boost::json::value> result = request("status", {{"channel", name}});
        EXPECT_TRUE(result) << result.error().message;
        return result->at("channels").as_array().at(0).as_object();
    }
    std::string state(const std::string& name) { return std::string(channel(name).at("state").as_string()); }
    // The step's current flows through the instrument of that channel.
    void until_forming(std::size_t place) {
        until_state("b" + std::to_string(place + 1), "forming");
        until([&] { return instruments[place].on; });
    }
    void until_state(const std::string& name, const std::string& wanted) {
        until([&] { return state(name) == wanted; });
    }

  private:
    // Channels b1, b2, ..., each at a port of its own.
    BenchConfig config(std::size_t channels) const {
        std::ofstream(folder.file("source.toml")) << test::quick_profile();
        std::string text =
            "format = 1\nname = \"serial\"\nledger = \"serial.ledger\"\nsocket = \"socket\"\n"
            "commit_every = \"100 ms\"\n[limits]\nvoltage_max = \"4.4 V\"\ncurrent_max = \"5 A\"\n"
            "temperature_max = \"60 degC\"\n";
        for (std::size_t i = 1; i <= channels; ++i) {
            const std::string number = std::to_string(i);
            text += "[[channel]]\nname = \"b" + number +
                    "\"\nkind = \"instrument\"\nperiod = \"100 ms\"\ntemperature_of = \"cell\"\n"
                    "[channel.instrument]\nprofile = \"source.toml\"\nport = \"port" +
                    number + "\"\nsense = \"four wire\"\nprotection = { voltage = \"4.35 V\", current = \"3.5 A\" }\n";
        }
        ParsedBench parsed = parse_bench(folder.file("bench.toml"), text);
        EXPECT_TRUE(parsed.config) << render(parsed, text);
        return parsed.config.value_or(BenchConfig{});
    }

    BenchConfig config_;
    std::unique_ptr<boost::asio::io_context> io_;
    std::unique_ptr<channel::MachineTiming> timing_;
    std::unique_ptr<channel::Instruments> serial_;
};

}  // namespace slowfilm::bench
