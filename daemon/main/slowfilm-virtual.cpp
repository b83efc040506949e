// slowfilm-virtual: a bench of virtual instruments behind pseudo-terminals.
#include "daemon/core/text.hpp"
#include "daemon/protocol/toml_reader.hpp"
#include "sim/instrument/config.hpp"
#include "sim/instrument/host.hpp"

#include <CLI/CLI.hpp>
#include <cstdio>
#include <filesystem>
#include <string>
#include <utility>

namespace {

using namespace slowfilm;

void say(std::FILE* where, const std::string& text) {
    (void)std::fputs(text.c_str(), where);
    (void)std::fflush(where);
}

int complain(const Error& error) {
    say(stderr, "slowfilm-virtual: " + error.message + "\n");
    return exit_code(error.failure);
}

// Beside the bench file, where that names the folder.
std::string folder_of(const std::string& given, const std::string& file, const std::string& written) {
    return given.empty() ? (std::filesystem::path{file}.parent_path() / written).string() : given;
}

int serve(const std::string& file, const std::string& given, bool await_clock) {
    const Result<std::string> text = protocol::read_file_bounded(file);
    if (!text) {
        return complain(text.error());
    }
    sim::instrument::ReadBench read = sim::instrument::read_virtual_bench(file, *text);
    say(stderr, render(read.diagnostics, *text));
    if (!read.parts) {
        return exit_code(Failure::bad_config);
    }
    if (given.empty() && read.folder.empty()) {
        return complain(
            {Failure::usage, "say where the ports are to stand: --in FOLDER, or folder = \"...\" in " + file});
    }
    auto host = sim::instrument::Host::open(std::move(*read.parts), folder_of(given, file, read.folder));
    if (!host) {
        return complain(host.error());
    }
    if (await_clock) {
        host->await_clock();
    }
    say(stdout, host->ports() + "ready\n");
    host->run();
    return 0;
}

}  // namespace

int main(int argc, char** argv) {
    CLI::App app{"Virtual instruments, each with a cell model inside, behind pseudo-terminals.", "slowfilm-virtual"};
    std::string file, folder;
    bool await_clock = false;
    app.add_option("BENCH", file, "the file that describes them, such as config/virtual-bench.toml")->required();
    app.add_option("--in", folder, "the folder in which the ports and the sockets are to stand");
    app.add_flag("--await-clock", await_clock,
                 "time stands still until somebody gives it over FOLDER/clock, as slowfilmd --time-scale does");
    app.set_version_flag("--version", SLOWFILM_VERSION);
    try {
        app.parse(argc, argv);
    } catch (const CLI::ParseError& error) {
        const int code = app.exit(error);
        return code == 0 ? 0 : exit_code(Failure::usage);
    }
    return serve(file, folder, await_clock);
}
