// A place where one cell lies and several instruments are connected, and the leads of each of them. Every instrument is
// a regulator: it wants a voltage and gives or takes current up to its bounds. What the cell sees is their sum; what an
// instrument's ammeter sees is its own share.
#pragma once

#include "sim/cell/cell.hpp"

#include <cstddef>
#include <cstdint>
#include <memory>
#include <optional>
#include <vector>

namespace slowfilm::sim::instrument {

// Below `target` it gives `source`, above it takes `sink` (A, both >= 0), at it whatever is between.
struct Regulator {
    double target{0.0};  // V
    double source{0.0}, sink{0.0};
};

class Fixture {
  public:
    // `ambient` as the cell was made with; time begins at t = 0.
    Fixture(std::unique_ptr<Cell> cell, double ambient);

    // One more pair of leads, which carry nothing yet.
    [[nodiscard]] std::size_t connect();
    void regulate(std::size_t leads, double t, const Regulator& regulator);
    // Voltage, current and temperature of the cell. An earlier t than the last counts as the last.
    [[nodiscard]] CellReading at(double t);
    // Of the current in `reading`, what comes through these leads.
    [[nodiscard]] double share(std::size_t leads, const CellReading& reading) const;
    // Follows what depends on the cell's voltage: called at a steady pace, so that a record does not depend on who
    // asks.
    void follow(double t);
    // A resistor across the cell, from outside (ohm, >= 0.01); nothing takes it away.
    void shorted(double t, std::optional<double> ohms);
    void ambient(double t, double celsius);
    [[nodiscard]] double ambient() const { return ambient_; }
    // When current last went through the cell, seen whenever something changes or somebody looks; below 0: never.
    [[nodiscard]] double last_current() const { return last_current_; }

  private:
    enum class Side : std::uint8_t { below, above };
    [[nodiscard]] double pull(double voltage, Side side) const;
    [[nodiscard]] std::optional<double> next_target(double voltage, Side side) const;
    [[nodiscard]] std::optional<double> target_at(double voltage) const;
    [[nodiscard]] Regulator wanted(const CellReading& reading) const;
    [[nodiscard]] Regulator onward(double voltage, double current) const;
    bool drive(double t);
    [[nodiscard]] double later(double t);
    [[nodiscard]] CellReading look(double t);

    std::unique_ptr<Cell> cell_;
    std::vector<Regulator> regulators_;
    std::optional<double> ohms_;
    double short_current_{0.0};  // A out of the cell
    double ambient_;
    double time_{0.0};
    double last_current_{-1.0};
    // What the cell was last driven with: a regulator that holds, or a current.
    bool open_{true};
    Regulator driven_{};
};

enum class Sense : std::uint8_t { right, swapped, lifted };

// One instrument's connection to a fixture, with its contactor and its sense leads: the cell as its stage knows it.
class Leads final : public Cell {
  public:
    // `runaway`: what the stage's terminals can go to when its sense leads do not show what it does, V. `sensed`: where
    // its sense leads are, if that is another cell than its force leads are at.
    Leads(std::shared_ptr<Fixture> fixture, double runaway, std::shared_ptr<Fixture> sensed = nullptr);

    void open(double t) override;
    void drive(double t, const CurrentDrive& drive) override;
    void drive(double t, const VoltageDrive& drive) override;
    [[nodiscard]] CellReading at(double t) override;
    void ambient(double t, double celsius) override;  // nothing: the room is the fixture's
    [[nodiscard]] double charge() const override;     // 0: nobody asks a connection

    void contactor(bool closed, double t);
    void sense(Sense how, double t);
    [[nodiscard]] double terminals(double t);  // V at the instrument's end, without the leads' own drop

  private:
    enum class Driven : std::uint8_t { open, current, voltage };
    void pass_on(double t);
    [[nodiscard]] bool sensed_low(double t);

    std::shared_ptr<Fixture> fixture_, sensed_;
    std::size_t index_;
    double runaway_;
    Driven driven_{Driven::open};
    double current_{0.0};  // A asked for, of a constant current
    Regulator wanted_{};
    bool closed_{true}, low_{true};
    Sense sense_{Sense::right};
};

// Nothing but air, for thermometers that hang in a room or a chamber.
class Air final : public Cell {
  public:
    explicit Air(double celsius) : celsius_{celsius} {}
    void open(double /*t*/) override {}
    void drive(double /*t*/, const CurrentDrive& /*drive*/) override {}
    void drive(double /*t*/, const VoltageDrive& /*drive*/) override {}
    [[nodiscard]] CellReading at(double /*t*/) override { return {.temperature = celsius_}; }
    void ambient(double /*t*/, double celsius) override { celsius_ = celsius; }
    [[nodiscard]] double charge() const override { return 0.0; }

  private:
    double celsius_;
};

}  // namespace slowfilm::sim::instrument
