// The real daemon on a simulated bench of two channels in a folder of its own, for tests of the command.
#pragma once

#include "tests/scenario/command_run.hpp"

#include <sys/socket.h>
#include <sys/un.h>

namespace slowfilm::command {

class Daemon {
  public:
    explicit Daemon(std::string_view time_scale = "2000") {
        for (const char* name : {"a1", "a2"}) {
            bench_ += channel(name);
        }
        folder.write("bench.toml", bench_);
        folder.write("short.toml", protocol());
        const int supervisor = supervise();
        process_ = ::fork();
        if (process_ == 0) {
            const int log = ::open((folder / "daemon.log").c_str(), O_WRONLY | O_CREAT, 0600);
            ::dup2(log, STDOUT_FILENO);
            ::dup2(log, STDERR_FILENO);
            ::setenv("NOTIFY_SOCKET", (folder / "notify").c_str(), 1);
            const std::string scale{time_scale};
            ::execl(SLOWFILM_BINARY_DIR "/bin/slowfilmd", "slowfilmd", "--bench", (folder / "bench.toml").c_str(),
                    "--time-scale", scale.c_str(), nullptr);
            ::_exit(127);
        }
        await_ready(supervisor);
        ::close(supervisor);
    }
    ~Daemon() { end(); }
    Daemon(const Daemon&) = delete;
    Daemon& operator=(const Daemon&) = delete;

    // Its exit code.
    int end() {
        if (process_ <= 0) {
            return 0;
        }
        ::kill(process_, SIGTERM);
        int status = 0;
        ::waitpid(std::exchange(process_, 0), &status, 0);
        return WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status);
    }

    [[nodiscard]] Ran ask(std::vector<std::string> words, Surroundings how = {}) const {
        how.environment["SLOWFILM_SOCKET"] = folder / "control/socket";
        return slowfilm(std::move(words), how);
    }
    [[nodiscard]] Ran start(const std::string& channel, const std::string& cell) const {
        return ask({"start", "--channel", channel, "--cell", cell, "--protocol", folder / "short.toml"});
    }
    // Asks until the channel is in this state.
    void await(const std::string& channel, const std::string& state) const {
        for (int asked = 0; asked < 10'000; ++asked) {
            const auto status = strict(ask({"status", channel, "--format", "json"}));
            if (status.at("channels").at(0).at("state") == boost::json::value(state)) {
                return;
            }
        }
        ADD_FAILURE() << channel << " never came to be " << state << "\n" << ask({"status"}).out;
    }

    CommandFolder folder;

  private:
    // The daemon says when it is ready, as it does to a service manager.
    int supervise() const {
        const int socket = ::socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC, 0);
        sockaddr_un address{};
        address.sun_family = AF_UNIX;
        const std::string path = folder / "notify";
        std::memcpy(address.sun_path, path.data(), path.size());
        EXPECT_EQ(::bind(socket, reinterpret_cast<const sockaddr*>(&address), sizeof address), 0);
        return socket;
    }
    void await_ready(int supervisor) const {
        for (;;) {
            pollfd ready{supervisor, POLLIN, 0};
            if (::poll(&ready, 1, 60'000) <= 0) {
                ADD_FAILURE() << "the daemon is not ready:\n" << read_whole(folder / "daemon.log");
                return;
            }
            std::array<char, 4096> message{};
            const ssize_t count = ::recv(supervisor, message.data(), message.size(), 0);
            if (std::string_view{message.data(), static_cast<std::size_t>(count)}.find("READY=1") !=
                std::string::npos) {
                return;
            }
        }
    }
    static std::string channel(const std::string& name) {
        return "[[channel]]\nname = \"" + name + R"("
kind = "simulated"
period = "1 s"
settle = "200 ms"
off_state = "relay open"
temperature_of = "cell"
ambient_sensor = true
reports_ceiling = true
voltage = { min = "-5 V", max = "6 V", accuracy = "1 mV", resolution = "0.1 mV" }
current = { source_max = "6 A", sink_max = "6 A", accuracy = "2 mA", resolution = "0.1 mA" }
  [channel.simulated]
  cell = "NMC/graphite"
  seed = 5
  ambient = "25 degC"
)";
    }
    // Half an hour, with a person in the middle.
    static std::string protocol() {
        return R"(format = 1
title = "Short, with a question"

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
rate = "C/10"
ends = { time = "10 min" }
at_most = "20 min"

[[step]]
name = "look"
do = "ask"
prompt = "Look at the cell, then confirm."
at_most = "300 d"

[[step]]
name = "out"
do = "discharge"
rate = "C/10"
ends = { time = "10 min" }
at_most = "20 min"
)";
    }

    std::string bench_{R"(format = 1
name = "two channels"
ledger = "bench.ledger"
socket = "control/socket"

[limits]
voltage_max = "4.4 V"
current_max = "6 A"
temperature_max = "60 degC"

)"};
    pid_t process_{0};
};

}  // namespace slowfilm::command
