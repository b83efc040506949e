// A cell is a trajectory: told what drives it, it says what it does at any later time, exactly at events. Doubles in SI
// units in here (V, A, s, degC, Ah); whole numbers are made by the stage.
#pragma once

#include <cstdint>
#include <memory>

namespace slowfilm::sim {

enum class DriveMode : std::uint8_t {
    open,
    constant_current,
    at_ceiling,
    at_floor,
    constant_voltage,
    at_source_limit,
    at_sink_limit
};

struct CellReading {
    double voltage{0.0};       // V at the terminals
    double current{0.0};       // A, positive charges
    double temperature{25.0};  // degC
    DriveMode mode{DriveMode::open};
};

struct CurrentDrive {
    double current;         // A, positive charges
    double ceiling, floor;  // V: the stage holds there and lets the current fall
};
struct VoltageDrive {
    double voltage;               // V
    double source_max, sink_max;  // A, both >= 0
};

class Cell {
  public:
    virtual ~Cell() = default;
    Cell() = default;
    Cell(const Cell&) = delete;
    Cell& operator=(const Cell&) = delete;

    // Changes what drives the cell from time t on. t may lie anywhere at or after the last drive() or advance(): the
    // trajectory is re-stepped to it.
    virtual void open(double t) = 0;
    virtual void drive(double t, const CurrentDrive& drive) = 0;
    virtual void drive(double t, const VoltageDrive& drive) = 0;
    // The state at t >= the last drive(); calls come with non-decreasing t.
    [[nodiscard]] virtual CellReading at(double t) = 0;
    virtual void ambient(double t, double celsius) = 0;
    // Charge that has gone in since the start, Ah: for conservation tests and reports.
    [[nodiscard]] virtual double charge() const = 0;
};

}  // namespace slowfilm::sim
