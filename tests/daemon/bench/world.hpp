// A bench in this process: a ledger in a directory of its own, simulated channels that can be told to misbehave, and a
// virtual clock as fast as the processor goes. Nothing here waits for the wall but the disk's own commits.
#pragma once

#include "daemon/bench/bench.hpp"
#include "daemon/core/json.hpp"
#include "sim/channel/simulated_channel.hpp"

#include <boost/asio/io_context.hpp>
#include <boost/json.hpp>
#include <chrono>
#include <cstdlib>
#include <deque>
#include <filesystem>
#include <functional>
#include <map>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include <gtest/gtest.h>

namespace slowfilm::bench {

// A directory that goes when the test does.
class Folder {
  public:
    Folder() {
        std::string pattern = std::filesystem::temp_directory_path() / "slowfilm-bench-XXXXXX";
        path_ = ::mkdtemp(pattern.data());
    }
    ~Folder() { std::filesystem::remove_all(path_); }
    Folder(const Folder&) = delete;
    Folder& operator=(const Folder&) = delete;
    [[nodiscard]] std::string operator/(const std::string& name) const { return path_ + "/" + name; }

  private:
    std::string path_;
};

// A simulated channel that can be told to keep its answers, to refuse, or to stay on; it remembers what was asked of
// it.
class WilfulChannel final : public channel::Channel {
  public:
    explicit WilfulChannel(std::unique_ptr<channel::Channel> inner) : inner_(std::move(inner)) {}

    bool real{false};             // claims to be an instrument
    bool refuses{false};          // takes no demand but Open
    bool stuck{false};            // says it opens, and does not
    bool silent{false};           // answers with nothing, as a channel does at its own deadline
    bool keeps_samples{false};    // answers later, by answer_samples()
    std::vector<Demand> demands;  // as asked
    std::vector<std::string> cells, chemistries;
    std::vector<Temperature> ambients, past_ambients;
    std::function<void(const Demand&)> on_demand;
    std::function<void()> on_load;           // a cell is put in
    std::function<void(Sample&)> on_sample;  // changes what is read

    [[nodiscard]] const ChannelTraits& traits() const override { return inner_->traits(); }
    [[nodiscard]] bool simulated() const override { return !real; }
    [[nodiscard]] channel::Health health() const override { return inner_->health(); }
    void sample(Time now, SampleHandler handler) override {
        if (on_sample) {
            handler = [this, handler = std::move(handler)](Sample sample) {
                on_sample(sample);
                handler(sample);
            };
        }
        if (silent) {
            handler(Sample{});
        } else if (keeps_samples) {
            kept_.push_back({now, std::move(handler)});
        } else {
            inner_->sample(now, std::move(handler));
        }
    }
    void apply(const Demand& demand, Time now, AppliedHandler handler) override {
        demands.push_back(demand);
        if (on_demand) {
            on_demand(demand);
        }
        if (refuses && !is_open(demand)) {
            handler(tl::unexpected<FaultKind>(FaultKind::refused));
        } else if (stuck && is_open(demand)) {
            handler(demand);
        } else {
            inner_->apply(demand, now, std::move(handler));
        }
    }
    void set_ambient(Temperature ambient, Time now) override {
        ambients.push_back(ambient);
        inner_->set_ambient(ambient, now);
    }
    void load_cell(const channel::LoadedCell& cell, Time now) override {
        cells.push_back(cell.id);
        chemistries.push_back(cell.chemistry);
        if (on_load) {
            on_load();
        }
        inner_->load_cell(cell, now);
    }
    void ambient_was(Temperature ambient, Time then) override {
        past_ambients.push_back(ambient);
        inner_->ambient_was(ambient, then);
    }
    [[nodiscard]] bool owes_sample() const { return !kept_.empty(); }
    void answer_samples() {
        std::deque<std::pair<Time, SampleHandler>> kept = std::move(kept_);
        kept_.clear();
        for (auto& [now, handler] : kept) {
            inner_->sample(now, std::move(handler));
        }
    }

  private:
    std::unique_ptr<channel::Channel> inner_;
    std::deque<std::pair<Time, SampleHandler>> kept_;
};

inline ChannelTraits world_traits() {
    using namespace literals;
    ChannelTraits traits = sim::bench_channel_traits();
    traits.period = 1_s;
    return traits;
}

// `count` channels a1, a2, ... in one group.
inline BenchConfig world_config(const Folder& folder, std::size_t count) {
    using namespace literals;
    BenchConfig config;
    config.file = "world.toml";
    config.name = "world";
    config.ledger = folder / "world.ledger";
    config.socket = folder / "control/world.socket";
    config.commit_every = 100_ms;
    config.caps = {4400_mV, Current{5'000'000'000}, 60_degC};
    config.access = {own_user_and_root(), own_user_and_root()};
    for (std::size_t i = 0; i < count; ++i) {
        ChannelConfig channel;
        channel.name = "a" + std::to_string(i + 1);
        channel.group = "shelf";
        channel.traits = world_traits();
        channel.simulated.seed = i + 1;
        config.channels.push_back(channel);
    }
    return config;
}

// A protocol of a few steps for a formed 5 Ah cell: rest, charge, ask, discharge.
inline const std::string& short_protocol() {
    static const std::string text = R"(format = 1
title = "A short one"
[cell]
chemistry = "NMC/graphite"
capacity  = "5 Ah"
window    = { min = "2.7 V", max = "4.2 V" }
state     = "formed"
[limits]
voltage_max        = "4.25 V"
current_max        = "3 A"
temperature_max    = "50 degC"
charge_temperature = { min = "10 degC", max = "45 degC" }
[keep]
every = "60 s"
[[step]]
name = "settle"
do   = "rest"
ends = { time = "2 min" }
[[step]]
name    = "fill"
do      = "charge"
rate    = "C/2"
ends    = { amount = "10 %" }
at_most = "1 h"
[[step]]
name    = "look"
do      = "ask"
prompt  = "Look at the cell, then confirm."
at_most = "3 d"
[[step]]
name    = "drain"
do      = "discharge"
rate    = "C/2"
ends    = { amount = "5 %" }
at_most = "1 h"
)";
    return text;
}

// The same without the ask: nobody is needed.
inline std::string unattended_protocol() {
    std::string text = short_protocol();
    const std::size_t ask = text.find("[[step]]\nname    = \"look\"");
    const std::size_t drain = text.find("[[step]]\nname    = \"drain\"");
    return text.erase(ask, drain - ask);
}

class World {
  public:
    explicit World(std::size_t channels = 2, std::function<void(BenchOptions&)> change = {}) {
        options_.config = world_config(folder, channels);
        options_.time_scale = time_scale_max;
        if (change) {
            change(options_);
        }
        open();
    }
    ~World() { close(); }
    World(const World&) = delete;
    World& operator=(const World&) = delete;

    Folder folder;
    std::unique_ptr<Bench> bench;
    std::vector<WilfulChannel*> channels;
    std::vector<boost::json::object> events;
    std::function<void(sim::SimulatedChannelOptions&)> change_simulation;

    // From now on cell C-hot warms by itself, five minutes after it was loaded.
    void let_a_cell_heat() {
        close();
        change_simulation = [](sim::SimulatedChannelOptions& options) {
            options.faulty_cell = "C-hot";
            options.cell.faults.push_back({sim::CellFaultKind::heat, 40.0, 300.0, 0.0});
        };
        open();
    }

    // The daemon dies: what is not on disk is lost, nothing is said to anyone.
    void close() {
        bench.reset();
        channels.clear();
        io_.reset();
    }
    void open() {
        io_ = std::make_unique<boost::asio::io_context>(1);
        Result<std::unique_ptr<Bench>> opened = Bench::open(*io_, options_, factory());
        ASSERT_TRUE(opened) << opened.error().message;
        bench = std::move(*opened);
        bench->on_event([this](boost::json::object event) { events.push_back(std::move(event)); });
        bool ready = false;
        bench->open_outputs([&](const std::vector<std::string>&) { ready = true; });
        until([&] { return ready; });
    }
    [[nodiscard]] Result<std::unique_ptr<Bench>> try_open() {
        io_ = std::make_unique<boost::asio::io_context>(1);
        return Bench::open(*io_, options_, factory());
    }
    [[nodiscard]] BenchOptions& options() { return options_; }

    // Turns the bench until it is so. A minute of wall time is a fault, not a timing.
    void until(const std::function<bool()>& so) {
        const auto patience = std::chrono::steady_clock::now() + std::chrono::seconds(60);
        while (!so()) {
            ASSERT_LT(std::chrono::steady_clock::now(), patience)
                << "it never came to that; last status: " << to_json_text(ask("status"));
            io_->run_one_for(std::chrono::milliseconds(100));
        }
    }

    Result<boost::json::value> request(std::string method, boost::json::object params = {}, uid_t uid = ::geteuid()) {
        std::optional<Result<boost::json::value>> answer;
        bench->handle({std::move(method), std::move(params), {uid, 60'000, 1}},
                      [&](Result<boost::json::value> result) { answer = std::move(result); });
        const auto patience = std::chrono::steady_clock::now() + std::chrono::seconds(60);
        while (!answer && std::chrono::steady_clock::now() < patience) {
            io_->run_one_for(std::chrono::milliseconds(100));
        }
        return answer ? *answer : Result<boost::json::value>(fail(Failure::internal, "no answer"));
    }
    // Where the answer must be one.
    boost::json::object ask(std::string method, boost::json::object params = {}) {
        const Result<boost::json::value> result = request(std::move(method), std::move(params));
        EXPECT_TRUE(result) << result.error().message;
        return result ? result->as_object() : boost::json::object{};
    }
    // Where it must be a refusal with this failure; returns the sentence.
    std::string refusal(Failure failure, std::string method, boost::json::object params = {}, uid_t uid = ::geteuid()) {
        const Result<boost::json::value> result = request(std::move(method), std::move(params), uid);
        EXPECT_FALSE(result) << "was answered with " << to_json_text(*result);
        if (result) {
            return "";
        }
        EXPECT_EQ(exit_code(result.error().failure), exit_code(failure)) << result.error().message;
        return result.error().message;
    }
    Result<boost::json::value> start(const std::string& channel, const std::string& cell,
                                     const std::string& protocol = short_protocol()) {
        return request(
            "start",
            {{"channel", channel}, {"cell", cell}, {"protocol_file", "short.toml"}, {"protocol_text", protocol}});
    }
    boost::json::object channel(const std::string& name) {
        const boost::json::object status = ask("status", {{"channel", name}});
        return status.at("channels").as_array().at(0).as_object();
    }
    std::string state(const std::string& name) { return std::string(channel(name).at("state").as_string()); }
    void until_state(const std::string& name, const std::string& wanted) {
        until([&] { return state(name) == wanted; });
    }
    [[nodiscard]] bool happened(std::string_view event) const {
        return std::any_of(events.begin(), events.end(),
                           [&](const auto& one) { return one.at("event").as_string() == event; });
    }

  private:
    ChannelFactory factory() {
        return [this](const ChannelConfig& config,
                      const ChamberConfig* chamber) -> Result<std::unique_ptr<channel::Channel>> {
            sim::SimulatedChannelOptions simulation;
            simulation.stage.traits = config.traits;
            simulation.stage.seed = config.simulated.seed;
            if (chamber != nullptr) {
                std::shared_ptr<sim::Chamber>& shared = chambers_[chamber->name];
                if (!shared) {
                    shared =
                        std::make_shared<sim::Chamber>(25.0, static_cast<double>(chamber->ramp.count) / 3'600'000.0,
                                                       celsius(chamber->min), celsius(chamber->max));
                }
                simulation.chamber = shared;
            }
            if (change_simulation) {
                change_simulation(simulation);
            }
            Result<std::unique_ptr<channel::Channel>> made = sim::make_simulated_channel(simulation);
            if (!made) {
                return made;
            }
            auto wilful = std::make_unique<WilfulChannel>(std::move(*made));
            channels.push_back(wilful.get());
            if (on_make) {
                on_make(*wilful);
            }
            return wilful;
        };
    }

    BenchOptions options_;
    std::map<std::string, std::shared_ptr<sim::Chamber>> chambers_;
    std::unique_ptr<boost::asio::io_context> io_;

  public:
    std::function<void(WilfulChannel&)> on_make;
};

}  // namespace slowfilm::bench
