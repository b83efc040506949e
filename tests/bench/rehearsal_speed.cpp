// A 40 h protocol rehearsed at 1 s ticks on the electrochemical cell, noise off, no ledger. What the clock of the
// whole process shows besides is reading the protocol and starting: rehearse itself, plan and model and all, is timed
// here.
#include "daemon/protocol/parse.hpp"
#include "sim/cell/particle.hpp"
#include "sim/rehearsal/rehearsal.hpp"
#include "sim/sets/particle_sets.hpp"

#include <cstdlib>
#include <string>

#include <benchmark/benchmark.h>

namespace slowfilm {
namespace {

// 40 h in all on this model, rests and holds within: 144,000 ticks.
const std::string forty_hours = R"(format = 1
title  = "forty hours"
about  = "For timing."

[cell]
chemistry = "NMC/graphite"
capacity  = "5 Ah"
window    = { min = "2.7 V", max = "4.2 V" }
state     = "pristine"

[limits]
voltage_max        = "4.25 V"
current_max        = "1.2 A"
temperature_max    = "50 degC"
charge_temperature = { min = "10 degC", max = "45 degC" }
climb              = [ { by = "8 %", above = "3.0 V" } ]
run_time_max       = "96 h"

[keep]
every     = "10 s"
on_change = { voltage = "2 mV" }

[[step]]
do      = "charge"
rate    = "C/20"
ends    = { time = "10 h" }
at_most = "20 h"

[[step]]
do      = "charge"
rate    = "C/10"
ends    = { voltage = "4.2 V" }
at_most = "14 h"

[[step]]
do       = "hold"
voltage  = "4.2 V"
rate_max = "C/10"
ends     = { current = "C/50" }
at_most  = "5 h"

[[step]]
do   = "rest"
ends = { time = "816 min" }

[[step]]
do      = "discharge"
rate    = "C/10"
ends    = { voltage = "2.7 V" }
at_most = "14 h"
)";

protocol::Protocol read_protocol() {
    protocol::Parsed parsed = protocol::parse_protocol("forty-hours.toml", forty_hours);
    if (!parsed.protocol) {
        std::abort();
    }
    return std::move(*parsed.protocol);
}

void rehearse_forty_hours(benchmark::State& state, bool noise) {
    const protocol::Protocol protocol = read_protocol();
    sim::RehearsalOptions options;
    options.noise = noise;
    double hours = 0.0;
    std::uint64_t inputs = 0;
    for (auto _ : state) {
        const auto outcome = sim::rehearse(protocol, forty_hours, options);
        if (!outcome || outcome->run.status.state != RunState::done) {
            state.SkipWithError("the rehearsal did not end as written");
            return;
        }
        hours = seconds(outcome->run.status.ended - outcome->run.status.started) / 3600.0;
        inputs = outcome->inputs;
        benchmark::DoNotOptimize(outcome->inputs);
    }
    state.counters["hours"] = hours;
    state.counters["inputs"] = static_cast<double>(inputs);
    state.SetItemsProcessed(state.iterations() * static_cast<std::int64_t>(hours * 3600.0));  // ticks
}

// The model and the stage alone, sampled at the same 144,000 ticks: what of the rehearsal is not the engine.
void sample_the_model_alone(benchmark::State& state) {
    constexpr std::int64_t ticks = 144'000;
    const sim::ParticleParameters set = sim::particle_set("NMC/graphite").value();
    for (auto _ : state) {
        sim::StageOptions options;
        sim::Stage stage{std::make_unique<sim::ParticleCell>(set, CellState::pristine), options};
        const DriveCurrent drive{Current{250'000'000}, Voltage{4'210'000'000}, Voltage{2'500'000'000}};
        stage.apply(Demand{drive}, Time{});
        for (std::int64_t i = 1; i <= ticks; ++i) {
            benchmark::DoNotOptimize(stage.sample(Time{i * 1'000'000}));
        }
    }
    state.SetItemsProcessed(state.iterations() * ticks);
}

void read_the_protocol(benchmark::State& state) {
    for (auto _ : state) {
        benchmark::DoNotOptimize(read_protocol());
    }
}

BENCHMARK_CAPTURE(rehearse_forty_hours, quiet, false)->Unit(benchmark::kMillisecond);
BENCHMARK_CAPTURE(rehearse_forty_hours, noisy, true)->Unit(benchmark::kMillisecond);
BENCHMARK(sample_the_model_alone)->Unit(benchmark::kMillisecond);
BENCHMARK(read_the_protocol)->Unit(benchmark::kMicrosecond);

}  // namespace
}  // namespace slowfilm
