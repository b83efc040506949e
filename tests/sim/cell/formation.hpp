// A formation by hand: legs as a bench runs them, at ticks of a second, without an engine.
#pragma once

#include "sim/cell/particle.hpp"
#include "sim/sets/particle_sets.hpp"

#include <algorithm>
#include <string>
#include <utility>
#include <vector>

namespace slowfilm::test {

struct Leg {
    double seconds{0.0}, charge{0.0}, energy{0.0};  // s, Ah and Wh, positive in
    double voltage{0.0}, film{0.0};                 // V at its end, Ah of film grown in it
    double hottest{-100.0};                         // degC
};

class Formation {
  public:
    explicit Formation(const sim::ParticleParameters& parameters, CellState state = CellState::pristine)
        : cell(parameters, state) {}

    sim::ParticleCell cell;
    double time{0.0};

    // A constant current until the voltage is there, or the charge has passed.
    Leg current(double amperes, double until, double charge = 1e9) {
        cell.drive(time, sim::CurrentDrive{amperes, amperes > 0.0 ? until : 10.0, amperes < 0.0 ? until : 0.0});
        return leg([&](const sim::CellReading& reading, double passed) {
            return reading.mode != sim::DriveMode::constant_current || passed >= charge;
        });
    }
    Leg hold(double voltage, double until) {
        cell.drive(time, sim::VoltageDrive{voltage, 50.0, 50.0});
        return leg([&](const sim::CellReading& reading, double) { return reading.current <= until; });
    }
    Leg rest(double seconds) {
        cell.open(time);
        const double end = time + seconds;
        return leg([&](const sim::CellReading&, double) { return time >= end - 1e-6; });
    }
    struct Cycle {
        Leg charge, hold, rest, discharge, last_rest;
        [[nodiscard]] double in() const { return charge.charge + hold.charge; }
        [[nodiscard]] double out() const { return -discharge.charge; }
        [[nodiscard]] double efficiency() const { return out() / in(); }
    };
    // Charge, hold until `taper`, rest of 600 s, discharge, rest: the cycle of the published efficiencies.
    Cycle cycle(double amperes, double high, double low, double taper) {
        Cycle c;
        c.charge = current(amperes, high);
        c.hold = hold(high, taper);
        c.rest = rest(600.0);
        c.discharge = current(-amperes, low);
        c.last_rest = rest(600.0);
        return c;
    }

    double tick{1.0};
    // Every tick, when wanted: time, reading and charge.
    std::vector<std::pair<double, double>> voltage_by_charge;  // Ah since the leg began, V
    bool keep{false};

  private:
    template <class Over>
    Leg leg(Over over) {
        Leg done;
        const double begin = time;
        const double charge = cell.charge();
        const double film = cell.report().film_charge;
        sim::CellReading before = cell.at(time);
        while (time < begin + 4e6) {
            const sim::CellReading reading = cell.at(time + tick);
            time += tick;
            done.energy += 0.5 * (before.voltage * before.current + reading.voltage * reading.current) * tick / 3600.0;
            done.hottest = std::max(done.hottest, reading.temperature);
            before = reading;
            if (keep) {
                voltage_by_charge.emplace_back(cell.charge() - charge, reading.voltage);
            }
            if (over(reading, std::abs(cell.charge() - charge))) {
                break;
            }
        }
        done.seconds = time - begin;
        done.charge = cell.charge() - charge;
        done.voltage = before.voltage;
        done.film = cell.report().film_charge - film;
        return done;
    }
};

inline sim::ParticleParameters pouch() {
    return sim::particle_set("nmc-graphite-pouch-5ah").value();
}

}  // namespace slowfilm::test
