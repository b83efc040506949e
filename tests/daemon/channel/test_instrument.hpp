// An instrument for tests that understands the lines of the shipped profiles: settings, one output or an input, an
// error queue, an event register, and a cell of a fixed voltage at its terminals. It can be told to misbehave.
#pragma once

#include "daemon/protocol/toml_reader.hpp"
#include "daemon/wire/scpi.hpp"
#include "daemon/wire/scpi_program.hpp"
#include "tests/daemon/channel/pty_peer.hpp"

#include <deque>
#include <map>
#include <set>
#include <string>

namespace slowfilm::test {

inline const std::string source_identity = "slowfilm,virtual two-quadrant source,SN1,1";

// The shipped profile, with a thermometer and quick as a pseudo-terminal is.
inline std::string quick_profile() {
    std::string text = *protocol::read_file_bounded(SLOWFILM_SOURCE_DIR "/config/instruments/two-quadrant-source.toml");
    const auto put = [&text](const std::string& what, const std::string& instead) {
        const std::size_t at = text.find(what);
        EXPECT_NE(at, std::string::npos) << what;
        text.replace(at, what.size(), instead);
    };
    put("answer = \"500 ms\"", "answer = \"200 ms\"");
    put("pause  = \"10 ms\"", "pause  = \"0 s\"");
    put("quiet  = \"100 ms\"", "quiet  = \"5 ms\"");
    put("settle = \"300 ms\"", "settle = \"0 s\"");
    put("[sense]", "[temperature]\nmeasure = \"MEAS:TEMP?\"\n[sense]");
    return text;
}

class TestInstrument {
  public:
    TestInstrument(std::string stable, std::string identity)
        : peer(std::move(stable), [this](const std::string& line) { return answer(line); }),
          identity_(std::move(identity)) {}

    ScriptedPeer peer;
    std::map<std::string, double> settings;  // "VOLT", "CURR", "CURR:SINK", "VOLT:PROT", "VOLT:LOW", ...
    double cell{3.7};
    bool on{false};
    int ignores_off{0};  // so many orders to go off are not obeyed
    std::deque<int> errors;
    int events{128};  // as after being switched on
    bool errors_for_ever{false};
    std::set<std::string> silent;                  // lines without an answer
    std::map<std::string, std::string> instead;    // answers that are not its own
    std::map<std::string, std::string> hooked_to;  // a setting by this name goes to another
    std::function<void(const std::string&)> heard;
    double leak{0.0};  // through it while off

    void power_cycle() {
        settings.clear();
        on = false;
        errors.clear();
        events = 128;
    }
    // Every line from the `from`th on.
    [[nodiscard]] std::vector<std::string> lines_since(std::size_t from) const {
        return {peer.lines.begin() + static_cast<std::ptrdiff_t>(from), peer.lines.end()};
    }
    [[nodiscard]] double current() const {
        if (!on) {
            return leak;
        }
        if (settings.count("VOLT:LOW") != 0) {
            return cell > get("VOLT:LOW") ? get("CURR") : 0.0;
        }
        return get("VOLT") > cell ? get("CURR") : -get("CURR:SINK");
    }
    [[nodiscard]] double get(const std::string& name) const {
        const auto found = settings.find(name);
        return found == settings.end() ? 0.0 : found->second;
    }

  private:
    std::string answer(const std::string& line) {
        if (heard) {
            heard(line);
        }
        if (silent.count(line) != 0) {
            return "";
        }
        if (const auto other = instead.find(line); other != instead.end()) {
            return other->second;
        }
        std::string plain = line;
        for (const std::string head : {"SOUR1:", "SOUR2:", "SOUR:"}) {
            if (plain.starts_with(head)) {
                plain.erase(0, head.size());
            }
        }
        for (const std::string head : {"OUTP1", "OUTP2", "MEAS1", "MEAS2"}) {
            if (plain.starts_with(head)) {
                plain.erase(4, 1);
            }
        }
        return plain.find('?') != std::string::npos ? query(plain) : command(plain);
    }

    std::string query(const std::string& line) {
        if (line == "*IDN?") {
            return identity_ + "\n";
        }
        if (line == "*ESR?") {
            return std::to_string(std::exchange(events, 0)) + "\n";
        }
        if (line == "SYST:ERR?") {
            if (errors.empty()) {
                return errors_for_ever ? "-100,\"Command error\"\n" : "+0,\"No error\"\n";
            }
            const int first = errors.front();
            errors.pop_front();
            return std::to_string(first) + ",\"as tested\"\n";
        }
        if (line == "OUTP?" || line == "INP?") {
            return on ? "1\n" : "0\n";
        }
        if (line == "MEAS:VOLT?") {
            return wire::print_nr3(cell) + "\n";
        }
        if (line == "MEAS:CURR?") {
            return wire::print_nr3(current()) + "\n";
        }
        if (line == "MODE?") {
            return "CC\n";
        }
        if (line == "FUNC?") {
            return "CURR\n";
        }
        if (line == "SYST:RSEN?" || line == "VOLT:PROT:STAT?") {
            return get(line.substr(0, line.size() - 1)) > 0.0 ? "ON\n" : "OFF\n";
        }
        if (line == "VOLT:PROT:TRIP?") {
            return "0\n";
        }
        return wire::print_nr3(get(line.substr(0, line.size() - 1))) + "\n";
    }

    std::string command(const std::string& line) {
        const std::size_t space = line.find(' ');
        const std::string head = line.substr(0, space);
        const std::string value = space == std::string::npos ? "" : line.substr(space + 1);
        if (head == "OUTP" || head == "INP") {
            if (value == "ON") {
                on = true;
            } else if (on && ignores_off > 0) {
                --ignores_off;
            } else {
                on = false;
            }
        } else if (head == "*CLS") {
            errors.clear();
            events = 0;
        } else if (value == "ON" || value == "OFF") {
            settings[head] = value == "ON" ? 1.0 : 0.0;
        } else if (const auto number = wire::read_number(value)) {
            const auto hooked = hooked_to.find(head);
            settings[hooked == hooked_to.end() ? head : hooked->second] = *number;
        }
        return "";
    }

    std::string identity_;
};

}  // namespace slowfilm::test
