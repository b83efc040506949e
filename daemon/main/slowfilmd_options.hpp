// The daemon's own few words.
#pragma once

#include "daemon/core/result.hpp"

#include <optional>
#include <string>

namespace slowfilm::daemon {

struct Options {
    std::string bench_file;
    std::optional<double> time_scale;  // virtual seconds in a second
    std::string answer;                // of --help or --version, which start nothing
};

[[nodiscard]] Result<Options> read_options(int argc, char** argv);

// Says it on stderr; returns the exit code.
[[nodiscard]] int complain(const Error& error);
// Says it on stdout; returns the exit code.
[[nodiscard]] int answer(const std::string& text);

}  // namespace slowfilm::daemon
