#include "sim/channel/simulated_channel.hpp"

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

    // A capacity or a chemistry that no cell has leaves the fixture empty, which the connection checks then find.
    void load_cell(const channel::LoadedCell& cell, Time now) override {
        // What a cell is like goes with its ID: it is the same cell on every channel. The noise is the channel's own.
        const std::uint64_t drawn = mixed(number_of(cell.id));
        StageOptions stage = options_.stage;
        if (options_.chamber) {
            stage.ambient = around_ = options_.chamber->at(now);
        }
        stage.seed = mixed(options_.stage.seed ^ drawn);
        CellKind kind{static_cast<const CellKind&>(options_)};
        if (!options_.faulty_cell.empty() && options_.faulty_cell != cell.id) {
            kind.cell.faults.clear();
            kind.cell.reversed = false;
            stage.faults.clear();
        }
        const bool by_chemistry = !kind.set && options_.set_of;
        if (by_chemistry) {
            kind.set = options_.set_of(cell.chemistry);
        }
        std::unique_ptr<Cell> made =
            by_chemistry && !kind.set ? nullptr
                                      : make_cell(kind, ampere_hours(cell.capacity), cell.state, drawn, stage.ambient);
        stage_ = made ? std::make_unique<Stage>(std::move(made), std::move(stage), now) : empty_stage(options_, now);
    }

    void ambient_was(Temperature ambient, Time then) override {
        if (options_.chamber) {
            lived_again_ = then;
            surround(celsius(ambient), then, 0.1);  // a reading, with its noise
        }
    }

  private:
    void follow_chamber(Time now) {
        if (options_.chamber && now > lived_again_) {
            surround(options_.chamber->at(now), now, 0.01);
        }
    }

    // In steps of so many kelvins: each makes the cell's equations anew.
    void surround(double celsius, Time now, double step) {
        if (std::fabs(celsius - around_) >= step) {
            around_ = celsius;
            stage_->ambient(celsius, now);
        }
    }

    [[nodiscard]] static std::unique_ptr<Stage> empty_stage(const SimulatedChannelOptions& options, Time now) {
        StageOptions stage = options.stage;
        stage.faults.clear();
        return std::make_unique<Stage>(std::make_unique<EmptyFixture>(), std::move(stage), now);
    }

    SimulatedChannelOptions options_;
    double around_{options_.stage.ambient};  // degC, as the stage was last told
    Time lived_again_{INT64_MIN};            // up to here the chamber's present says nothing
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
    if (auto good = check(static_cast<const CellKind&>(options)); !good) {
        return good;
    }
    return check(options.stage);
}

}  // namespace slowfilm::sim
