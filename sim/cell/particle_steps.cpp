// The steps of the trajectory: how long, how good, and where they must end.
#include "sim/cell/elementary.hpp"
#include "sim/cell/esdirk.hpp"
#include "sim/cell/particle.hpp"

#include <algorithm>
#include <cmath>
#include <span>

namespace slowfilm::sim {

namespace {

constexpr double shortest = 1e-7;    // s: a step this short is taken as it is
constexpr double longest = 86400.0;  // s
constexpr double grow_most = 6.0;
constexpr double at_once = 1e-3;     // s: an event so soon after the begin is the begin's own
constexpr double kelvin_off = 1e-3;  // a stage whose temperature was guessed worse than this is done again

double size(double x) {
    return x < 0.0 ? -x : x;
}

// sum = weights[0] k[0] + weights[1] k[1] + ..., by pointers: an array's own check of each index costs as much.
void sum_stages(std::size_t unknowns, std::span<const double> weights,
                const std::array<ParticleState, esdirk::stages>& k, ParticleState& sum) {
    for (std::size_t u = 0; u < unknowns; ++u) {
        sum.data()[u] = weights[0] * k[0].data()[u];
    }
    for (std::size_t j = 1; j < weights.size(); ++j) {
        const double weight = weights[j];
        for (std::size_t u = 0; u < unknowns; ++u) {
            sum.data()[u] += weight * k[j].data()[u];
        }
    }
}

}  // namespace

void ParticleCell::Quartic::through(const std::array<double, 5>& v) {
    const double d1 = v[1] - v[0];
    const double d2 = v[2] - 2.0 * v[1] + v[0];
    const double d3 = v[3] - 3.0 * v[2] + 3.0 * v[1] - v[0];
    const double d4 = v[4] - 4.0 * v[3] + 6.0 * v[2] - 4.0 * v[1] + v[0];
    c[0] = v[0];
    c[1] = 4.0 * (d1 - d2 / 2.0 + d3 / 3.0 - d4 / 4.0);
    c[2] = 16.0 * (d2 / 2.0 - d3 / 2.0 + d4 * (11.0 / 24.0));
    c[3] = 64.0 * (d3 / 6.0 - d4 / 4.0);
    c[4] = 256.0 * (d4 / 24.0);
}

// The algebra and the rates at now_, after something has changed at once; the step that held it is over.
void ParticleCell::settle() {
    begin_faults();
    Algebra found = now_.algebra;
    ParticleState same;
    const Terminals held = terminals();
    if (!held.voltage_held) {
        found.electrodes = held.value;
    }
    if (equations_.solve({now_.y, 0.0, now_.time, now_.y[unknown::temperature]}, held, around(now_), found, same,
                         now_.rate)) {
        now_.algebra = found;
        now_.y[unknown::graphite] = found.graphite;
    }
    now_.lowest_graphite = std::min(now_.lowest_graphite, now_.algebra.graphite);
    step_.from = step_.to = now_;
    step_.per_second = 0.0;
    step_.regime = regime_;
    step_.mode = mode();
    step_.voltage.constant(now_.algebra.voltage);
    step_.current.constant(now_.algebra.current);
    step_.temperature.constant(now_.y[unknown::temperature]);
}

// One step from now_ of length h; k_[0] is known. False when a stage has no solution.
bool ParticleCell::attempt(double h, Moment& to) {
    const Terminals held = terminals();
    const Surroundings outside = around(now_);
    const double g = esdirk::diagonal * h;
    const std::size_t unknowns = equations_.unknowns();
    const double cooling = equations_.parameters().cooling / equations_.parameters().heat_capacity;
    Algebra found = now_.algebra;
    k_[0] = now_.rate;
    ParticleState base;
    ParticleState y;
    for (std::size_t i = 1; i < esdirk::stages; ++i) {
        sum_stages(unknowns, {esdirk::a[i].data(), i}, k_, base);
        for (std::size_t u = 0; u < unknowns; ++u) {
            base.data()[u] = now_.y.data()[u] + h * base.data()[u];
        }
        const double time = now_.time + esdirk::time[i] * h;
        // As if the heat were that of the stage before: only the cooling is stiff.
        const double warmth = i == 1 ? now_.y[unknown::temperature] : y[unknown::temperature];
        double temperature = (base[unknown::temperature] + g * (k_[i - 1][unknown::temperature] + cooling * warmth)) /
                             (1.0 + g * cooling);
        temperature = std::clamp(temperature, 150.0, 3000.0);
        for (int round = 0; round < 4; ++round) {
            if (!equations_.solve({base, g, time, temperature}, held, outside, found, y, k_[i])) {
                return false;
            }
            const double off = size(y[unknown::temperature] - temperature);
            temperature = std::clamp(y[unknown::temperature], 150.0, 3000.0);
            if (off < kelvin_off) {
                break;
            }
        }
    }
    double whole = found.voltage * 0.0;
    for (std::size_t u = 0; u < unknowns; ++u) {
        whole += y.data()[u] * 0.0;
    }
    if (whole != 0.0) {
        return false;  // something has become infinite, or no number
    }
    to.time = now_.time + h;
    to.y = y;
    to.rate = k_[esdirk::stages - 1];
    to.algebra = found;
    to.opened = std::max(now_.opened, equations_.wet_graphite(y, to.time));
    to.faults = now_.faults;
    to.charged = now_.charged + std::max(y[unknown::input] - now_.y[unknown::input], 0.0);
    to.lowest_graphite = std::min(now_.lowest_graphite, found.graphite);
    return true;
}

// Of the step, in tolerances: the embedded method's difference, weighed by what each unknown does to the voltage. Fast
// modes are damped as the implicit step damps them, or the explicit difference would make much of what is nothing.
double ParticleCell::step_error(double h, const Moment& to) const {
    ParticleState off;
    const std::size_t unknowns = equations_.unknowns();
    sum_stages(unknowns, esdirk::difference, k_, off);
    for (std::size_t u = 0; u < unknowns; ++u) {
        off.data()[u] *= h;
    }
    const double g = esdirk::diagonal * h;
    const SphereModes& sphere = equations_.modes().sphere;
    const double wet = equations_.wetted(to.time);
    const auto surface = [&](std::size_t mean, std::size_t first, double diffusion) {
        double sum = off[mean] / wet;
        for (std::size_t k = 0; k < sphere.count; ++k) {
            sum += off.data()[first + k] / (1.0 + g * diffusion * sphere.decay.data()[k]);
        }
        return sum;
    };
    const Algebra& end = to.algebra;
    const Algebra& start = now_.algebra;
    const ParticleEquations::Diffusion diffusion = equations_.diffusion(to.y[unknown::temperature]);
    const ElectrolyteModes& modes = equations_.modes().salt;
    double salt = 0.0;
    for (std::size_t m = 0; m < modes.count; ++m) {
        salt += (modes.positive.share[m] - modes.negative.share[m]) * off[equations_.salt_modes() + m] /
                (1.0 + g * modes.decay[m]);
    }
    const double by_negative = std::max(size(end.by_negative), size(start.by_negative) * 0.1);
    const double negative = surface(unknown::negative, unknown::modes, diffusion.negative);
    const double positive = surface(unknown::positive, equations_.positive_modes(), diffusion.positive);
    double voltage = by_negative * size(negative) + size(end.by_positive * positive) + size(end.by_salt * salt) +
                     size(end.by_film * off[unknown::film]);
    if (equations_.has_double_layer()) {
        voltage += size(off[unknown::graphite]);
    }
    const double film = size(off[unknown::film]) / (size(to.y[unknown::film]) + 1.0);
    return std::max({voltage / tolerance_.voltage, film / tolerance_.film,
                     size(off[unknown::temperature]) / tolerance_.temperature});
}

// Lays the quartics through the step and says how far they bend, in tolerances. Between the ends the state comes from
// the cubic of both ends and their rates; fast modes would be far off that way, so it enters as the base of an implicit
// step that ends there with the cubic's own rate.
double ParticleCell::interpolate(Step& step) {
    const double h = step.to.time - step.from.time;
    const double g = esdirk::diagonal * h;
    const Terminals held = terminals();
    Algebra found = step.from.algebra;
    step.per_second = 1.0 / h;
    step.regime = regime_;
    step.mode = mode();
    std::array<double, 5> voltage{found.voltage, 0.0, 0.0, 0.0, step.to.algebra.voltage};
    std::array<double, 5> current{found.current, 0.0, 0.0, 0.0, step.to.algebra.current};
    std::array<double, 5> temperature{step.from.y[unknown::temperature], 0.0, 0.0, 0.0,
                                      step.to.y[unknown::temperature]};
    ParticleState base;
    const std::size_t unknowns = equations_.unknowns();
    double resistance = 0.0;
    for (std::size_t i = 1; i < 4; ++i) {
        const double x = 0.25 * static_cast<double>(i);
        const double rise = x * x * (3.0 - 2.0 * x);
        const double first = x * (1.0 - x) * (1.0 - x);
        const double last = -x * x * (1.0 - x);
        const double rise_rate = 6.0 * x * (1.0 - x);
        const double first_rate = (1.0 - x) * (1.0 - 3.0 * x);
        const double last_rate = x * (3.0 * x - 2.0);
        const double* const from = step.from.y.data();
        for (std::size_t u = 0; u < unknowns; ++u) {
            const double change = step.to.y.data()[u] - from[u];
            const double p = h * step.from.rate.data()[u];
            const double q = h * step.to.rate.data()[u];
            base.data()[u] = from[u] + rise * change + first * p + last * q -
                             esdirk::diagonal * (rise_rate * change + first_rate * p + last_rate * q);
        }
        temperature[i] =
            base[unknown::temperature] + esdirk::diagonal * (rise_rate * (temperature[4] - temperature[0]) +
                                                             h * (first_rate * step.from.rate[unknown::temperature] +
                                                                  last_rate * step.to.rate[unknown::temperature]));
        const double guess = found.graphite;
        found.graphite += (step.to.algebra.graphite - guess) / static_cast<double>(5 - i);
        if (!equations_.solve({base, g, step.from.time + x * h, std::clamp(temperature[i], 150.0, 3000.0)}, held,
                              around(step.from), found)) {
            // Only a step that cannot be shorter is taken nevertheless: a straight line then.
            step.voltage.straight(voltage[0], voltage[4]);
            step.current.straight(current[0], current[4]);
            step.temperature.straight(temperature[0], temperature[4]);
            return 1e3;
        }
        voltage[i] = found.voltage;
        current[i] = found.current;
        resistance = found.resistance;
        step.to.lowest_graphite = std::min(step.to.lowest_graphite, found.graphite);
    }
    step.voltage.through(voltage);
    step.current.through(current);
    step.temperature.through(temperature);
    // A current is found to a millionth of the capacity and no better, whatever resistance it meets.
    const double bend = size(step.current.bend());
    const double current_shown = bend > 1e-6 * equations_.parameters().capacity ? bend * resistance : 0.0;
    const double shown = std::max(size(step.voltage.bend()), current_shown);
    return std::max(shown / tolerance_.between, size(step.temperature.bend()) / tolerance_.temperature);
}

// How far the regulator is from changing its way: below zero while it keeps it.
double ParticleCell::distance(const Algebra& algebra) const {
    if (drive_.low == drive_.high) {
        return -1.0;
    }
    switch (regime_) {
        case Regime::at_high: return algebra.voltage - drive_.target;
        case Regime::at_low: return drive_.target - algebra.voltage;
        case Regime::regulating: return std::max(algebra.current - drive_.high, drive_.low - algebra.current);
    }
    return -1.0;
}

// The first time from the step's begin, s, at which the regulator changes its way; its whole length if it does not.
double ParticleCell::event_within(const Step& step) const {
    const double h = step.to.time - step.from.time;
    const auto off = [&](double x) {
        Algebra there;
        there.voltage = step.voltage.at(x);
        there.current = step.current.at(x);
        return distance(there);
    };
    constexpr int looks = 8;
    double before = 0.0;
    for (int i = 1; i <= looks; ++i) {
        double after = static_cast<double>(i) / looks;
        const bool there = i == looks ? distance(step.to.algebra) > 0.0 : off(after) > 0.0;
        if (there) {
            for (int round = 0; round < 50; ++round) {
                const double middle = 0.5 * (before + after);
                (off(middle) > 0.0 ? after : before) = middle;
            }
            return after * h;
        }
        before = after;
    }
    return h;
}

// Steps anew to the event, until the state itself and no interpolant says that it is there. False when it isn't: then
// the step ends where the interpolant was wrong, and all goes on.
bool ParticleCell::finish_at_event(Step& step, double h) {
    double low = 0.0;
    double high = step.to.time - step.from.time;
    for (int round = 0; round < 12; ++round) {
        Moment to;
        h = std::clamp(h, shortest, high);
        if (!attempt(h, to)) {
            high = h;
            h = 0.5 * (low + high);
            continue;
        }
        step.to = to;
        const double off = distance(to.algebra);
        const double fine = regime_ == Regime::regulating ? 1e-9 * equations_.parameters().capacity : 1e-8;
        if (size(off) <= fine || high - low <= shortest) {
            break;
        }
        (off > 0.0 ? high : low) = h;
        double slope = step.voltage.slope(h * step.per_second) * step.per_second;
        if (regime_ == Regime::at_low) {
            slope = -slope;
        } else if (regime_ == Regime::regulating) {
            slope = step.current.slope(h * step.per_second) * step.per_second;
            slope = to.algebra.current > 0.5 * (drive_.high + drive_.low) ? slope : -slope;
        }
        const double next = slope > 0.0 ? h - off / slope : -1.0;
        h = next > low && next < high ? next : 0.5 * (low + high);
    }
    (void)interpolate(step);
    if (distance(step.to.algebra) < -noise()) {
        return false;
    }
    leave_regime(step.to.algebra);
    return true;
}

// So far, in V or A, a regulator may be from its bound by rounding alone: a microvolt, or the current that makes one.
double ParticleCell::noise() const {
    constexpr double microvolt = 1e-6;
    return regime_ == Regime::regulating ? microvolt / now_.algebra.resistance : microvolt;
}

// To the neighbour on the side on which the regulator went beyond the present one.
void ParticleCell::leave_regime(const Algebra& algebra) {
    if (regime_ == Regime::regulating) {
        const bool at_top = algebra.current > 0.5 * (drive_.high + drive_.low);
        regime_ = at_top ? Regime::at_high : Regime::at_low;
    } else {
        regime_ = Regime::regulating;
    }
}

// However odd the cell, the clock goes on: once more steps have been taken than any real cell wants, each is longer.
double ParticleCell::least_step() const {
    const double least = shortest + 1e-15 * now_.time;
    const double excess = static_cast<double>(steps_) - (2000.0 + 4.0 * now_.time);
    return excess > 0.0 ? least * elementary::exp(std::min(excess * (1.0 / 64.0), 25.0)) : least;
}

void ParticleCell::next_step() {
    now_ = step_.to;
    if (at_event_) {
        h_ = tolerance_.first_step;
        settle();  // after an event: the other way begins
        now_ = step_.to;
    }
    begin_faults();
    if (now_.faults != step_.to.faults) {
        h_ = tolerance_.first_step;
        settle();
        now_ = step_.to;
    }
    Step step = accepted_step();
    if (runs_on_beyond(step)) {
        // An event is where it was found but for rounding, so what begins there may begin a hair on the wrong side.
        leave_regime(now_.algebra);
        h_ = tolerance_.first_step;
        settle();
        now_ = step_.to;
        step = accepted_step();
    }
    const bool began_beyond = distance(now_.algebra) > 0.0;
    const double event = event_within(step);
    at_event_ = false;
    if (event < step.to.time - step.from.time || distance(step.to.algebra) > 0.0) {
        if (!began_beyond || event > at_once) {
            at_event_ = finish_at_event(step, event);
        }
    }
    step_ = step;
}

// That the regulator is beyond its way from the step's very begin, and stays so: by more than rounding, or ever
// further.
bool ParticleCell::runs_on_beyond(const Step& step) const {
    const double began = distance(now_.algebra);
    const bool far = began > noise() || distance(step.to.algebra) > began + noise();
    return began > 0.0 && far && event_within(step) <= at_once;
}

// From now_, as long as the tolerance allows.
ParticleCell::Step ParticleCell::accepted_step() {
    Step step;
    step.from = now_;
    double h = std::min({h_, longest, next_fault() - now_.time});
    const double shortest_now = least_step();
    h = std::max(h, shortest_now);
    for (;;) {
        const bool least = h <= 4.0 * shortest_now;
        if (attempt(h, step.to)) {
            double error = step_error(h, step.to);
            if (error <= 1.0 || least) {
                error = std::max(error, interpolate(step));
            }
            if (error <= 1.0 || least) {
                const double factor = error > 0.0 ? 0.9 / std::sqrt(std::sqrt(error)) : grow_most;
                h_ = h * std::clamp(factor, 0.2, grow_most);
                break;
            }
            h *= error < 1e6 ? std::clamp(0.9 / std::sqrt(std::sqrt(error)), 0.1, 0.9) : 0.1;
        } else if (least) {
            step.to = now_;  // nothing can be found: time passes, the state stands
            step.to.time = now_.time + h;
            (void)interpolate(step);
            break;
        } else {
            h *= 0.2;
        }
        h = std::max(h, shortest_now);
        ++rejected_;
    }
    ++steps_;
    return step;
}

}  // namespace slowfilm::sim
