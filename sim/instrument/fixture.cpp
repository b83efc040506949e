#include "sim/instrument/fixture.hpp"

#include "daemon/core/ensure.hpp"

#include <algorithm>
#include <utility>

namespace slowfilm::sim::instrument {

namespace {

constexpr double nowhere = 50.0;        // V: a target beyond this is never reached, so that a current flows
constexpr double short_least = 0.01;    // ohm
constexpr double short_change = 1e-3;   // of the short's current: what is followed
constexpr double short_damping = 0.5;   // the cell's own resistance is in the way: half of each correction converges
constexpr double current_least = 1e-9;  // A: as good as at its bound
constexpr double held_within = 1e-5;    // V: as good as at its target
constexpr double flows = 2e-3;          // A: more than an output leaks that is off
constexpr int settle_most = 4;

double held(const Regulator& regulator, double voltage) {
    return voltage < regulator.target ? regulator.source : voltage > regulator.target ? -regulator.sink : 0.0;
}

}  // namespace

// --- The fixture -----------------------------------------------------------------------------------------------------

Fixture::Fixture(std::unique_ptr<Cell> cell, double ambient) : cell_(std::move(cell)), ambient_(ambient) {
    ENSURE(cell_ != nullptr);
}

std::size_t Fixture::connect() {
    regulators_.emplace_back();
    return regulators_.size() - 1;
}

double Fixture::later(double t) {
    time_ = std::max(time_, t);
    return time_;
}

CellReading Fixture::look(double t) {
    const CellReading reading = cell_->at(t);
    if (reading.current > flows || reading.current < -flows) {
        last_current_ = t;
    }
    return reading;
}

CellReading Fixture::at(double t) {
    return look(later(t));
}

// The sum of what all do right below or right above a voltage. It never rises with the voltage.
double Fixture::pull(double voltage, Side side) const {
    double sum = -short_current_;
    for (const Regulator& regulator : regulators_) {
        const bool gives = side == Side::below ? regulator.target >= voltage : regulator.target > voltage;
        sum += gives ? regulator.source : -regulator.sink;
    }
    return sum;
}

// The nearest voltage on that side at which somebody does something else.
std::optional<double> Fixture::next_target(double voltage, Side side) const {
    std::optional<double> next;
    for (const Regulator& regulator : regulators_) {
        const double target = regulator.target;
        const bool idle = regulator.source <= 0.0 && regulator.sink <= 0.0;
        const bool there = side == Side::below ? target < voltage : target > voltage;
        if (idle || !there || target <= -nowhere || target >= nowhere) {
            continue;
        }
        next = !next ? target : side == Side::below ? std::max(*next, target) : std::min(*next, target);
    }
    return next;
}

std::optional<double> Fixture::target_at(double voltage) const {
    const std::optional<double> target = next_target(voltage + held_within, Side::below);
    return target && *target > voltage - held_within ? target : std::nullopt;
}

// From a voltage on with this current: to where the next of them holds the cell or lets it pass.
Regulator Fixture::onward(double voltage, double current) const {
    const std::optional<double> lower = next_target(voltage, Side::below);
    const std::optional<double> upper = next_target(voltage, Side::above);
    const double under = lower ? std::max(pull(*lower, Side::below), 0.0) : 0.0;
    const double over = upper ? std::max(-pull(*upper, Side::above), 0.0) : 0.0;
    if (lower && (current < 0.0 || (current == 0.0 && under > 0.0))) {
        return {*lower, under, -current};
    }
    if (upper && (current > 0.0 || (current == 0.0 && over > 0.0))) {
        return {*upper, current, over};
    }
    return {current < 0.0 ? -2.0 * nowhere : 2.0 * nowhere, std::max(current, 0.0), std::max(-current, 0.0)};
}

// Where somebody holds the cell, he holds it until he has come to his bound.
Regulator Fixture::wanted(const CellReading& reading) const {
    const std::optional<double> here = target_at(reading.voltage);
    if (!here) {
        return onward(reading.voltage, pull(reading.voltage, Side::above));
    }
    const double below = pull(*here, Side::below);
    const double above = pull(*here, Side::above);
    if (below < 0.0 && reading.current > below - current_least) {
        return onward(*here, below);
    }
    if (above > 0.0 && reading.current < above + current_least) {
        return onward(*here, above);
    }
    return {*here, std::max(below, 0.0), std::max(-above, 0.0)};
}

// True where what drives the cell is another than before.
bool Fixture::drive(double t) {
    const Regulator next = wanted(look(t));
    const bool open = next.source <= 0.0 && next.sink <= 0.0;
    const bool same = next.target == driven_.target && next.source == driven_.source && next.sink == driven_.sink;
    if (open == open_ && (open || same)) {
        return false;
    }
    open_ = open;
    driven_ = next;
    if (open) {
        cell_->open(t);
    } else if (next.target > -nowhere && next.target < nowhere) {
        cell_->drive(t, VoltageDrive{next.target, next.source, next.sink});
    } else {
        cell_->drive(t, CurrentDrive{next.source - next.sink, 2.0 * nowhere, -2.0 * nowhere});
    }
    return true;
}

void Fixture::regulate(std::size_t leads, double t, const Regulator& regulator) {
    const double now = later(t);
    regulators_.at(leads) = regulator;
    (void)drive(now);
}

void Fixture::follow(double t) {
    const double now = later(t);
    const bool several = std::count_if(regulators_.begin(), regulators_.end(), [](const Regulator& regulator) {
                             return regulator.source > 0.0 || regulator.sink > 0.0;
                         }) > 1;
    if (!ohms_ && !several) {
        return;
    }
    if (ohms_) {
        const double voltage = cell_->at(now).voltage;
        const double change = voltage / *ohms_ - short_current_;
        const double size = short_current_ < 0.0 ? -short_current_ : short_current_;
        if (change > short_change * size + current_least || change < -short_change * size - current_least) {
            short_current_ += short_damping * change;
        }
    }
    // A new current changes the voltage at once, and that perhaps who holds it.
    for (int again = 0; again < settle_most && drive(now); ++again) {
    }
}

void Fixture::shorted(double t, std::optional<double> ohms) {
    const double now = later(t);
    const double voltage = cell_->at(now).voltage;
    ohms_ = ohms ? std::optional{std::max(*ohms, short_least)} : std::nullopt;
    short_current_ = ohms_ ? short_damping * voltage / *ohms_ : 0.0;
    (void)drive(now);
}

void Fixture::ambient(double t, double celsius) {
    if (celsius != ambient_) {
        ambient_ = celsius;
        cell_->ambient(later(t), celsius);
    }
}

// Those whose target the cell is at have what the others leave, each the same part of what it can.
double Fixture::share(std::size_t leads, const CellReading& reading) const {
    const bool holding = !open_ && reading.mode == DriveMode::constant_voltage;
    const auto at_its_target = [&](const Regulator& regulator) {
        const double off = regulator.target - reading.voltage;
        return (holding && regulator.target == driven_.target) || (off < held_within && off > -held_within);
    };
    const Regulator& own = regulators_.at(leads);
    if (!at_its_target(own)) {
        return held(own, reading.voltage);
    }
    double rest = reading.current + short_current_;
    double span = 0.0;
    for (const Regulator& regulator : regulators_) {
        if (at_its_target(regulator)) {
            rest += regulator.sink;
            span += regulator.source + regulator.sink;
        } else {
            rest -= held(regulator, reading.voltage);
        }
    }
    const double part = span > 0.0 ? std::clamp(rest / span, 0.0, 1.0) : 0.0;
    return span > 0.0 ? part * (own.source + own.sink) - own.sink : 0.0;
}

// --- One instrument's leads ------------------------------------------------------------------------------------------

Leads::Leads(std::shared_ptr<Fixture> fixture, double runaway, std::shared_ptr<Fixture> sensed)
    : fixture_(std::move(fixture)), sensed_(std::move(sensed)), index_(fixture_->connect()), runaway_(runaway) {}

bool Leads::sensed_low(double t) {
    return sensed_->at(t).voltage < wanted_.target;
}

void Leads::pass_on(double t) {
    Regulator regulator = closed_ && driven_ != Driven::open ? wanted_ : Regulator{};
    const bool blind = sense_ != Sense::right && regulator.target > 0.0;
    if (blind) {  // it sees nothing, or less than nothing, and so goes as high as it can
        regulator.target = std::max(runaway_, regulator.target);
    } else if (sensed_ && driven_ != Driven::open) {  // nor does it here see what it does
        low_ = sensed_low(t);
        regulator.target = low_ ? std::max(runaway_, regulator.target) : std::min(-runaway_, regulator.target);
    }
    fixture_->regulate(index_, t, regulator);
}

void Leads::open(double t) {
    driven_ = Driven::open;
    pass_on(t);
}

void Leads::drive(double t, const CurrentDrive& drive) {
    driven_ = Driven::current;
    current_ = drive.current;
    if (drive.current > 0.0) {
        wanted_ = {drive.ceiling, drive.current, 0.0};
    } else {
        wanted_ = {drive.floor, 0.0, -drive.current};
    }
    pass_on(t);
}

void Leads::drive(double t, const VoltageDrive& drive) {
    driven_ = Driven::voltage;
    wanted_ = {drive.voltage, drive.source_max, drive.sink_max};
    pass_on(t);
}

CellReading Leads::at(double t) {
    if (sensed_ && driven_ != Driven::open && sensed_low(t) != low_) {
        pass_on(t);
    }
    CellReading reading = fixture_->at(t);
    const double own = driven_ == Driven::open || !closed_ ? 0.0 : fixture_->share(index_, reading);
    reading.current = own;
    switch (driven_) {
        case Driven::open: reading.mode = DriveMode::open; break;
        case Driven::current: {
            const double missing = own < current_ ? current_ - own : own - current_;
            const DriveMode bound = current_ > 0.0 ? DriveMode::at_ceiling : DriveMode::at_floor;
            reading.mode = missing > current_least ? bound : DriveMode::constant_current;
            break;
        }
        case Driven::voltage:
            reading.mode =
                closed_ && own >= wanted_.source - current_least && wanted_.source > 0.0 ? DriveMode::at_source_limit
                : closed_ && own <= -wanted_.sink + current_least && wanted_.sink > 0.0  ? DriveMode::at_sink_limit
                                                                                         : DriveMode::constant_voltage;
            break;
    }
    switch (sense_) {
        case Sense::right: reading.voltage = sensed_ ? sensed_->at(t).voltage : reading.voltage; break;
        case Sense::swapped: reading.voltage = -reading.voltage; break;
        case Sense::lifted: reading.voltage = 0.0; break;
    }
    return reading;
}

void Leads::ambient(double /*t*/, double /*celsius*/) {}

double Leads::charge() const {
    return 0.0;
}

void Leads::contactor(bool closed, double t) {
    if (closed != closed_) {
        closed_ = closed;
        pass_on(t);
    }
}

void Leads::sense(Sense how, double t) {
    sense_ = how;
    pass_on(t);
}

// On the near side of the contactor: with that open there is no cell, and a stage that is off lets them fall.
double Leads::terminals(double t) {
    return closed_ ? fixture_->at(t).voltage : driven_ == Driven::open ? 0.0 : wanted_.target;
}

}  // namespace slowfilm::sim::instrument
