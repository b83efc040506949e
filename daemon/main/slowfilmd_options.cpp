#include "daemon/main/slowfilmd_options.hpp"

#include "daemon/bench/bench.hpp"
#include "daemon/core/text.hpp"

#include <CLI/CLI.hpp>
#include <charconv>
#include <cmath>
#include <sstream>
#include <string_view>

#include <unistd.h>

namespace slowfilm::daemon {
namespace {

void write_all(int to, std::string_view text) {
    while (!text.empty()) {
        const ssize_t count = ::write(to, text.data(), text.size());
        if (count <= 0) {
            return;
        }
        text.remove_prefix(static_cast<std::size_t>(count));
    }
}

Result<double> parse_scale(std::string_view text) {
    double scale = 0.0;
    const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), scale, std::chars_format::fixed);
    const bool whole = error == std::errc{} && end == text.data() + text.size();
    if (!whole || !std::isfinite(scale) || !(scale >= 1.0) || !(scale <= bench::time_scale_max)) {
        return fail(Failure::usage,
                    "--time-scale needs a number from 1 to 1000000, such as 2000, not '" + escaped(text, 40) + "'");
    }
    return scale;
}

}  // namespace

Result<Options> read_options(int argc, char** argv) {
    CLI::App app(
        "Runs a bench of formation channels until it is told to end (SIGTERM).\n"
        "Example: slowfilmd --bench config/simulated-bench.toml --time-scale 2000",
        "slowfilmd");
    Options options;
    std::string scale;
    app.add_option("--bench", options.bench_file, "the bench file: channels, limits, ledger, socket")
        ->required()
        ->option_text("FILE");
    const CLI::Option* const scale_option =
        app.add_option("--time-scale", scale,
                       "virtual seconds in a second; only where every channel is simulated, or its "
                       "instruments are slowfilm-virtual's")
            ->option_text("X");
    app.set_version_flag("--version", "slowfilmd " SLOWFILM_VERSION);
    try {
        app.parse(argc, argv);
    } catch (const CLI::ParseError& error) {
        std::ostringstream out;
        std::ostringstream complaint;
        if (app.exit(error, out, complaint) == 0) {
            options.answer = out.str();
            return options;
        }
        return fail(Failure::usage, escaped(error.what()) + "; slowfilmd --help says how it is called");
    }
    if (scale_option->count() > 0) {
        const Result<double> parsed = parse_scale(scale);
        if (!parsed) {
            return tl::unexpected(parsed.error());
        }
        options.time_scale = *parsed;
    }
    return options;
}

int complain(const Error& error) {
    // Rendered diagnostics name their file and line themselves, and end their last line.
    const bool rendered = !error.message.empty() && error.message.back() == '\n';
    write_all(STDERR_FILENO, rendered ? error.message : "slowfilmd: " + error.message + "\n");
    return exit_code(error.failure);
}

int answer(const std::string& text) {
    write_all(STDOUT_FILENO, text);
    return 0;
}

}  // namespace slowfilm::daemon
