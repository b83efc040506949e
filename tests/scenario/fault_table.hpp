// Faults of instruments, each in many runs: what is tried, and what became of it. Sixty-four channels run abreast in
// one daemon, in lockstep with their virtual instruments, each with a fault of its own at a time of its own.
#pragma once

#include "daemon/core/json.hpp"
#include "sim/instrument/config.hpp"
#include "sim/instrument/fault.hpp"
#include "tests/scenario/lockstep_world.hpp"

#include <algorithm>
#include <iomanip>
#include <map>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace slowfilm::scenario {

enum class Driver : std::uint8_t { source, supply_and_load, supply, board };
inline constexpr std::array<Driver, 4> drivers{Driver::source, Driver::supply_and_load, Driver::supply, Driver::board};

inline std::string_view name(Driver driver) {
    switch (driver) {
        case Driver::source: return "source";
        case Driver::supply_and_load: return "supply and load";
        case Driver::supply: return "supply";
        case Driver::board: return "board";
    }
    return "";
}

// One kind of fault as it is written in a file of virtual instruments, and what may come of it.
struct FaultKindTried {
    std::string name;   // in the table
    std::string lines;  // TOML, without `instrument` and `after`
    double off_within;  // s, from the fault to the cell's last current, where the run does not go on
    bool stays;         // the instrument cannot be switched off while it lasts: a person must
};

struct FaultTried {
    Driver driver{Driver::source};
    const FaultKindTried* kind{nullptr};
    std::string step, moment;
    double after{0.0};  // s of virtual time
};

struct FaultOutcome {
    std::string state, trip, output, alarm, needs;
    double last_current{-1.0};  // s; below 0: none
    bool flows{false};          // at the end
    double charge_in{0.0}, charge_out{0.0};
    std::size_t steps{0};  // that the run came to
};

// One instrument, or two, and the cell of number `i`.
inline std::string fault_instruments(Driver driver, std::size_t i) {
    const std::string number = std::to_string(i);
    std::string text = "[[cell]]\nname = \"c" + number +
                       "\"\nlike = \"NMC/graphite\"\nmodel = \"circuit\"\ncapacity = \"5 Ah\"\nstate = \"formed\"\n";
    const auto instrument = [&](const std::string& prefix, const std::string& kind, const std::string& more) {
        text += "[[instrument]]\nname = \"" + prefix + number + "\"\nkind = \"" + kind + "\"\ncell = \"c" + number +
                "\"\nbaud = 115200\n" + more;
    };
    switch (driver) {
        case Driver::source:
            instrument("p", "two-quadrant source", "off_state = \"high impedance\"\nthermometer = true\n");
            break;
        case Driver::supply_and_load:
            instrument("p", "supply", "off_state = \"high impedance\"\nthermometer = true\n");
            instrument("l", "load", "off_state = \"high impedance\"\n");
            break;
        case Driver::supply: instrument("p", "supply", "off_state = \"relay open\"\nthermometer = true\n"); break;
        case Driver::board:
            instrument("p", "channel board",
                       "off_state = \"relay open\"\nboard_kind = 1\nserial = 17\ncontactor = true\n"
                       "voltage = { min = \"0 V\", max = \"5 V\" }\n"
                       "current = { source_max = \"3 A\", sink_max = \"3 A\" }\n");
            break;
    }
    return text;
}

inline std::string fault_lines(const FaultTried& tried, std::size_t i) {
    return "[[fault]]\ninstrument = \"p" + std::to_string(i) + "\"\nafter = \"" + std::to_string(tried.after) +
           " s\"\n" + tried.kind->lines;
}

// Whether an instrument of that driver can have it: what cannot is refused by the file of virtual instruments.
inline bool can_have(Driver driver, const FaultKindTried& kind) {
    FaultTried tried;
    tried.kind = &kind;
    tried.after = 100.0;
    const std::string text = "format = 1\n" + fault_instruments(driver, 0) + fault_lines(tried, 0);
    return sim::instrument::read_virtual_bench("faults.toml", text).parts.has_value();
}

inline std::string fault_channel(Driver driver, std::size_t i) {
    const std::string number = std::to_string(i);
    const std::string name = "b" + number;
    const std::string limits = "{ voltage = \"4.35 V\", current = \"3.5 A\" }";
    switch (driver) {
        case Driver::source: return channel_at(name, "source.toml", "port = \"ports/p" + number + "\"", limits);
        case Driver::supply_and_load:
            return channel_at(name, "pair.toml", "ports = [\"ports/p" + number + "\", \"ports/l" + number + "\"]",
                              "{ voltage = \"4.35 V\" }");
        case Driver::supply:
            return channel_at(name, "supply.toml", "port = \"ports/p" + number + "\"", "{ voltage = \"4.35 V\" }");
        case Driver::board: break;
    }
    return "[[channel]]\nname = \"" + name + R"("
kind = "board"
period = "2 s"
temperature_of = "cell"
settle = "300 ms"
off_state = "relay open"
contactor = true
voltage = { min = "0 V", max = "4.3 V", accuracy = "1 mV", resolution = "0.1 mV" }
current = { source_max = "2 A", sink_max = "2 A", accuracy = "2 mA", resolution = "0.1 mA" }
  [channel.board]
  port = "ports/p)" +
           number + R"("
  serial = 17
  answer = "200 ms"
  boot = "0 s"
  sense = "four wire"
  thermometer = true
  terminals = true
  limits = { voltage_min = "-0.2 V", voltage_max = "4.35 V", current_max = "2.2 A", temperature_max = "65 degC", watchdog = "6 s" }
)";
}

// Every kind of step that moves current or not; what takes current out only where the instruments can.
inline std::string fault_steps(Driver driver) {
    std::string text = R"(
[[step]]
name = "charge"
do = "charge"
rate = "C/5"
ends = { amount = "0.7 %" }
at_most = "10 min"
[[step]]
name = "rest"
do = "rest"
ends = { time = "1 min" }
[[step]]
name = "hold"
do = "hold"
voltage = "3.9 V"
rate_max = "C/5"
ends = { current = "C/50" }
at_most = "2 min"
on_overrun = "next"
[[step]]
name = "ramp"
do = "ramp"
current = { from = "0 A", to = "1 A", over = "1 min" }
at_most = "5 min"
)";
    if (driver != Driver::supply) {
        text += R"([[step]]
name = "discharge"
do = "discharge"
rate = "C/5"
ends = { amount = "0.7 %" }
at_most = "10 min"
[[step]]
name = "rest before"
do = "rest"
ends = { time = "1 min" }
[[step]]
name = "pulse"
do = "pulse"
levels = [{ discharge = "0.1C", for = "20 s" }, { discharge = "0.3C", for = "20 s" }]
at_most = "2 min"
)";
    }
    return text + R"([[step]]
name = "ask"
do = "ask"
prompt = "Look at the cell."
at_most = "1 min"
)";
}

// Runs them abreast, all of one driver; an empty kind is a run without a fault.
class FaultBench {
  public:
    FaultBench(Driver driver, std::vector<FaultTried> tried)
        : tried_(std::move(tried)), bench_("1000000", instruments(driver), protocol_of("formed", fault_steps(driver))) {
        std::string text =
            "format = 1\nname = \"faults\"\nledger = \"bench.ledger\"\nsocket = \"control/socket\"\n"
            "commit_every = \"1 s\"\n[limits]\nvoltage_max = \"4.4 V\"\ncurrent_max = \"6 A\"\n"
            "temperature_max = \"60 degC\"\n";
        for (std::size_t i = 0; i < tried_.size(); ++i) {
            text += fault_channel(driver, i);
        }
        bench_.folder.write("bench.toml", text);
        // A locked panel cannot be turned.
        std::string source = read_whole(SLOWFILM_SOURCE_DIR "/config/instruments/source-with-thermometer.toml");
        const std::size_t lock = source.find("lock   = ");
        EXPECT_NE(lock, std::string::npos);
        bench_.folder.write("source.toml", source.erase(lock, source.find('\n', lock) - lock));
    }
    std::vector<FaultOutcome> run() {
        bench_.daemon.start();
        began_ = number_in(bench_.console("time"));
        std::vector<std::string> channels;
        for (std::size_t i = 0; i < tried_.size(); ++i) {
            channels.push_back("b" + std::to_string(i));
        }
        bench_.start(channels);
        std::vector<FaultOutcome> outcomes = await_all();
        EXPECT_EQ(bench_.daemon.end(SIGTERM) & ~74, 0) << bench_.daemon.log();
        for (std::size_t i = 0; i < tried_.size(); ++i) {
            const boost::json::object summary = bench_.summary(static_cast<int>(i) + 1);
            summaries.push_back(summary);
            outcomes[i].steps = summary.at("steps").as_array().size();
            for (const boost::json::value& step : summary.at("steps").as_array()) {
                outcomes[i].charge_in += step.at("charge_in_ah").to_number<double>();
                outcomes[i].charge_out += step.at("charge_out_ah").to_number<double>();
            }
        }
        const Ran verified = command::slowfilm({"verify", bench_.folder / "bench.ledger"});
        EXPECT_EQ(verified.code, 0) << verified.out << verified.err;
        return outcomes;
    }
    std::vector<boost::json::object> summaries;
    // Virtual time at which the runs were begun, s.
    [[nodiscard]] double began() const { return began_; }

  private:
    std::string instruments(Driver driver) const {
        std::string text = "format = 1\n";
        for (std::size_t i = 0; i < tried_.size(); ++i) {
            text += fault_instruments(driver, i);
        }
        for (std::size_t i = 0; i < tried_.size(); ++i) {
            text += tried_[i].kind != nullptr ? fault_lines(tried_[i], i) : "";
        }
        return text;
    }
    static double number_in(const std::string& text) { return std::strtod(text.c_str(), nullptr); }

    std::vector<FaultOutcome> await_all() {
        const auto over = [](const boost::json::value& channel) {
            const auto state = channel.at("state").as_string();
            return state == "done" || state == "stopped" || state == "tripped" || state == "waiting";
        };
        const auto settled = [&](const boost::json::value& channel) {
            const auto output = channel.at("output").as_string();
            return over(channel) && (output == "open" || output == "stuck");
        };
        boost::json::object status;
        for (int asked = 0; asked < 20'000; ++asked) {
            status = strict(bench_.daemon.ask({"status", "--format", "json"}));
            const boost::json::array& all = status.at("channels").as_array();
            if (std::all_of(all.begin(), all.end(), settled)) {
                break;
            }
        }
        std::vector<FaultOutcome> outcomes;
        for (const boost::json::value& channel : status.at("channels").as_array()) {
            outcomes.push_back(outcome_of(channel.as_object(), outcomes.size()));
        }
        return outcomes;
    }
    FaultOutcome outcome_of(const boost::json::object& channel, std::size_t i) {
        FaultOutcome outcome;
        const auto text = [&](const char* key) { return std::string(channel.at(key).as_string()); };
        outcome.state = text("state");
        outcome.output = text("output");
        outcome.alarm = text("alarm");
        outcome.needs = text("needs");
        if (channel.at("trip").is_object()) {
            outcome.trip = to_json_text(channel.at("trip"));
        }
        // "3.7012 V, 0.0000 A, 25.00 degC; current last at 181.2 s"
        const std::string cell = bench_.console("cell c" + std::to_string(i));
        if (const std::size_t at = cell.find("current last at "); at != std::string::npos) {
            outcome.last_current = number_in(cell.substr(at + 16));
        }
        const double amperes = number_in(cell.substr(cell.find("V, ") + 3));
        outcome.flows = !(amperes < 2e-3 && amperes > -2e-3);
        return outcome;
    }

    std::vector<FaultTried> tried_;
    LockstepBench bench_;
    double began_{0.0};
};

}  // namespace slowfilm::scenario
