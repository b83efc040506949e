// slowfilmd: runs a bench in the foreground until it is told to end. It never daemonises itself.
#include "daemon/channel/guardian.hpp"
#include "daemon/main/slowfilmd_log.hpp"
#include "daemon/main/slowfilmd_options.hpp"
#include "daemon/main/slowfilmd_service.hpp"
#include "sim/sets/particle_sets.hpp"

#include <cstdlib>
#include <optional>
#include <string>
#include <utility>

int main(int argc, char** argv) {
    using namespace slowfilm;
    const Result<daemon::Options> options = daemon::read_options(argc, argv);
    if (!options) {
        return daemon::complain(options.error());
    }
    if (!options->answer.empty()) {
        return daemon::answer(options->answer);
    }
    Result<bench::BenchConfig> config = bench::load_bench(options->bench_file, sim::chemistry_of_set_in);
    if (!config) {
        return daemon::complain(config.error());
    }
    // Before any thread: it is forked from this process.
    std::optional<channel::Guardian> guardian;
    if (daemon::has_serial(*config)) {
        Result<channel::Guardian> started = channel::Guardian::start();
        if (!started) {
            return daemon::complain(started.error());
        }
        guardian.emplace(std::move(*started));
    }
    const daemon::Log log;
    daemon::Service service(std::move(*config), options->time_scale, guardian ? &*guardian : nullptr);
    if (const Result<void> ready = service.open(); !ready) {
        return daemon::complain(ready.error());
    }
    return service.run();
}
