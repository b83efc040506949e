// An equivalent-circuit cell, exact between events: open-circuit voltage in straight pieces over charge, series
// resistance, RC pairs, a leak between the electrodes that sees the open-circuit voltage, one lump of heat, and a film
// that keeps part of the first charge.
#pragma once

#include "sim/cell/cell.hpp"
#include "sim/cell/circuit_parameters.hpp"
#include "sim/cell/piece.hpp"

#include <array>
#include <cstdint>
#include <vector>

namespace slowfilm::sim {

class CircuitCell final : public Cell {
  public:
    // The parameters must have passed check(); time begins at t = 0.
    CircuitCell(CircuitParameters parameters, CellState state);

    void open(double t) override;
    void drive(double t, const CurrentDrive& drive) override;
    void drive(double t, const VoltageDrive& drive) override;
    [[nodiscard]] CellReading at(double t) override;
    void ambient(double t, double celsius) override;

    // All in Ah, at the time last asked for. charge() = stored_since_start() + lost_to_film() + leaked().
    [[nodiscard]] double charge() const override;
    [[nodiscard]] double stored_since_start() const;
    [[nodiscard]] double lost_to_film() const;
    [[nodiscard]] double leaked() const;
    // Of the capacity: 0 empty, 1 full.
    [[nodiscard]] double charge_state() const;

  private:
    // Every drive is a regulator: hold `target` with a current between `low` and `high`; where that can't be, the
    // nearer of the two flows.
    enum class DriveKind : std::uint8_t { open, charge, discharge, constant, voltage };
    enum class Regime : std::uint8_t { at_low, at_high, regulating };
    struct Drive {
        DriveKind kind{DriveKind::open};
        double target{0.0};
        double low{0.0}, high{0.0};
    };
    struct State {
        double time{0.0};
        double stored{0.0};                       // Ah from empty
        double taken_up{0.0};                     // Ah, charge only, since pristine
        double film{0.0}, leak{0.0}, input{0.0};  // Ah since the start
        double temperature{25.0}, ambient{25.0};
        std::array<double, rc_pairs_max> pair{};  // V
        std::size_t segment{0};                   // of the open-circuit curve
        std::size_t film_stage{0};
        std::uint32_t faults{0};  // those that have begun, by bit
    };
    // What faults make of the parameters.
    struct Circuit {
        double series{0.0}, contact{0.0}, leak{0.0}, heat{0.0};  // ohm, ohm, S, W
    };
    struct Segment {
        double charge, voltage, slope;  // Ah and V at its lower end, V/Ah
    };
    struct Piece {
        double begin{0.0}, end{0.0};
        CellReading reading;  // its mode; the current where it does not vary
        bool current_varies{false};
        Rates rates;
        ExponentialSum voltage, current;
        double thermal_rate{0.0}, thermal_decay{0.0};  // 1/s, K
        Quadratic temperature;                         // degC, besides the decay
        // In e_k: the current through the electrodes, through the leak (which also has a constant part), and the pairs.
        Coefficients electrode{}, leak{};               // A
        double leak_constant{0.0};                      // A
        std::array<Coefficients, rc_pairs_max> pair{};  // V
        double way{0.0};   // where the current through the electrodes goes: above 0 in, below 0 out, 0 nowhere
        double kept{1.0};  // share of the electrodes' current that is stored
        // What a piece that ends at a boundary of charge is set to, so that rounding never leaves the boundary behind.
        bool ends_at_knot{false}, ends_at_take_up{false};
        double knot{0.0}, take_up{0.0};  // Ah
    };

    void begin(double t, const Drive& drive);
    void go_to(double t);
    void next_piece();
    void begin_faults();
    void find_place(double electrode_current);
    [[nodiscard]] double place_of_voltage(double voltage) const;
    [[nodiscard]] double taken_up_for(double stored) const;
    [[nodiscard]] Circuit circuit() const;
    [[nodiscard]] double open_circuit() const;
    [[nodiscard]] double pair_sum() const;
    [[nodiscard]] double kept_share(double electrode_current) const;
    [[nodiscard]] double voltage_slope(const Circuit& circuit, double electrode_current);
    [[nodiscard]] Regime regime(const Circuit& circuit);
    [[nodiscard]] DriveMode mode(Regime regime) const;
    [[nodiscard]] double direction(double electrode_current) const;
    void current_piece(const Circuit& circuit, double current);
    void voltage_piece(const Circuit& circuit);
    void add_heat(const Circuit& circuit);
    void find_end(Regime regime);
    [[nodiscard]] double direction_changes(double end) const;
    [[nodiscard]] double charge_boundary(double end);
    [[nodiscard]] State state_at(double t) const;

    CircuitParameters parameters_;
    std::vector<Segment> segments_;
    std::vector<FilmStage> film_;  // in Ah
    double start_stored_{0.0}, start_taken_up_{0.0};
    Drive drive_;
    State anchor_;  // where the last drive began: a drive that comes earlier than the last look goes back to it
    State state_;   // where the piece begins
    Piece piece_;
    double asked_{0.0};
};

}  // namespace slowfilm::sim
