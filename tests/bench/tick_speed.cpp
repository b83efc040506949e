// One tick of the engine, all guards, step and decision, over recorded samples: median time of one input, and
// allocations counted. Beside it an empty loop over the same samples, so that what the loop itself costs can be taken
// off.
#include "daemon/engine/engine.hpp"
#include "daemon/protocol/parse.hpp"
#include "sim/rehearsal/rehearsal.hpp"

#include <algorithm>
#include <array>
#include <atomic>
#include <chrono>
#include <cstdlib>
#include <new>
#include <string>
#include <variant>
#include <vector>

#include <benchmark/benchmark.h>

namespace {

std::atomic<std::uint64_t> allocations{0};

void* counted(std::size_t size) {
    allocations.fetch_add(1, std::memory_order_relaxed);
    void* const memory = std::malloc(size);  // NOLINT: this is what operator new is made of
    if (memory == nullptr) {
        throw std::bad_alloc{};
    }
    return memory;
}

}  // namespace

void* operator new(std::size_t size) {
    return counted(size);
}
void* operator new[](std::size_t size) {
    return counted(size);
}
void operator delete(void* memory) noexcept {
    std::free(memory);
}
void operator delete[](void* memory) noexcept {
    std::free(memory);
}
void operator delete(void* memory, std::size_t) noexcept {
    std::free(memory);
}
void operator delete[](void* memory, std::size_t) noexcept {
    std::free(memory);
}

namespace slowfilm {
namespace {

const std::string charge_and_hold = R"(format = 1
title  = "ticks"
about  = "For timing."

[cell]
chemistry = "NMC/graphite"
capacity  = "5 Ah"
window    = { min = "2.7 V", max = "4.2 V" }
state     = "pristine"

[limits]
voltage_max        = "4.25 V"
current_max        = "2.6 A"
temperature_max    = "50 degC"
charge_temperature = { min = "10 degC", max = "45 degC" }
climb              = [ { by = "8 %", above = "3.0 V" } ]
run_time_max       = "96 h"

[[step]]
do      = "charge"
rate    = "C/5"
ends    = { voltage = "4.2 V" }
at_most = "14 h"

[[step]]
do       = "hold"
voltage  = "4.2 V"
rate_max = "C/5"
ends     = { current = "C/20" }
at_most  = "5 h"

[[step]]
do      = "discharge"
rate    = "C/5"
ends    = { voltage = "2.7 V" }
at_most = "14 h"
)";

struct Recording {
    engine::Plan plan;
    std::vector<Input> inputs;
};

const Recording& recording() {
    static const Recording made = [] {
        const protocol::Parsed parsed = protocol::parse_protocol("ticks.toml", charge_and_hold);
        if (!parsed.protocol) {
            std::abort();
        }
        Recording recorded;
        sim::RehearsalOptions options;
        options.noise = true;
        // A bench feeds a tick after each sample, which a rehearsal leaves out where it finds nothing.
        const auto feed = [&](Input input) {
            input.sequence = recorded.inputs.size() + 1;
            recorded.inputs.push_back(input);
        };
        options.on_input = [&](const Input& input, const engine::Decision&) {
            feed(input);
            if (std::holds_alternative<Sample>(input.body)) {
                feed({.sequence = 0, .time = input.time, .body = Tick{}});
            }
        };
        const auto outcome = sim::rehearse(*parsed.protocol, charge_and_hold, options);
        auto plan = engine::make_plan(*parsed.protocol, parsed.protocol->cell.capacity,
                                      engine::bench_of_no_name(*parsed.protocol), engine::caps_of_no_name());
        if (!outcome || outcome->run.status.state != RunState::done || !plan) {
            std::abort();
        }
        recorded.plan = std::move(*plan);
        return recorded;
    }();
    return made;
}

constexpr std::size_t batch = 64;  // inputs timed together: one reading of the clock costs as much as a tick

// Times each batch of the recording, and sorts: the median and a high percentile of what one input takes.
template <class Body>
void time_batches(benchmark::State& state, Body&& body) {
    const Recording& recorded = recording();
    std::vector<double> nanoseconds;
    nanoseconds.reserve(recorded.inputs.size() / batch * 64);
    std::uint64_t allocated = 0;
    for (auto _ : state) {
        body.begin(recorded.plan);
        const std::uint64_t before = allocations.load(std::memory_order_relaxed);
        for (std::size_t i = 0; i + batch <= recorded.inputs.size(); i += batch) {
            const auto begin = std::chrono::steady_clock::now();
            for (std::size_t k = i; k < i + batch; ++k) {
                body.take(recorded.plan, recorded.inputs[k]);
            }
            const auto end = std::chrono::steady_clock::now();
            if (nanoseconds.size() < nanoseconds.capacity()) {
                nanoseconds.push_back(std::chrono::duration<double, std::nano>(end - begin).count() / batch);
            }
        }
        allocated += allocations.load(std::memory_order_relaxed) - before;
    }
    std::sort(nanoseconds.begin(), nanoseconds.end());
    state.counters["p50_ns"] = nanoseconds[nanoseconds.size() / 2];
    state.counters["p99_ns"] = nanoseconds[nanoseconds.size() * 99 / 100];
    state.counters["allocations"] = static_cast<double>(allocated);
    state.SetItemsProcessed(static_cast<std::int64_t>(state.iterations() * recorded.inputs.size()));
}

struct Engine {
    engine::Run run;
    void begin(const engine::Plan& plan) { run = engine::new_run(plan, CellHistory{}); }
    void take(const engine::Plan& plan, const Input& input) {
        const engine::Decision decision = engine::advance(plan, run, input);
        benchmark::DoNotOptimize(&decision);
    }
};

struct Empty {
    void begin(const engine::Plan&) {}
    void take(const engine::Plan&, const Input& input) { benchmark::DoNotOptimize(&input); }
};

void engine_tick(benchmark::State& state) {
    time_batches(state, Engine{});
}
void empty_loop(benchmark::State& state) {
    time_batches(state, Empty{});
}

BENCHMARK(engine_tick)->Unit(benchmark::kMillisecond);
BENCHMARK(empty_loop)->Unit(benchmark::kMillisecond);

}  // namespace
}  // namespace slowfilm
