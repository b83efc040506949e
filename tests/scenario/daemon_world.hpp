// The real daemon in a folder of its own, that can be ended in every way and started again on what it left.
#pragma once

#include "tests/scenario/command_run.hpp"

#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include <sys/socket.h>
#include <sys/un.h>

namespace slowfilm::scenario {

using command::CommandFolder;
using command::Ran;
using command::read_whole;
using command::strict;

inline std::string bench_text(std::string_view ledger = "bench.ledger", std::string_view socket = "control/socket") {
    std::string text = "format = 1\nname = \"two channels\"\nledger = \"" + std::string(ledger) + "\"\nsocket = \"" +
                       std::string(socket) + R"("
commit_every = "200 ms"
[limits]
voltage_max = "4.4 V"
current_max = "6 A"
temperature_max = "60 degC"
)";
    for (const char* name : {"a1", "a2"}) {
        text += "[[channel]]\nname = \"" + std::string(name) + R"("
kind = "simulated"
period = "1 s"
settle = "200 ms"
off_state = "relay open"
temperature_of = "cell"
ambient_sensor = true
reports_ceiling = true
voltage = { min = "-5 V", max = "6 V", accuracy = "1 mV", resolution = "0.1 mV" }
current = { source_max = "6 A", sink_max = "6 A", accuracy = "2 mA", resolution = "0.1 mA" }
)";
    }
    return text;
}

// Two and a half hours of charge at a time scale of 2000: 4.5 s, so that a test can look at it while it runs.
inline std::string long_protocol() {
    return R"(format = 1
title = "A long charge"
[cell]
chemistry = "NMC/graphite"
capacity = "5 Ah"
window = { min = "2.7 V", max = "4.2 V" }
state = "formed"
[limits]
voltage_max = "4.25 V"
current_max = "1.2 A"
temperature_max = "50 degC"
charge_temperature = { min = "10 degC", max = "45 degC" }
[[step]]
name = "in"
do = "charge"
rate = "C/50"
ends = { amount = "5 %" }
at_most = "4 h"
)";
}

class DaemonProcess {
  public:
    // Without a time scale: the machine's own time.
    explicit DaemonProcess(const CommandFolder& folder, std::optional<std::string> time_scale = "2000",
                           std::string_view bench = "bench.toml")
        : folder_(folder), time_scale_(std::move(time_scale)), bench_(bench) {}
    ~DaemonProcess() {
        if (process_ > 0) {
            end(SIGKILL);
        }
    }
    DaemonProcess(const DaemonProcess&) = delete;
    DaemonProcess& operator=(const DaemonProcess&) = delete;

    // Until it says that it is ready, as it does to a service manager.
    void start() {
        const int supervisor = supervise();
        spawn();
        std::string heard;
        while (heard.find("READY=1") == std::string::npos) {
            pollfd ready{supervisor, POLLIN, 0};
            if (::poll(&ready, 1, 60'000) <= 0) {
                ADD_FAILURE() << "the daemon is not ready:\n" << log();
                break;
            }
            heard += receive(supervisor);
        }
        supervisor_ = supervisor;
    }
    // A daemon that is to refuse: its exit code, and what it said in log().
    int run_to_end() {
        spawn();
        return wait();
    }
    int end(int signal) {
        ::kill(process_, signal);
        const int code = wait();
        if (supervisor_ >= 0) {
            heard_ = receive(supervisor_);
            ::close(std::exchange(supervisor_, -1));
        }
        return code;
    }
    void signal(int number) const { ::kill(process_, number); }
    [[nodiscard]] pid_t process() const { return process_; }
    [[nodiscard]] const std::string& last_words() const { return heard_; }
    [[nodiscard]] std::string log() const { return read_whole(folder_ / (bench_ + ".log")); }

    [[nodiscard]] Ran ask(std::vector<std::string> words, std::string_view socket = "control/socket") const {
        command::Surroundings how;
        how.environment["SLOWFILM_SOCKET"] = folder_ / socket;
        return command::slowfilm(std::move(words), how);
    }
    [[nodiscard]] boost::json::object channel(const std::string& name,
                                              std::string_view socket = "control/socket") const {
        const boost::json::object status = strict(ask({"status", name, "--format", "json"}, socket));
        return status.empty() ? boost::json::object{} : status.at("channels").at(0).as_object();
    }
    // Asks until it is so; every question is a process, so that the bound is minutes.
    template <class Predicate>
    void await(const std::string& name, Predicate so, std::string_view socket = "control/socket") const {
        for (int asked = 0; asked < 10'000; ++asked) {
            const boost::json::object found = channel(name, socket);
            if (found.empty()) {
                return;
            }
            if (so(found)) {
                return;
            }
        }
        ADD_FAILURE() << name << " never came to that\n" << ask({"status"}, socket).out;
    }
    void await_state(const std::string& name, std::string_view state,
                     std::string_view socket = "control/socket") const {
        await(
            name, [&](const boost::json::object& found) { return found.at("state").as_string() == state; }, socket);
    }
    void await_current(const std::string& name) const {
        await(name, [](const boost::json::object& found) {
            return found.at("current_ampere").is_double() && found.at("current_ampere").as_double() > 0.05;
        });
    }

  private:
    int supervise() const {
        ::unlink((folder_ / "notify").c_str());
        const int socket = ::socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC, 0);
        sockaddr_un address{};
        address.sun_family = AF_UNIX;
        const std::string path = folder_ / "notify";
        std::memcpy(address.sun_path, path.data(), path.size());
        EXPECT_EQ(::bind(socket, reinterpret_cast<const sockaddr*>(&address), sizeof address), 0);
        return socket;
    }
    static std::string receive(int socket) {
        std::array<char, 4096> message{};
        const ssize_t count = ::recv(socket, message.data(), message.size(), MSG_DONTWAIT);
        return {message.data(), count > 0 ? static_cast<std::size_t>(count) : 0};
    }
    void spawn() {
        process_ = ::fork();
        if (process_ == 0) {
            const int log = ::open((folder_ / (bench_ + ".log")).c_str(), O_WRONLY | O_CREAT | O_TRUNC, 0600);
            ::dup2(log, STDOUT_FILENO);
            ::dup2(log, STDERR_FILENO);
            ::setenv("NOTIFY_SOCKET", (folder_ / "notify").c_str(), 1);
            if (::chdir(folder_.path().c_str()) != 0) {
                ::_exit(126);
            }
            const char* const scale = time_scale_ ? "--time-scale" : nullptr;
            ::execl(SLOWFILM_BINARY_DIR "/bin/slowfilmd", "slowfilmd", "--bench", bench_.c_str(), scale,
                    time_scale_.value_or("").c_str(), nullptr);
            ::_exit(127);
        }
    }
    int wait() {
        int status = 0;
        ::waitpid(std::exchange(process_, 0), &status, 0);
        return WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status);
    }

    const CommandFolder& folder_;
    std::optional<std::string> time_scale_;
    std::string bench_, heard_;
    pid_t process_{0};
    int supervisor_{-1};
};

}  // namespace slowfilm::scenario
