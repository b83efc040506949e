#include "sim/channel/simulated_channel.hpp"

#include "daemon/core/text.hpp"
#include "sim/cell/circuit.hpp"
#include "sim/cell/particle.hpp"
#include "sim/stage/noise.hpp"

#include <cmath>
#include <utility>

namespace slowfilm::sim {

namespace {

// A fixture with nothing in it: no current flows, and a stage that drives one runs to its bound.
class EmptyFixture final : public Cell {
  public:
    void open(double /*t*/) override { reading_ = {.temperature = ambient_}; }
    void drive(double /*t*/, const CurrentDrive& drive) override {
        const bool up = drive.current > 0.0;
        const bool down = drive.current < 0.0;
        reading_ = {.voltage = up ? drive.ceiling : (down ? drive.floor : 0.0),
                    .temperature = ambient_,
                    .mode = up ? DriveMode::at_ceiling : (down ? DriveMode::at_floor : DriveMode::constant_current)};
    }
    void drive(double /*t*/, const VoltageDrive& drive) override {
        reading_ = {.voltage = drive.voltage, .temperature = ambient_, .mode = DriveMode::constant_voltage};
    }
    [[nodiscard]] CellReading at(double /*t*/) override { return reading_; }
    void ambient(double /*t*/, double celsius) override { reading_.temperature = ambient_ = celsius; }
    [[nodiscard]] double charge() const override { return 0.0; }

  private:
    double ambient_{25.0};
    CellReading reading_;
};

// FNV-1a: a cell's ID gives the same number everywhere.
std::uint64_t number_of(const std::string& text) {
    std::uint64_t hash = 0xCBF2'9CE4'8422'2325U;
    for (const char c : text) {
        hash = (hash ^ static_cast<unsigned char>(c)) * 0x100'0000'01B3U;
    }
    return hash;
}

class SimulatedChannel final : public channel::Channel {
  public:
    explicit SimulatedChannel(SimulatedChannelOptions options)
        : options_(std::move(options)), stage_(empty_stage(options_, Time{})) {}

    [[nodiscard]] const ChannelTraits& traits() const override { return options_.stage.traits; }
    [[nodiscard]] bool simulated() const override { return true; }

    void sample(Time now, SampleHandler handler) override {
        follow_chamber(now);
        handler(stage_->sample(now));
    }

    void apply(const Demand& demand, Time now, AppliedHandler handler) override {
        follow_chamber(now);
        if (stage_->answers(now)) {
            handler(stage_->apply(demand, now));
        } else {
            handler(tl::unexpected<FaultKind>{FaultKind::lost});
        }
    }

    void set_ambient(Temperature ambient, Time now) override {
        if (options_.chamber) {
            options_.chamber->set(celsius(ambient), now);
        }
    }

    [[nodiscard]] channel::Health health() const override { return {}; }

    // A capacity that no cell has leaves the fixture empty, which the connection checks then find.
    void load_cell(const std::string& cell_id, Charge capacity, CellState state, Time now) override {
        // What a cell is like goes with its ID: it is the same cell on every channel. The noise is the channel's own.
        const std::uint64_t drawn = mixed(number_of(cell_id));
        const double rated = ampere_hours(capacity);
        const double own = rated * options_.capacity_ratio * (1.0 + options_.capacity_spread * deviation(drawn));
        CircuitParameters cell = scaled(options_.cell, rated > 0.0 ? rated : options_.cell.capacity);
        cell.capacity = own;
        const double resistance = 1.0 + options_.resistance_spread * deviation(mixed(drawn));
        cell.series_resistance *= resistance;
        for (RcPair& pair : cell.pairs) {
            pair.resistance *= resistance;
        }
        StageOptions stage = options_.stage;
        if (options_.chamber) {
            stage.ambient = around_ = options_.chamber->at(now);
        }
        cell.ambient = stage.ambient;
        stage.seed = mixed(options_.stage.seed ^ drawn);
        if (!options_.faulty_cell.empty() && options_.faulty_cell != cell_id) {
            cell.faults.clear();
            cell.reversed = false;
            stage.faults.clear();
        }
        std::unique_ptr<Cell> made = options_.set ? make_particle_cell(cell, rated, resistance, state)
                                                  : make_circuit_cell(std::move(cell), state);
        stage_ = made ? std::make_unique<Stage>(std::move(made), std::move(stage), now) : empty_stage(options_, now);
    }

  private:
    // In small steps: each makes the cell's equations anew.
    void follow_chamber(Time now) {
        constexpr double step = 0.01;  // K
        if (!options_.chamber) {
            return;
        }
        const double celsius = options_.chamber->at(now);
        if (std::fabs(celsius - around_) >= step) {
            around_ = celsius;
            stage_->ambient(celsius, now);
        }
    }

    // Nothing where no such cell can be.
    [[nodiscard]] static std::unique_ptr<Cell> make_circuit_cell(CircuitParameters cell, CellState state) {
        return check(cell) ? std::make_unique<CircuitCell>(std::move(cell), state) : nullptr;
    }
    // Most of an electrochemical cell's resistance is in its reactions: that is where it differs from others.
    [[nodiscard]] std::unique_ptr<Cell> make_particle_cell(const CircuitParameters& like, double rated,
                                                           double resistance, CellState state) const {
        if (!(rated > 0.0 && like.capacity > 0.0 && resistance > 0.0)) {
            return nullptr;
        }
        ParticleParameters cell = scaled(*options_.set, like.capacity);
        cell.capacity = rated;
        cell.negative.rate /= resistance;
        cell.positive.rate /= resistance;
        cell.ambient = like.ambient;
        cell.reversed = like.reversed;
        cell.faults = like.faults;
        return check(cell) ? std::make_unique<ParticleCell>(cell, state) : nullptr;
    }
    [[nodiscard]] static std::unique_ptr<Stage> empty_stage(const SimulatedChannelOptions& options, Time now) {
        StageOptions stage = options.stage;
        stage.faults.clear();
        return std::make_unique<Stage>(std::make_unique<EmptyFixture>(), std::move(stage), now);
    }

    SimulatedChannelOptions options_;
    double around_{options_.stage.ambient};  // degC, as the stage was last told
    std::unique_ptr<Stage> stage_;
};

}  // namespace

Result<std::unique_ptr<channel::Channel>> make_simulated_channel(SimulatedChannelOptions options) {
    if (auto good = check(options); !good) {
        return tl::unexpected<Error>(std::move(good.error()));
    }
    return std::make_unique<SimulatedChannel>(std::move(options));
}

Result<void> check(const SimulatedChannelOptions& options) {
    if (auto good = check(options.cell); !good) {
        return good;
    }
    if (options.set) {
        if (auto good = check(*options.set); !good) {
            return good;
        }
    }
    if (auto good = check(options.stage); !good) {
        return good;
    }
    for (const double spread : {options.capacity_spread, options.resistance_spread}) {
        if (!(spread >= 0.0 && spread <= 0.25)) {
            return fail(Failure::bad_config, "cells may differ by a standard deviation of 0 to 25 %, not " +
                                                 print_number(spread * 100.0) + " %");
        }
    }
    if (!(options.capacity_ratio > 0.01 && options.capacity_ratio <= 2.0)) {
        return fail(Failure::bad_config, "a cell has 1 to 200 % of what is written on it, not " +
                                             print_number(options.capacity_ratio * 100.0) + " %");
    }
    return {};
}

}  // namespace slowfilm::sim
