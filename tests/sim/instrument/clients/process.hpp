// slowfilm-virtual as a process of its own, and other programs beside it.
#pragma once

#include <array>
#include <csignal>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <memory>
#include <string>
#include <utility>
#include <vector>

#include <fcntl.h>
#include <gtest/gtest.h>
#include <poll.h>
#include <sys/wait.h>
#include <unistd.h>

namespace slowfilm::clients {

// A program whose standard output is read here; ended with the object.
class Program {
  public:
    explicit Program(std::vector<std::string> words) {
        std::array<int, 2> ends{};
        EXPECT_EQ(::pipe2(ends.data(), O_CLOEXEC), 0);
        std::vector<char*> arguments;
        for (std::string& word : words) {
            arguments.push_back(word.data());
        }
        arguments.push_back(nullptr);
        process_ = ::fork();
        if (process_ == 0) {
            ::dup2(ends[1], STDOUT_FILENO);
            ::dup2(ends[1], STDERR_FILENO);
            ::execv(arguments[0], arguments.data());
            ::_exit(127);
        }
        ::close(ends[1]);
        output_ = ends[0];
    }
    ~Program() {
        if (process_ > 0) {
            (void)end(SIGKILL);
        }
        ::close(output_);
    }
    Program(const Program&) = delete;
    Program& operator=(const Program&) = delete;

    // Until it has said this. False when it ends or stays silent for a minute instead.
    bool says(const std::string& words) {
        while (said_.find(words) == std::string::npos) {
            if (!hear()) {
                ADD_FAILURE() << "waited for \"" << words << "\", and it said:\n" << said_;
                return false;
            }
        }
        return true;
    }
    // Until it ends by itself; its exit code.
    int wait() {
        while (hear()) {
        }
        return reap();
    }
    int end(int signal) {
        ::kill(process_, signal);
        return wait();
    }
    [[nodiscard]] const std::string& said() const { return said_; }

  private:
    bool hear() {
        pollfd ready{output_, POLLIN, 0};
        std::array<char, 4096> bytes{};
        if (::poll(&ready, 1, 60'000) <= 0) {
            return false;
        }
        const ssize_t count = ::read(output_, bytes.data(), bytes.size());
        said_.append(bytes.data(), count > 0 ? static_cast<std::size_t>(count) : 0);
        return count > 0;
    }
    int reap() {
        int status = 0;
        ::waitpid(std::exchange(process_, 0), &status, 0);
        return WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status);
    }

    pid_t process_{0};
    int output_{-1};
    std::string said_;
};

// A folder with a bench file and its ports, served until the object goes.
class VirtualPorts {
  public:
    explicit VirtualPorts(const std::string& bench, const std::vector<std::string>& options = {}) {
        std::string pattern = "/tmp/slowfilm-virtual-XXXXXX";
        folder_ = ::mkdtemp(pattern.data());
        std::ofstream{folder_ + "/bench.toml"} << bench;
        std::vector<std::string> words{SLOWFILM_BINARY_DIR "/bin/slowfilm-virtual", folder_ + "/bench.toml", "--in",
                                       folder_ + "/ports"};
        words.insert(words.end(), options.begin(), options.end());
        program_ = std::make_unique<Program>(std::move(words));
        EXPECT_TRUE(program_->says("ready\n"));
    }
    ~VirtualPorts() {
        program_.reset();
        std::filesystem::remove_all(folder_);
    }
    VirtualPorts(const VirtualPorts&) = delete;
    VirtualPorts& operator=(const VirtualPorts&) = delete;

    [[nodiscard]] std::string port(const std::string& name) const { return folder_ + "/ports/" + name; }
    [[nodiscard]] const std::string& folder() const { return folder_; }
    int stop() { return program_->end(SIGTERM); }

  private:
    std::string folder_;
    std::unique_ptr<Program> program_;
};

// A bench with one cell, and what is at it.
inline std::string bench_with(const std::string& instruments) {
    std::string text = "format = 1\n[[cell]]\nname = \"c1\"\nlike = \"NMC/graphite\"\nmodel = \"circuit\"\n";
    text += "capacity = \"5 Ah\"\nstate = \"formed\"\n";
    text += instruments;
    return text;
}
inline const std::string source_at_it =
    "[[instrument]]\nname = \"src\"\nkind = \"two-quadrant source\"\ncell = \"c1\"\noff_state = \"relay open\"\n"
    "thermometer = true\nnoise = { voltage = \"100 uV\" }\n";

}  // namespace slowfilm::clients
