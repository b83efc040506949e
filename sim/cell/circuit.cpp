#include "sim/cell/circuit.hpp"

#include "daemon/core/ensure.hpp"

#include <algorithm>
#include <utility>

namespace slowfilm::sim {

namespace {

constexpr double seconds_per_hour = 3600.0;
constexpr double voltage_tolerance = 1e-9;  // V: nearer than this to its target, the regulator looks at the slope
constexpr int zero_pieces_max = 32;

}  // namespace

CircuitCell::CircuitCell(CircuitParameters parameters, CellState state) : parameters_(std::move(parameters)) {
    ENSURE(check(parameters_).has_value());
    const auto& curve = parameters_.open_circuit;
    for (std::size_t i = 0; i + 1 < curve.size(); ++i) {
        const double slope = (curve[i + 1].voltage - curve[i].voltage) /
                             ((curve[i + 1].charge - curve[i].charge) * parameters_.capacity);
        segments_.push_back({curve[i].charge * parameters_.capacity, curve[i].voltage, slope});
    }
    for (const FilmStage& stage : parameters_.film) {
        film_.push_back({stage.until * parameters_.capacity, stage.share});
    }
    switch (state) {
        case CellState::pristine: state_.stored = place_of_voltage(parameters_.pristine_voltage); break;
        case CellState::tapped:
            state_.stored = place_of_voltage(parameters_.tapped_voltage);
            state_.taken_up = taken_up_for(state_.stored);
            break;
        case CellState::formed:
            state_.stored = parameters_.formed_charge * parameters_.capacity;
            state_.taken_up = film_.size() > 1 ? film_[film_.size() - 2].until : 0.0;
            break;
    }
    start_stored_ = state_.stored;
    start_taken_up_ = state_.taken_up;
    state_.temperature = state_.ambient = parameters_.ambient;
    while (state_.segment + 1 < segments_.size() && state_.stored >= segments_[state_.segment + 1].charge) {
        ++state_.segment;
    }
    anchor_ = state_;
    next_piece();
}

void CircuitCell::open(double t) {
    begin(t, Drive{});
}

// Backwards in the fixture, what charges at the terminals discharges the cell: currents and voltages change their
// signs, and each bound its place.
void CircuitCell::drive(double t, const CurrentDrive& drive) {
    const double sign = parameters_.reversed ? -1.0 : 1.0;
    const double current = sign * drive.current;
    if (current == 0.0) {
        begin(t, {.kind = DriveKind::constant});
    } else if (current > 0.0) {
        const double ceiling = parameters_.reversed ? -drive.floor : drive.ceiling;
        begin(t, {.kind = DriveKind::charge, .target = ceiling, .high = current});
    } else {
        const double floor = parameters_.reversed ? -drive.ceiling : drive.floor;
        begin(t, {.kind = DriveKind::discharge, .target = floor, .low = current});
    }
}

void CircuitCell::drive(double t, const VoltageDrive& drive) {
    if (parameters_.reversed) {
        begin(t, {DriveKind::voltage, -drive.voltage, -drive.source_max, drive.sink_max});
    } else {
        begin(t, {DriveKind::voltage, drive.voltage, -drive.sink_max, drive.source_max});
    }
}

void CircuitCell::ambient(double t, double celsius) {
    go_to(t);
    state_ = state_at(t);
    state_.ambient = celsius;
    anchor_ = state_;
    next_piece();
}

CellReading CircuitCell::at(double t) {
    if (t >= piece_.end || t < piece_.begin) {
        go_to(t);
    }
    asked_ = t;
    const double dt = t - piece_.begin;
    const Rates& rates = piece_.rates;
    CellReading reading = piece_.reading;
    Coefficients decay;
    double voltage = piece_.voltage.start;
    double current = piece_.current.start;
    for (std::size_t k = 0; k < rates.count; ++k) {
        const double basis = rates.basis(k, dt);
        decay[k] = 1.0 - rates.rate[k] * basis;
        voltage += piece_.voltage.slope[k] * basis;
        current += piece_.current.slope[k] * basis;
    }
    reading.voltage = voltage;
    if (piece_.current_varies) {
        reading.current = current;
    }
    reading.temperature =
        piece_.temperature.at(rates.count, decay) + piece_.thermal_decay * elementary::exp(-piece_.thermal_rate * dt);
    if (parameters_.reversed) {
        reading.voltage = -reading.voltage;
        reading.current = -reading.current;
    }
    return reading;
}

double CircuitCell::charge() const {
    return (parameters_.reversed ? -1.0 : 1.0) * state_at(asked_).input;
}
double CircuitCell::stored_since_start() const {
    return state_at(asked_).stored - start_stored_;
}
double CircuitCell::lost_to_film() const {
    return state_at(asked_).film;
}
double CircuitCell::leaked() const {
    return state_at(asked_).leak;
}
double CircuitCell::charge_state() const {
    return state_at(asked_).stored / parameters_.capacity;
}

void CircuitCell::begin(double t, const Drive& drive) {
    go_to(t);
    state_ = state_at(t);
    drive_ = drive;
    anchor_ = state_;
    asked_ = t;
    next_piece();
}

// Makes the piece that holds t the present one, from the last drive anew if t lies before the present piece.
void CircuitCell::go_to(double t) {
    if (t < piece_.begin) {
        state_ = anchor_;
        next_piece();
    }
    int zero_pieces = 0;
    while (t >= piece_.end) {
        const bool stands = piece_.end <= piece_.begin;
        State next = state_at(piece_.end);
        if (piece_.ends_at_knot) {
            next.stored = piece_.knot;
        }
        if (piece_.ends_at_take_up) {
            next.taken_up = piece_.take_up;
        }
        state_ = next;
        next_piece();
        // Two boundaries within one rounding of time may take turns; a nanosecond leaves them both behind.
        zero_pieces = stands ? zero_pieces + 1 : 0;
        if (zero_pieces > zero_pieces_max) {
            piece_.end = std::max(piece_.end, piece_.begin + 1e-9 + 1e-15 * piece_.begin);
            piece_.ends_at_knot = piece_.ends_at_take_up = false;
        }
    }
}

void CircuitCell::begin_faults() {
    for (std::size_t i = 0; i < parameters_.faults.size(); ++i) {
        const CellFault& fault = parameters_.faults[i];
        if (state_.time >= fault.after_time && state_.taken_up >= start_taken_up_ + fault.after_charge) {
            state_.faults |= 1U << i;
        }
    }
}

CircuitCell::Circuit CircuitCell::circuit() const {
    Circuit now{parameters_.series_resistance, parameters_.contact_resistance, 0.0, 0.0};
    // Above a gigohm there is nothing to be seen in a lifetime, and the answers would lose digits.
    if (parameters_.leakage_resistance <= 1e9) {
        now.leak = 1.0 / parameters_.leakage_resistance;
    }
    for (std::size_t i = 0; i < parameters_.faults.size(); ++i) {
        if ((state_.faults >> i & 1U) == 0U) {
            continue;
        }
        const CellFault& fault = parameters_.faults[i];
        switch (fault.kind) {
            case CellFaultKind::internal_short: now.leak += 1.0 / fault.magnitude; break;
            case CellFaultKind::contact_resistance: now.contact += fault.magnitude; break;
            case CellFaultKind::heat: now.heat += fault.magnitude; break;
        }
    }
    return now;
}

double CircuitCell::place_of_voltage(double voltage) const {
    std::size_t i = segments_.size() - 1;
    while (i > 0 && voltage < segments_[i].voltage) {
        --i;
    }
    return segments_[i].charge + (voltage - segments_[i].voltage) / segments_[i].slope;
}

// What a pristine cell must take up to store as much, the film's share with it.
double CircuitCell::taken_up_for(double stored) const {
    double rest = stored - place_of_voltage(parameters_.pristine_voltage);
    double taken_up = 0.0;
    for (const FilmStage& stage : film_) {
        const double room = (stage.until - taken_up) * (1.0 - stage.share);
        if (rest <= room) {
            return taken_up + rest / (1.0 - stage.share);
        }
        rest -= room;
        taken_up = stage.until;
    }
    return taken_up + rest;
}

// At a knot of the curve the slope ahead counts, and a stage of the film that is over is left.
void CircuitCell::find_place(double electrode_current) {
    if (electrode_current > 0.0) {
        while (state_.segment + 1 < segments_.size() && state_.stored >= segments_[state_.segment + 1].charge) {
            ++state_.segment;
        }
    } else if (electrode_current < 0.0) {
        while (state_.segment > 0 && state_.stored <= segments_[state_.segment].charge) {
            --state_.segment;
        }
    }
    while (state_.film_stage < film_.size() && state_.taken_up >= film_[state_.film_stage].until) {
        ++state_.film_stage;
    }
}

double CircuitCell::open_circuit() const {
    const Segment& segment = segments_[state_.segment];
    return segment.voltage + segment.slope * (state_.stored - segment.charge);
}

double CircuitCell::pair_sum() const {
    double sum = 0.0;
    for (std::size_t j = 0; j < parameters_.pairs.size(); ++j) {
        sum += state_.pair[j];
    }
    return sum;
}

double CircuitCell::kept_share(double electrode_current) const {
    const bool lasting = state_.film_stage >= film_.size();
    return electrode_current > 0.0 && !lasting ? 1.0 - film_[state_.film_stage].share : 1.0;
}

// V/s at the terminals while the current is constant.
double CircuitCell::voltage_slope(const Circuit& circuit, double electrode_current) {
    find_place(electrode_current);
    const double stored_slope = kept_share(electrode_current) * electrode_current / seconds_per_hour;
    double slope = (1.0 - circuit.series * circuit.leak) * segments_[state_.segment].slope * stored_slope;
    for (std::size_t j = 0; j < parameters_.pairs.size(); ++j) {
        const RcPair& pair = parameters_.pairs[j];
        slope += (electrode_current * pair.resistance - state_.pair[j]) / pair.time_constant;
    }
    return slope;
}

CircuitCell::Regime CircuitCell::regime(const Circuit& circuit) {
    if (drive_.low == drive_.high) {
        return Regime::at_high;
    }
    const double source = open_circuit();
    const double base = source * (1.0 - circuit.series * circuit.leak) + pair_sum() - drive_.target;
    const double above_at_high = base + (circuit.series + circuit.contact) * drive_.high;
    const double above_at_low = base + (circuit.series + circuit.contact) * drive_.low;
    if (above_at_high < -voltage_tolerance ||
        (above_at_high <= voltage_tolerance && voltage_slope(circuit, drive_.high - circuit.leak * source) <= 0.0)) {
        return Regime::at_high;
    }
    if (above_at_low > voltage_tolerance ||
        (above_at_low >= -voltage_tolerance && voltage_slope(circuit, drive_.low - circuit.leak * source) >= 0.0)) {
        return Regime::at_low;
    }
    return Regime::regulating;
}

DriveMode CircuitCell::mode(Regime regime) const {
    const bool mirrored = parameters_.reversed;
    switch (drive_.kind) {
        case DriveKind::open: return DriveMode::open;
        case DriveKind::constant: return DriveMode::constant_current;
        case DriveKind::charge:
            if (regime == Regime::at_high) {
                return DriveMode::constant_current;
            }
            return mirrored ? DriveMode::at_floor : DriveMode::at_ceiling;
        case DriveKind::discharge:
            if (regime == Regime::at_low) {
                return DriveMode::constant_current;
            }
            return mirrored ? DriveMode::at_ceiling : DriveMode::at_floor;
        case DriveKind::voltage: break;
    }
    if (regime == Regime::regulating) {
        return DriveMode::constant_voltage;
    }
    return (regime == Regime::at_high) != mirrored ? DriveMode::at_source_limit : DriveMode::at_sink_limit;
}

}  // namespace slowfilm::sim
