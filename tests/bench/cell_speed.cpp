// The electrochemical cell's solver against CVODE: three C/10 cycles, to the same points of time, with the same
// equations. First with the solver's own modes of spheres and salt, which CVODE integrates as they are; then with both
// on 20 finite-volume shells a sphere and 25 finite-volume cells of electrolyte, which the solver has diagonalised once
// (in make_a_cell, outside the clock as every set-up is here) and CVODE integrates as they stand. CVODE: BDF, Newton's
// method with the dense Jacobian that it makes itself by difference quotients, and its own root finding.
// Each row says its 99th percentile of error against CVODE on the same equations at a tolerance of 1e-11, in mV, at
// ticks of 10 s, and its worst; the ratio is that to the row of CVODE with the like error.
#include "sim/cell/particle.hpp"
#include "sim/sets/particle_sets.hpp"
#include "tests/sim/cell/finite_volumes.hpp"
#include "tests/sim/cell/legs_on_cvode.hpp"

#include <algorithm>
#include <cmath>
#include <type_traits>
#include <vector>

#include <benchmark/benchmark.h>

namespace slowfilm {
namespace {

constexpr double tick = 10.0;

struct Leg {
    double seconds, current, target;
};

// No leg lasts long enough at its bound for the leak alone to flow, where CVODE's run knows only one regulator.
const std::vector<Leg>& legs() {
    static const std::vector<Leg> all{{40800.0, 0.5, 4.2}, {600.0, 0.0, 0.0}, {35700.0, -0.5, 2.7}, {600.0, 0.0, 0.0},
                                      {36000.0, 0.5, 4.2}, {600.0, 0.0, 0.0}, {35400.0, -0.5, 2.7}, {600.0, 0.0, 0.0},
                                      {35800.0, 0.5, 4.2}, {600.0, 0.0, 0.0}, {35300.0, -0.5, 2.7}, {600.0, 0.0, 0.0}};
    return all;
}

const sim::ParticleParameters& pouch() {
    static const sim::ParticleParameters set = sim::particle_set("nmc-graphite-pouch-5ah").value();
    return set;
}

// A current while the voltage is held counts by what it would make of the voltage, 20 mohm.
double shown(double voltage, double current) {
    return voltage + 0.020 * current;
}

using OnModes = test::LegsOnCvode<test::ModelUnknowns>;
using OnVolumes = test::LegsOnCvode<test::FiniteVolumes>;

template <class Legs>
std::vector<double> with_cvode(Legs& cvode, double every) {
    std::vector<double> values;
    cvode.first_tick(every);
    double t = 0.0;
    for (const Leg& leg : legs()) {
        t += leg.seconds;
        cvode.run(t, leg.current, leg.target, every,
                  [&](double, const sim::Algebra& found) { values.push_back(shown(found.voltage, found.current)); });
    }
    return values;
}

std::vector<double> with_own(sim::ParticleCell& cell, double every) {
    std::vector<double> values;
    double t = 0.0;
    for (const Leg& leg : legs()) {
        if (leg.current > 0.0) {
            cell.drive(t, sim::CurrentDrive{leg.current, leg.target, 0.0});
        } else if (leg.current < 0.0) {
            cell.drive(t, sim::CurrentDrive{leg.current, 10.0, leg.target});
        } else {
            cell.open(t);
        }
        for (const double end = t + leg.seconds; t < end - 1e-9;) {
            t = std::min(t + every, end);
            const sim::CellReading reading = cell.at(t);
            if (every == tick) {
                values.push_back(shown(reading.voltage, reading.current));
            }
        }
    }
    return values;
}

// Against CVODE on the same equations, all but exact.
template <class Legs>
void count_errors(benchmark::State& state, const std::vector<double>& values) {
    static const std::vector<double> exact = [] {
        Legs cvode(pouch(), 1e-11);
        return with_cvode(cvode, tick);
    }();
    std::vector<double> off;
    for (std::size_t i = 0; i < std::min(values.size(), exact.size()); ++i) {
        off.push_back(1e3 * std::abs(values[i] - exact[i]));
    }
    std::sort(off.begin(), off.end());
    state.counters["p99_mV"] = off[off.size() * 99 / 100];
    state.counters["worst_mV"] = off.back();
}

template <class Legs>
void own_solver(benchmark::State& state) {
    const sim::ParticleModes modes =
        std::is_same_v<Legs, OnVolumes> ? test::finite_volume_modes(pouch()) : sim::particle_modes(pouch());
    std::uint64_t steps = 0;
    std::uint64_t rejected = 0;
    for (auto _ : state) {
        state.PauseTiming();
        sim::ParticleCell cell(pouch(), CellState::pristine, modes);
        state.ResumeTiming();
        benchmark::DoNotOptimize(with_own(cell, 1e9));
        steps = cell.steps();
        rejected = cell.rejected();
    }
    sim::ParticleCell cell(pouch(), CellState::pristine, modes);
    count_errors<Legs>(state, with_own(cell, tick));
    state.counters["steps"] = static_cast<double>(steps);
    state.counters["rejected"] = static_cast<double>(rejected);
    state.counters["unknowns"] = static_cast<double>(sim::ParticleEquations(pouch(), modes).unknowns());
}

template <class Legs>
void cvode(benchmark::State& state) {
    const double tolerance = std::pow(10.0, -0.5 * static_cast<double>(state.range(0)));
    long steps = 0;
    for (auto _ : state) {
        state.PauseTiming();
        Legs legs(pouch(), tolerance);
        state.ResumeTiming();
        benchmark::DoNotOptimize(with_cvode(legs, 1e9));
        steps = legs.steps();
    }
    Legs legs(pouch(), tolerance);
    count_errors<Legs>(state, with_cvode(legs, tick));
    state.counters["steps"] = static_cast<double>(steps);
    state.counters["unknowns"] = static_cast<double>(legs.count());
}

// What a cell costs before its first step: modes and tables.
void make_a_cell(benchmark::State& state) {
    for (auto _ : state) {
        sim::ParticleCell cell(pouch(), CellState::pristine);
        benchmark::DoNotOptimize(cell.steps());
    }
}

void look_at_a_cell(benchmark::State& state) {
    sim::ParticleCell cell(pouch(), CellState::pristine);
    cell.drive(0.0, sim::CurrentDrive{0.01, 4.2, 0.0});
    double t = 0.0;
    for (auto _ : state) {
        t += 1e-3;
        benchmark::DoNotOptimize(cell.at(t));
    }
}

// CVODE's tolerance is 10^(-n/2).
BENCHMARK_TEMPLATE(own_solver, OnModes)->Unit(benchmark::kMillisecond);
BENCHMARK_TEMPLATE(cvode, OnModes)->DenseRange(10, 14)->Unit(benchmark::kMillisecond);
BENCHMARK_TEMPLATE(own_solver, OnVolumes)->Unit(benchmark::kMillisecond);
BENCHMARK_TEMPLATE(cvode, OnVolumes)->DenseRange(10, 14)->Unit(benchmark::kMillisecond);
BENCHMARK(make_a_cell)->Unit(benchmark::kMillisecond);
BENCHMARK(look_at_a_cell);

}  // namespace
}  // namespace slowfilm
