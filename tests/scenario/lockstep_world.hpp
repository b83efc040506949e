// The real daemon on virtual instruments in a process of their own, which go by its clock.
#pragma once

#include "tests/scenario/daemon_world.hpp"
#include "tests/sim/instrument/clients/process.hpp"

#include <memory>
#include <sstream>
#include <stdexcept>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

namespace slowfilm::scenario {

// A shipped profile, with a thermometer at the supply or source where it has none.
inline std::string profile_with_thermometer(std::string_view name, std::string_view before, std::string_view table) {
    std::string text = read_whole(SLOWFILM_SOURCE_DIR "/config/instruments/" + std::string{name} + ".toml");
    const std::size_t at = text.find(before);
    EXPECT_NE(at, std::string::npos) << name;
    return text.insert(std::min(at, text.size()), std::string{table} + "\nmeasure = \"MEAS:TEMP?\"\n");
}

// c1 at a source, c2 at a supply and a load, c3 at a supply: channels b1, b2 and b3.
inline std::string virtual_bench(std::string_view state, std::string_view faults = "") {
    std::string text = "format = 1\n";
    for (const char* cell : {"c1", "c2", "c3"}) {
        text += "[[cell]]\nname = \"" + std::string{cell} +
                "\"\nlike = \"NMC/graphite\"\ncapacity = \"5 Ah\"\nstate = \"" + std::string{state} + "\"\n";
    }
    const auto instrument = [&](const std::string& name, const std::string& kind, const std::string& cell,
                                const std::string& more) {
        text += "[[instrument]]\nname = \"" + name + "\"\nkind = \"" + kind + "\"\ncell = \"" + cell + "\"\n" + more;
    };
    instrument("src", "two-quadrant source", "c1",
               "off_state = \"high impedance\"\nthermometer = true\n"
               "noise = { voltage = \"100 uV\", current = \"100 uA\" }\n");
    instrument("psu", "supply", "c2", "off_state = \"high impedance\"\nthermometer = true\nbaud = 9600\n");
    instrument("load", "load", "c2", "off_state = \"high impedance\"\nbaud = 9600\n");
    instrument("alone", "supply", "c3", "off_state = \"relay open\"\nthermometer = true\nbaud = 9600\n");
    return text + std::string{faults};
}

// Of a relay, as c3's is: one that sinks may not rest.
inline std::string supply() {
    std::string text = profile_with_thermometer("supply-alone", "[sense]", "[temperature]");
    const std::string_view sinks = "= \"sinks\"";
    return text.replace(text.find(sinks), sinks.size(), "= \"relay open\"");
}

inline std::string channel_at(const std::string& name, const std::string& profile, const std::string& ports,
                              const std::string& protection) {
    return "[[channel]]\nname = \"" + name +
           "\"\nkind = \"instrument\"\nperiod = \"2 s\"\ntemperature_of = \"cell\"\n  [channel.instrument]\n"
           "  profile = \"" +
           profile + "\"\n  " + ports + "\n  sense = \"four wire\"\n  protection = " + protection + "\n";
}

inline std::string lockstep_bench() {
    return "format = 1\nname = \"virtual\"\nledger = \"bench.ledger\"\nsocket = \"control/socket\"\n"
           "commit_every = \"200 ms\"\n[limits]\nvoltage_max = \"4.4 V\"\ncurrent_max = \"6 A\"\n"
           "temperature_max = \"60 degC\"\n" +
           channel_at("b1", "source.toml", "port = \"ports/src\"", "{ voltage = \"4.35 V\", current = \"3.5 A\" }") +
           channel_at("b2", "pair.toml", "ports = [\"ports/psu\", \"ports/load\"]", "{ voltage = \"4.35 V\" }") +
           channel_at("b3", "supply.toml", "port = \"ports/alone\"", "{ voltage = \"4.35 V\" }");
}

inline std::string protocol_of(std::string_view state, std::string_view steps) {
    return R"(format = 1
title = "On virtual instruments"
[cell]
chemistry = "NMC/graphite"
capacity = "5 Ah"
window = { min = "2.7 V", max = "4.2 V" }
state = ")" +
           std::string{state} + R"("
[limits]
voltage_max = "4.25 V"
current_max = "3 A"
temperature_max = "50 degC"
charge_temperature = { min = "10 degC", max = "45 degC" }
)" + std::string{steps};
}

class LockstepBench {
  public:
    LockstepBench(std::string scale, const std::string& instruments, const std::string& protocol)
        : daemon(folder, std::move(scale)) {
        folder.write("virtual.toml", instruments);
        folder.write("bench.toml", lockstep_bench());
        folder.write("protocol.toml", protocol);
        folder.write("source.toml", read_whole(SLOWFILM_SOURCE_DIR "/config/instruments/source-with-thermometer.toml"));
        folder.write("pair.toml", profile_with_thermometer("supply-and-load", "  [supply.instrument.sense]",
                                                           "  [supply.instrument.temperature]"));
        folder.write("supply.toml", supply());
        instruments_ = std::make_unique<clients::Program>(
            std::vector<std::string>{SLOWFILM_BINARY_DIR "/bin/slowfilm-virtual", folder / "virtual.toml", "--in",
                                     folder / "ports", "--await-clock"});
        EXPECT_TRUE(instruments_->says("ready\n"));
    }

    // Together, so that they begin at one virtual time.
    void start(const std::vector<std::string>& channels) {
        std::string tray = "protocol = \"protocol.toml\"\n";
        for (const std::string& channel : channels) {
            tray += "[[cell]]\nchannel = \"" + channel + "\"\nid = \"C-" + channel + "\"\n";
        }
        const Ran started = daemon.ask({"start", "--tray", folder.write("tray.toml", tray), "--all-or-none"});
        if (started.code != 0) {
            throw std::runtime_error("not started: " + started.out + started.err);
        }
    }
    // One of the program's console, over its socket.
    [[nodiscard]] std::string console(const std::string& line) const {
        const int socket = ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
        sockaddr_un address{};
        address.sun_family = AF_UNIX;
        const std::string path = folder / "ports/console";
        std::memcpy(address.sun_path, path.data(), path.size());
        EXPECT_EQ(::connect(socket, reinterpret_cast<const sockaddr*>(&address), sizeof address), 0);
        const std::string whole = line + "\n";
        EXPECT_EQ(::send(socket, whole.data(), whole.size(), MSG_NOSIGNAL), static_cast<ssize_t>(whole.size()));
        std::string answer;
        std::array<char, 4096> bytes{};
        while (!answer.ends_with("ok\n") && answer.find("error: ") == std::string::npos) {
            const ssize_t count = ::recv(socket, bytes.data(), bytes.size(), 0);
            if (count <= 0) {
                ADD_FAILURE() << "the console does not answer: " << answer;
                break;
            }
            answer.append(bytes.data(), static_cast<std::size_t>(count));
        }
        ::close(socket);
        return answer;
    }
    // Of a run that is over, by the command that reads the ledger.
    [[nodiscard]] boost::json::object summary(int run) const {
        return strict(command::slowfilm(
            {"summary", std::to_string(run), "--format", "json", "--ledger", folder / "bench.ledger"}));
    }
    // The kept samples, without the one column that says when it was by the calendar.
    [[nodiscard]] std::string samples(int run) const {
        const Ran exported = command::slowfilm({"export", std::to_string(run), "--ledger", folder / "bench.ledger"});
        EXPECT_EQ(exported.code, 0) << exported.err;
        std::istringstream lines(exported.out);
        std::string all, line;
        std::size_t calendar = std::string::npos;
        while (std::getline(lines, line)) {
            std::istringstream fields(line);
            std::string field;
            for (std::size_t at = 0; std::getline(fields, field, ','); ++at) {
                calendar = field == "Unix Time / s" ? at : calendar;
                all += at == calendar ? "" : field + ",";
            }
            all += "\n";
        }
        EXPECT_NE(calendar, std::string::npos);
        return all;
    }
    [[nodiscard]] clients::Program& instruments() { return *instruments_; }

    CommandFolder folder;
    DaemonProcess daemon;

  private:
    std::unique_ptr<clients::Program> instruments_;
};

}  // namespace slowfilm::scenario
