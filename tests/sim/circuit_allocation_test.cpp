#include "sim/cell/circuit.hpp"
#include "sim/stage/stage.hpp"
#include "tests/sim/cell_allocations.hpp"

#include <atomic>
#include <cstdlib>
#include <memory>
#include <new>

#include <gtest/gtest.h>

namespace {
std::atomic<std::size_t> count{0};
}  // namespace

// Not inlined, or the compiler sees free() given what new made and complains.
[[gnu::noinline]] void* operator new(std::size_t size) {
    ++count;
    if (void* memory = std::malloc(size == 0 ? 1 : size)) {
        return memory;
    }
    throw std::bad_alloc();
}
[[gnu::noinline]] void operator delete(void* memory) noexcept {
    std::free(memory);
}
[[gnu::noinline]] void operator delete(void* memory, std::size_t /*size*/) noexcept {
    std::free(memory);
}

std::size_t slowfilm::testing::allocations() {
    return count;
}

namespace slowfilm::sim {
namespace {

using namespace literals;

TEST(CircuitAllocation, the_counter_sees_an_allocation) {
    const std::size_t before = slowfilm::testing::allocations();
    delete ::new int(7);
    const auto kept = std::make_unique<std::vector<double>>(1000);
    EXPECT_GE(slowfilm::testing::allocations() - before, 2U) << kept->size();
}

TEST(CircuitAllocation, a_night_of_looks_and_drives_allocates_nothing) {
    CircuitCell cell(nmc_graphite(), CellState::pristine);
    const std::size_t before = slowfilm::testing::allocations();
    double last = 0.0;
    for (int second = 0; second < 40 * 3600; ++second) {
        if (second % 3600 == 0) {
            cell.drive(second, second % 7200 == 0 ? VoltageDrive{4.2, 0.5, 0.5} : VoltageDrive{3.5, 0.5, 0.5});
        }
        last = cell.at(second).voltage;
    }
    EXPECT_EQ(slowfilm::testing::allocations(), before);
    EXPECT_GT(last, 3.0);
}

TEST(CircuitAllocation, samples_with_noise_and_faults_allocate_nothing) {
    StageOptions options;
    options.voltage_noise = 1e-4;
    options.current_noise = 1e-4;
    options.temperature_noise = 0.05;
    options.thermometer_lag = 30.0;
    options.delay = 200_ms;
    options.faults = {{.kind = StageFaultKind::frozen, .from = 100_s, .to = 200_s},
                      {.kind = StageFaultKind::bad_voltage, .count = 10}};
    Stage stage(std::make_unique<CircuitCell>(nmc_graphite(), CellState::formed), options);
    const std::size_t before = slowfilm::testing::allocations();
    stage.apply(DriveCurrent{500_mA, 4200_mV, 2700_mV}, Time{});
    std::uint64_t bad = 0;
    for (std::int64_t second = 1; second < 1000; ++second) {
        bad += stage.sample(Time{second * 1'000'000}).voltage.quality == Quality::bad ? 1 : 0;
    }
    stage.apply(Open{}, Time{1'000'000'000});
    EXPECT_EQ(slowfilm::testing::allocations(), before);
    EXPECT_GT(bad, 80U);
}

}  // namespace
}  // namespace slowfilm::sim
