// Runs the real command as a shell would: its words, its environment, its streams; what it said and how it ended.
#pragma once

#include "daemon/core/json.hpp"

#include <array>
#include <boost/json/object.hpp>
#include <csignal>
#include <cstdlib>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <map>
#include <sstream>
#include <string>
#include <vector>

#include <fcntl.h>
#include <gtest/gtest.h>
#include <poll.h>
#include <sys/wait.h>
#include <unistd.h>

namespace slowfilm::command {

struct Ran {
    int code{-1};  // 128 + the signal's number when it died by one
    std::string out, err;
};

enum class Stdout { captured, closed, full, no_reader, terminal };

struct Surroundings {
    std::map<std::string, std::string> environment{};
    Stdout stdout_is{Stdout::captured};
    std::string folder{};  // to run in
};

class CommandFolder {
  public:
    CommandFolder() {
        std::string pattern = "/tmp/slowfilm-command-XXXXXX";
        path_ = ::mkdtemp(pattern.data());
    }
    ~CommandFolder() {
        std::error_code ignored;
        std::filesystem::remove_all(path_, ignored);
    }
    CommandFolder(const CommandFolder&) = delete;
    CommandFolder& operator=(const CommandFolder&) = delete;
    [[nodiscard]] std::string operator/(std::string_view name) const { return path_ + "/" + std::string{name}; }
    [[nodiscard]] const std::string& path() const { return path_; }

    std::string write(std::string_view name, std::string_view text) const {
        std::ofstream{*this / name, std::ios::binary} << text;
        return *this / name;
    }

  private:
    std::string path_;
};

inline std::string read_whole(const std::string& path) {
    std::ifstream file{path, std::ios::binary};
    std::ostringstream text;
    text << file.rdbuf();
    return text.str();
}

inline std::string shipped(std::string_view name) {
    return std::string{SLOWFILM_SOURCE_DIR "/protocols/"} + std::string{name};
}

// What the child does between fork and exec; only calls that are safe there.
inline void become_command(const std::vector<char*>& words, const std::vector<char*>& environment,
                           const Surroundings& how, int out, int err) {
    ::dup2(err, STDERR_FILENO);
    switch (how.stdout_is) {
        case Stdout::closed: ::close(STDOUT_FILENO); break;
        case Stdout::full: ::dup2(::open("/dev/full", O_WRONLY), STDOUT_FILENO); break;
        case Stdout::captured:
        case Stdout::terminal:
        case Stdout::no_reader: ::dup2(out, STDOUT_FILENO); break;
    }
    if (!how.folder.empty() && ::chdir(how.folder.c_str()) != 0) {
        ::_exit(126);
    }
    ::close(out);
    ::close(err);
    std::signal(SIGPIPE, SIG_DFL);
    ::execve(words.front(), words.data(), environment.data());
    ::_exit(127);
}

// Reads both until both end.
inline void drain(int out, int err, Ran& ran) {
    std::array<pollfd, 2> ends{pollfd{out, POLLIN, 0}, pollfd{err, POLLIN, 0}};
    std::array<std::string*, 2> texts{&ran.out, &ran.err};
    while (ends[0].fd >= 0 || ends[1].fd >= 0) {
        if (::poll(ends.data(), ends.size(), 120'000) <= 0) {
            ADD_FAILURE() << "the command hangs";
            return;
        }
        for (std::size_t i = 0; i < ends.size(); ++i) {
            if (ends[i].fd < 0 || ends[i].revents == 0) {
                continue;
            }
            std::array<char, 65'536> chunk{};
            const ssize_t count = ::read(ends[i].fd, chunk.data(), chunk.size());
            if (count <= 0) {
                ::close(ends[i].fd);
                ends[i].fd = -1;
            } else {
                texts[i]->append(chunk.data(), static_cast<std::size_t>(count));
            }
        }
    }
}

// Both ends of a pseudo-terminal: what a person's terminal would read, and what the command writes to.
inline bool open_terminal(std::array<int, 2>& ends) {
    ends[0] = ::posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (ends[0] < 0 || ::grantpt(ends[0]) != 0 || ::unlockpt(ends[0]) != 0) {
        return false;
    }
    std::array<char, 128> name{};
    if (::ptsname_r(ends[0], name.data(), name.size()) != 0) {
        return false;
    }
    ends[1] = ::open(name.data(), O_RDWR | O_NOCTTY | O_CLOEXEC);
    return ends[1] >= 0;
}

inline Ran slowfilm(std::vector<std::string> words, const Surroundings& how = {}) {
    words.insert(words.begin(), SLOWFILM_BINARY_DIR "/bin/slowfilm");
    std::map<std::string, std::string> variables{{"PATH", "/usr/bin:/bin"},
                                                 {"SLOWFILM_SOCKET", "/nonexistent/control"}};
    for (const auto& [name, value] : how.environment) {
        variables[name] = value;
    }
    std::vector<std::string> settings;
    for (const auto& [name, value] : variables) {
        settings.push_back(name + "=" + value);
    }
    const auto pointers = [](std::vector<std::string>& texts) {
        std::vector<char*> list;
        for (std::string& text : texts) {
            list.push_back(text.data());
        }
        list.push_back(nullptr);
        return list;
    };
    const auto word_pointers = pointers(words);
    const auto setting_pointers = pointers(settings);
    std::array<int, 2> out{};
    std::array<int, 2> err{};
    const bool terminal = how.stdout_is == Stdout::terminal;
    if ((terminal ? !open_terminal(out) : ::pipe2(out.data(), O_CLOEXEC) != 0) || ::pipe2(err.data(), O_CLOEXEC) != 0) {
        ADD_FAILURE() << "no streams";
        return {};
    }
    if (how.stdout_is == Stdout::no_reader) {
        ::close(std::exchange(out[0], -1));
    }
    const pid_t child = ::fork();
    if (child == 0) {
        become_command(word_pointers, setting_pointers, how, out[1], err[1]);
    }
    ::close(out[1]);
    ::close(err[1]);
    Ran ran;
    drain(out[0], err[0], ran);
    int status = 0;
    ::waitpid(child, &status, 0);
    ran.code = WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status);
    return ran;
}

// The answer of a command in JSON, read by a parser that takes RFC 8259 and nothing more.
inline boost::json::object strict(const Ran& ran) {
    auto value = parse_json(ran.out);
    if (!value || !value->is_object()) {
        ADD_FAILURE() << "not one strict JSON object: " << (value ? "" : value.error().message) << "\n" << ran.out;
        return {};
    }
    return value->get_object();
}

inline bool is_one_sentence(const std::string& err) {
    return err.starts_with("slowfilm: ") && err.ends_with("\n") && err.find('\n') == err.size() - 1;
}

}  // namespace slowfilm::command
