#include "sim/cell/particle.hpp"

#include "daemon/core/ensure.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

namespace slowfilm::sim {

namespace {

constexpr double ampere_seconds = 1.0 / 3600.0;  // Ah per As
constexpr double voltage_tolerance = 1e-7;       // V: nearer than this to its target, a regulator has reached it

// A cell that has been formed is wet all through.
ParticleParameters loaded(ParticleParameters parameters, CellState state) {
    parameters.wetted = state == CellState::formed ? 1.0 : parameters.wetted;
    return parameters;
}

}  // namespace

ParticleCell::ParticleCell(const ParticleParameters& parameters, CellState state, ParticleTolerance tolerance)
    : ParticleCell(parameters, state, particle_modes(parameters), tolerance) {}

ParticleCell::ParticleCell(const ParticleParameters& parameters, CellState state, const ParticleModes& modes,
                           ParticleTolerance tolerance)
    : ParticleCell(ParticleEquations(loaded(parameters, state), modes), state, tolerance) {}

ParticleCell::ParticleCell(ParticleEquations equations, CellState state, ParticleTolerance tolerance)
    : equations_(std::move(equations)), tolerance_(tolerance), ambient_(equations_.parameters().ambient) {
    ENSURE(check(equations_.parameters()).has_value());
    now_.y = equations_.start(state, now_.opened);
    now_.algebra.graphite = now_.y[unknown::graphite];
    start_film_ = now_.y[unknown::film];
    anchor_ = now_;
    begin(0.0, Drive{});
}

void ParticleCell::open(double t) {
    begin(t, Drive{});
}

// Backwards in the fixture, what charges at the terminals discharges the cell: currents and voltages change their
// signs, and each bound its place.
void ParticleCell::drive(double t, const CurrentDrive& drive) {
    const bool reversed = equations_.parameters().reversed;
    const double current = reversed ? -drive.current : drive.current;
    if (current == 0.0) {
        begin(t, {.kind = DriveKind::constant});
    } else if (current > 0.0) {
        begin(t, {.kind = DriveKind::charge, .target = reversed ? -drive.floor : drive.ceiling, .high = current});
    } else {
        begin(t, {.kind = DriveKind::discharge, .target = reversed ? -drive.ceiling : drive.floor, .low = current});
    }
}

void ParticleCell::drive(double t, const VoltageDrive& drive) {
    if (equations_.parameters().reversed) {
        begin(t, {DriveKind::voltage, -drive.voltage, -drive.source_max, drive.sink_max});
    } else {
        begin(t, {DriveKind::voltage, drive.voltage, -drive.sink_max, drive.source_max});
    }
}

void ParticleCell::ambient(double t, double celsius) {
    go_to(t);
    ambient_ = celsius;
    begin(t, drive_);
}

CellReading ParticleCell::at(double t) {
    if (t > step_.to.time || t < step_.from.time) {
        go_to(t);
    }
    asked_ = t;
    const double x = (t - step_.from.time) * step_.per_second;
    CellReading reading{step_.voltage.at(x), step_.current.at(x), step_.temperature.at(x) - zero_celsius, step_.mode};
    if (equations_.parameters().reversed) {
        reading.voltage = -reading.voltage;
        reading.current = -reading.current;
    }
    return reading;
}

// Steps until the present one holds t, from the last drive anew if t lies before it.
void ParticleCell::go_to(double t) {
    if (t < step_.from.time) {
        now_ = anchor_;
        regime_ = anchor_regime_;
        at_event_ = false;
        h_ = tolerance_.first_step;
        settle();
    }
    while (t > step_.to.time) {
        next_step();
    }
}

// Ends the present step at t and begins anew from there.
void ParticleCell::begin(double t, const Drive& drive) {
    go_to(t);
    if (t < step_.to.time && t > step_.from.time) {
        Moment to;
        now_ = step_.from;
        regime_ = step_.regime;
        if (attempt(t - now_.time, to)) {
            now_ = to;
        } else {
            // Never seen: a step that was good over more time. What it came to at t stands then.
            for (std::size_t i = 0; i < equations_.unknowns(); ++i) {
                now_.y[i] = value_at(i, t);
            }
        }
    } else if (t == step_.from.time && step_.to.time > t) {
        now_ = step_.from;
    }
    now_.time = t;
    at_event_ = false;
    drive_ = drive;
    asked_ = t;
    h_ = tolerance_.first_step;
    change_regime();
    anchor_ = now_;
    anchor_regime_ = regime_;
    settle();
}

// Which of its three ways the regulator takes, from what the cell shows at either end of its range.
void ParticleCell::change_regime() {
    regime_ = Regime::at_high;
    begin_faults();
    if (drive_.low == drive_.high) {
        return;
    }
    const auto shown = [&](double current) {
        Algebra found = now_.algebra;
        found.electrodes = current;
        const bool solved = equations_.solve({now_.y, 0.0, now_.time, now_.y[unknown::temperature]}, {false, current},
                                             around(now_), found);
        return solved ? found.voltage : drive_.target;
    };
    if (shown(drive_.high) < drive_.target - voltage_tolerance) {
        regime_ = Regime::at_high;
    } else if (shown(drive_.low) > drive_.target + voltage_tolerance) {
        regime_ = Regime::at_low;
    } else {
        regime_ = Regime::regulating;
    }
}

Terminals ParticleCell::terminals() const {
    switch (regime_) {
        case Regime::at_low: return {false, drive_.low};
        case Regime::at_high: return {false, drive_.high};
        case Regime::regulating: return {true, drive_.target};
    }
    return {};
}

DriveMode ParticleCell::mode() const {
    const bool mirrored = equations_.parameters().reversed;
    switch (drive_.kind) {
        case DriveKind::open: return DriveMode::open;
        case DriveKind::constant: return DriveMode::constant_current;
        case DriveKind::charge:
            if (regime_ == Regime::at_high) {
                return DriveMode::constant_current;
            }
            return mirrored ? DriveMode::at_floor : DriveMode::at_ceiling;
        case DriveKind::discharge:
            if (regime_ == Regime::at_low) {
                return DriveMode::constant_current;
            }
            return mirrored ? DriveMode::at_ceiling : DriveMode::at_floor;
        case DriveKind::voltage: break;
    }
    if (regime_ == Regime::regulating) {
        return DriveMode::constant_voltage;
    }
    return (regime_ == Regime::at_high) != mirrored ? DriveMode::at_source_limit : DriveMode::at_sink_limit;
}

Surroundings ParticleCell::around(const Moment& moment) const {
    const ParticleParameters& p = equations_.parameters();
    Surroundings now;
    now.contact = p.contact_resistance;
    now.leak = p.leakage_resistance <= 1e9 ? 1.0 / p.leakage_resistance : 0.0;
    now.ambient = ambient_ + zero_celsius;
    now.opened = moment.opened;
    for (std::size_t i = 0; i < p.faults.size(); ++i) {
        if ((moment.faults >> i & 1U) == 0U) {
            continue;
        }
        switch (p.faults[i].kind) {
            case CellFaultKind::internal_short: now.leak += 1.0 / p.faults[i].magnitude; break;
            case CellFaultKind::contact_resistance: now.contact += p.faults[i].magnitude; break;
            case CellFaultKind::heat: now.heat += p.faults[i].magnitude; break;
        }
    }
    return now;
}

void ParticleCell::begin_faults() {
    constexpr double near = 1e-7;  // s and Ah: a step that was made to end there has
    const auto& faults = equations_.parameters().faults;
    for (std::size_t i = 0; i < faults.size(); ++i) {
        if (now_.time >= faults[i].after_time - near &&
            now_.charged * ampere_seconds >= faults[i].after_charge - near) {
            now_.faults |= 1U << i;
        }
    }
}

// The next time at which one may begin: its own, or that at which its charge has passed if the current stays.
double ParticleCell::next_fault() const {
    double next = 1e300;
    const auto& faults = equations_.parameters().faults;
    for (std::size_t i = 0; i < faults.size(); ++i) {
        if ((now_.faults >> i & 1U) != 0U) {
            continue;
        }
        if (faults[i].after_time > now_.time) {
            next = std::min(next, faults[i].after_time);
        }
        const double missing = faults[i].after_charge / ampere_seconds - now_.charged;
        if (missing > 0.0 && now_.algebra.current > 0.0) {
            next = std::min(next, now_.time + std::max(missing / now_.algebra.current, 1e-3));
        }
    }
    return next;
}

double ParticleCell::value_at(std::size_t unknown, double t) const {
    const double h = step_.to.time - step_.from.time;
    if (!(h > 0.0)) {
        return step_.to.y[unknown];
    }
    const double x = (t - step_.from.time) / h;
    const double a = step_.from.y[unknown];
    const double b = step_.to.y[unknown];
    const double p = step_.from.rate[unknown] * h;
    const double q = step_.to.rate[unknown] * h;
    return a + x * (p + x * (3.0 * (b - a) - 2.0 * p - q + x * (2.0 * (a - b) + p + q)));
}

double ParticleCell::charge() const {
    return (equations_.parameters().reversed ? -ampere_seconds : ampere_seconds) * value_at(unknown::input, asked_);
}

std::optional<double> ParticleCell::first_cycle_efficiency() const {
    ParticleCell cell(equations_.sound(), CellState::pristine, tolerance_);
    const ParticleParameters& sound = cell.equations_.parameters();
    const double rate = sound.capacity / 10.0;
    constexpr double rest = 600.0;  // s
    constexpr double most = 2e5;    // s of either leg
    // Between looks: where the current is constant and the voltage far from its end, nothing ends.
    const auto look = [](const CellReading& now, double end) {
        return now.mode == DriveMode::constant_current && std::abs(now.voltage - end) > 0.1 ? 10.0 : 1.0;
    };
    double t = 0.0;
    cell.drive(t, CurrentDrive{rate, sound.voltage_max, 0.0});
    for (CellReading now = cell.at(t); now.mode == DriveMode::constant_current || now.current > rate / 5.0;
         now = cell.at(t)) {
        t += look(now, sound.voltage_max);
        if (t > most) {
            return std::nullopt;
        }
    }
    const double in = cell.charge();
    cell.open(t);
    t += rest;
    cell.drive(t, CurrentDrive{-rate, sound.voltage_max + 1.0, sound.voltage_min});
    const double begin = t;
    for (CellReading now = cell.at(t); now.mode == DriveMode::constant_current; now = cell.at(t)) {
        t += look(now, sound.voltage_min);
        if (t > begin + most) {
            return std::nullopt;
        }
    }
    return (in - cell.charge()) / in;
}

ParticleReport ParticleCell::report() const {
    ParticleState y{};
    for (std::size_t i = 0; i < equations_.unknowns(); ++i) {
        y[i] = value_at(i, asked_);
    }
    ParticleReport report;
    report.film_charge = (y[unknown::film] - start_film_) * ampere_seconds;
    report.film_thickness = equations_.film_thickness(y, asked_, step_.from.opened);
    report.lowest_graphite = step_.to.lowest_graphite;
    report.plated = y[unknown::plated] * ampere_seconds;
    report.dead = y[unknown::dead] * ampere_seconds;
    report.leaked = y[unknown::leaked] * ampere_seconds;
    report.negative = y[unknown::negative];
    report.positive = y[unknown::positive];
    report.temperature = y[unknown::temperature] - zero_celsius;
    report.lithium = equations_.lithium(y) * ampere_seconds;
    return report;
}

}  // namespace slowfilm::sim
