// The pieces of the trajectory: what the circuit does at constant current and at constant voltage, and when that ends.
#include "sim/cell/circuit.hpp"
#include "sim/cell/eigen.hpp"

#include <algorithm>
#include <cmath>

namespace slowfilm::sim {

namespace {

constexpr double seconds_per_hour = 3600.0;
constexpr double horizon = 1e9;  // s: a piece in which nothing ever happens is begun anew after thirty years
constexpr double current_tolerance = 1e-12;  // A: nearer to zero than this, the slope tells the direction

}  // namespace

void CircuitCell::next_piece() {
    begin_faults();
    const Circuit now = circuit();
    const Regime way = regime(now);
    piece_ = Piece{};
    piece_.begin = state_.time;
    piece_.reading.mode = mode(way);
    switch (way) {
        case Regime::at_low: current_piece(now, drive_.low); break;
        case Regime::at_high: current_piece(now, drive_.high); break;
        case Regime::regulating: voltage_piece(now); break;
    }
    add_heat(now);
    find_end(way);
}

// At constant current the leak sees the open-circuit voltage move, so the current through the electrodes is one slow
// exponential, and each pair follows it.
void CircuitCell::current_piece(const Circuit& circuit, double current) {
    const double source = open_circuit();
    const double through = current - circuit.leak * source;
    find_place(through);
    piece_.way = through;
    piece_.kept = kept_share(through);
    const double slope = segments_[state_.segment].slope * piece_.kept / seconds_per_hour;  // V/C
    const double slow = circuit.leak * slope;
    Rates& rates = piece_.rates;
    rates.count = 1;
    rates.set(0, slow);
    piece_.electrode[0] = through;
    piece_.leak_constant = current;
    piece_.leak[0] = -through;
    piece_.voltage.slope[0] = (1.0 - circuit.series * circuit.leak) * slope * through;
    for (std::size_t j = 0; j < parameters_.pairs.size(); ++j) {
        const RcPair& pair = parameters_.pairs[j];
        const std::size_t k = rates.count++;
        double rate = 1.0 / pair.time_constant;
        if (rate - slow < 3e-8 * rate && rate - slow > -3e-8 * rate) {
            rate *= 1.0 + 1e-7;  // as apart() does
        }
        rates.set(k, rate);
        const double follows = through * pair.resistance * rate / (rate - slow);
        piece_.pair[j][0] = follows;
        piece_.pair[j][k] = state_.pair[j] - follows;
        piece_.voltage.slope[0] -= slow * follows;
        piece_.voltage.slope[k] = -rate * piece_.pair[j][k];
    }
    piece_.voltage.start =
        source * (1.0 - circuit.series * circuit.leak) + pair_sum() + (circuit.series + circuit.contact) * current;
    piece_.current.start = piece_.reading.current = current;
}

// Where a regulated current through the electrodes goes: its own sign, or at zero that of its slope, which the relaxing
// pairs alone make there.
double CircuitCell::direction(double electrode_current) const {
    if (electrode_current >= current_tolerance || electrode_current <= -current_tolerance) {
        return electrode_current;
    }
    double slope = 0.0;
    for (std::size_t j = 0; j < parameters_.pairs.size(); ++j) {
        slope += state_.pair[j] / parameters_.pairs[j].time_constant;
    }
    return slope;
}

// At constant voltage source and pairs answer one another: x' = -(L + d 1^T) x with x = (source to its target, pairs),
// which is symmetric once each is divided by sqrt(d).
void CircuitCell::voltage_piece(const Circuit& circuit) {
    const double resistance = circuit.series + circuit.contact;
    const double loading = 1.0 + circuit.contact * circuit.leak;
    const double source = open_circuit();
    const double through = (drive_.target - loading * source - pair_sum()) / resistance;
    const double way = direction(through);
    find_place(way);
    piece_.way = way;
    piece_.kept = kept_share(way);
    const std::size_t count = parameters_.pairs.size() + 1;
    Coefficients scale{};
    Coefficients offset{};
    Eigen<rates_max> eigen(count);
    scale[0] = std::sqrt(loading * segments_[state_.segment].slope * piece_.kept / seconds_per_hour / resistance);
    offset[0] = (loading * source - drive_.target) / scale[0];
    for (std::size_t j = 0; j + 1 < count; ++j) {
        const RcPair& pair = parameters_.pairs[j];
        scale[j + 1] = std::sqrt(pair.resistance / pair.time_constant / resistance);
        offset[j + 1] = state_.pair[j] / scale[j + 1];
        eigen.matrix[j + 1][j + 1] = 1.0 / pair.time_constant;
    }
    for (std::size_t a = 0; a < count; ++a) {
        for (std::size_t b = 0; b < count; ++b) {
            eigen.matrix[a][b] += scale[a] * scale[b];
        }
    }
    eigen.solve();
    Rates& rates = piece_.rates;
    rates.count = count;
    for (std::size_t k = 0; k < count; ++k) {
        rates.set(k, std::max(eigen.matrix[k][k], 0.0));
        double amount = 0.0;
        for (std::size_t a = 0; a < count; ++a) {
            amount += eigen.vectors[a][k] * offset[a];
        }
        double sum = 0.0;
        for (std::size_t a = 0; a < count; ++a) {
            const double part = amount * eigen.vectors[a][k] * scale[a];
            sum += part;
            if (a == 0) {
                piece_.leak[k] = circuit.leak * part / loading;
            } else {
                piece_.pair[a - 1][k] = part;
            }
        }
        piece_.electrode[k] = -sum / resistance;
        piece_.current.slope[k] = -rates.rate[k] * (piece_.electrode[k] + piece_.leak[k]);
    }
    piece_.leak_constant = circuit.leak * drive_.target / loading;
    piece_.current.start = through + circuit.leak * source;
    piece_.current_varies = true;
    piece_.voltage.start = drive_.target;
}

void CircuitCell::add_heat(const Circuit& circuit) {
    const Rates& rates = piece_.rates;
    Quadratic power;
    power.constant = circuit.heat;
    power.add_square(rates.count, circuit.series, 0.0, piece_.electrode);
    Coefficients terminals{};
    for (std::size_t k = 0; k < rates.count; ++k) {
        terminals[k] = piece_.electrode[k] + piece_.leak[k];
    }
    power.add_square(rates.count, circuit.contact, piece_.leak_constant, terminals);
    for (std::size_t j = 0; j < parameters_.pairs.size(); ++j) {
        power.add_square(rates.count, 1.0 / parameters_.pairs[j].resistance, 0.0, piece_.pair[j]);
    }
    if (circuit.leak > 0.0) {
        power.add_square(rates.count, 1.0 / circuit.leak, piece_.leak_constant, piece_.leak);
    }
    piece_.thermal_rate = apart(rates, parameters_.cooling / parameters_.heat_capacity);
    piece_.temperature = power.lagged(rates, piece_.thermal_rate, 1.0 / parameters_.heat_capacity);
    piece_.temperature.constant += state_.ambient;
    Coefficients ones;
    ones.fill(1.0);
    piece_.thermal_decay = state_.temperature - piece_.temperature.at(rates.count, ones);
}

void CircuitCell::find_end(Regime regime) {
    double fault_begins = piece_.begin + horizon;
    for (const CellFault& fault : parameters_.faults) {
        if (fault.after_time > piece_.begin) {
            fault_begins = std::min(fault_begins, fault.after_time);
        }
    }
    double length = fault_begins - piece_.begin;
    if (regime == Regime::regulating) {
        length = direction_changes(length);
    }
    length = charge_boundary(length);
    double end = length;
    if (drive_.low < drive_.high) {
        switch (regime) {
            case Regime::at_high: end = first_rise(piece_.rates, piece_.voltage, drive_.target, end); break;
            case Regime::at_low: end = first_fall(piece_.rates, piece_.voltage, drive_.target, end); break;
            case Regime::regulating:
                end = first_rise(piece_.rates, piece_.current, drive_.high, end);
                end = first_fall(piece_.rates, piece_.current, drive_.low, end);
                break;
        }
    }
    if (end < length) {
        piece_.ends_at_knot = piece_.ends_at_take_up = false;
    }
    piece_.end = end < fault_begins - piece_.begin ? std::min(piece_.begin + end, fault_begins) : fault_begins;
}

// The share that the film keeps changes with the direction of the current through the electrodes.
double CircuitCell::direction_changes(double end) const {
    ExponentialSum through;
    for (std::size_t k = 0; k < piece_.rates.count; ++k) {
        through.start += piece_.electrode[k];
        through.slope[k] = -piece_.rates.rate[k] * piece_.electrode[k];
    }
    if (piece_.way > 0.0) {
        return first_fall(piece_.rates, through, 0.0, end);
    }
    return piece_.way < 0.0 ? first_rise(piece_.rates, through, 0.0, end) : end;
}

// The time of the first knot of the curve, end of a film stage or charge at which a fault begins, before `end`. The
// current through the electrodes keeps its direction all through it, so the charge is monotone.
double CircuitCell::charge_boundary(double end) {
    ExponentialSum moved{0.0, piece_.electrode};  // As
    if (piece_.way == 0.0) {
        return end;
    }
    const bool charging = piece_.way > 0.0;
    const double way = charging ? 1.0 : -1.0;
    for (double& slope : moved.slope) {
        slope *= way;
    }
    double nearest = moved.at(piece_.rates, end);
    const auto consider = [&](double ampere_hours) {
        const double reach = std::max(ampere_hours, 0.0) * seconds_per_hour;
        const bool first = reach < nearest;
        nearest = first ? reach : nearest;
        return first;
    };
    const bool has_knot = charging ? state_.segment + 1 < segments_.size() : state_.segment > 0;
    if (has_knot) {
        piece_.knot = segments_[state_.segment + (charging ? 1 : 0)].charge;
        piece_.ends_at_knot = consider((piece_.knot - state_.stored) * way / piece_.kept);
    }
    if (charging) {
        const auto boundary = [&](double taken_up) {
            if (taken_up > state_.taken_up && consider(taken_up - state_.taken_up)) {
                piece_.ends_at_knot = false;
                piece_.ends_at_take_up = true;
                piece_.take_up = taken_up;
            }
        };
        if (state_.film_stage < film_.size()) {
            boundary(film_[state_.film_stage].until);
        }
        for (const CellFault& fault : parameters_.faults) {
            boundary(start_taken_up_ + fault.after_charge);
        }
    }
    return piece_.ends_at_knot || piece_.ends_at_take_up ? first_rise(piece_.rates, moved, nearest, end) : end;
}

CircuitCell::State CircuitCell::state_at(double t) const {
    const double dt = t - piece_.begin;
    State state = state_;
    state.time = t;
    Coefficients decay{};
    double moved = 0.0;  // As through the electrodes
    double leaked = piece_.leak_constant * dt;
    for (std::size_t k = 0; k < piece_.rates.count; ++k) {
        const double basis = piece_.rates.basis(k, dt);
        decay[k] = 1.0 - piece_.rates.rate[k] * basis;
        moved += piece_.electrode[k] * basis;
        leaked += piece_.leak[k] * basis;
        for (std::size_t j = 0; j < parameters_.pairs.size(); ++j) {
            state.pair[j] -= piece_.pair[j][k] * piece_.rates.rate[k] * basis;
        }
    }
    state.stored += piece_.kept * moved / seconds_per_hour;
    state.taken_up += std::max(moved, 0.0) / seconds_per_hour;
    state.film += (1.0 - piece_.kept) * moved / seconds_per_hour;
    state.leak += leaked / seconds_per_hour;
    state.input += (moved + leaked) / seconds_per_hour;
    state.temperature = piece_.temperature.at(piece_.rates.count, decay) +
                        piece_.thermal_decay * elementary::exp(-piece_.thermal_rate * dt);
    return state;
}

}  // namespace slowfilm::sim
