// slowfilmd: runs a bench in the foreground until it is told to end. It never daemonises itself.
#include "daemon/main/slowfilmd_log.hpp"
#include "daemon/main/slowfilmd_options.hpp"
#include "daemon/main/slowfilmd_service.hpp"

#include <cstdlib>
#include <string>

int main(int argc, char** argv) {
    using namespace slowfilm;
    const Result<daemon::Options> options = daemon::read_options(argc, argv);
    if (!options) {
        return daemon::complain(options.error());
    }
    if (!options->answer.empty()) {
        return daemon::answer(options->answer);
    }
    Result<bench::BenchConfig> config = bench::load_bench(options->bench_file);
    if (!config) {
        return daemon::complain(config.error());
    }
    const daemon::Log log;
    daemon::Service service(std::move(*config), options->time_scale);
    if (const Result<void> ready = service.open(); !ready) {
        return daemon::complain(ready.error());
    }
    return service.run();
}
