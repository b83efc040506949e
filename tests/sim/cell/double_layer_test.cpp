// The graphite's double layer: regulators keep their bounds with it, a fresh cell climbs through it, and the default
// tolerance resolves it. Without one the cell is held to the outside world elsewhere.
#include "sim/cell/particle.hpp"
#include "sim/sets/particle_sets.hpp"
#include "tests/property.hpp"

#include <algorithm>
#include <cmath>
#include <string>
#include <vector>

#include <gtest/gtest.h>

namespace slowfilm::sim {
namespace {

constexpr double most_beyond = 1e-3;  // V
// A thousandth of the default.
constexpr ParticleTolerance fine{
    .voltage = 4e-8, .between = 2e-7, .film = 2e-7, .temperature = 2e-6, .first_step = 1e-3};

ParticleParameters layered(std::string_view name, double farads_of_5_ah) {
    ParticleParameters p = particle_set(std::string{name}).value();
    p.double_layer = farads_of_5_ah * p.capacity / 5.0;
    return p;
}

// A cell at ticks of a second behind a regulator: a target, and the currents between which it may move.
class Bench {
  public:
    Bench(const ParticleParameters& p, CellState state) : p(p), cell(p, state) {}

    const ParticleParameters p;
    ParticleCell cell;
    double t{0.0};
    double beyond{0.0};  // V: the most by which a target was missed with current left to reach it
    bool numbers{true};

    void charge(double current, double ceiling) {
        aim(ceiling, 0.0, current);
        cell.drive(t, CurrentDrive{current, ceiling, 0.0});
    }
    void discharge(double current, double floor) {
        aim(floor, -current, 0.0);
        cell.drive(t, CurrentDrive{-current, 10.0, floor});
    }
    void hold(double voltage, double source, double sink) {
        aim(voltage, -sink, source);
        cell.drive(t, VoltageDrive{voltage, source, sink});
    }
    CellReading tick(double seconds = 1.0) {
        t += seconds;
        const CellReading now = cell.at(t);
        numbers = numbers && std::isfinite(now.voltage) && std::isfinite(now.current) && std::isfinite(now.temperature);
        const double least = 1e-6 * p.capacity;
        if (now.voltage > target_ && now.current > low_ + least) {
            beyond = std::max(beyond, now.voltage - target_);
        }
        if (now.voltage < target_ && now.current < high_ - least) {
            beyond = std::max(beyond, target_ - now.voltage);
        }
        return now;
    }
    // Until the current has fallen to C/50 with the target reached, or a day has passed: false.
    bool tapered() {
        for (const double end = t + 86400.0; t < end;) {
            const CellReading now = tick();
            if (std::abs(now.voltage - target_) < most_beyond && std::abs(now.current) < p.capacity / 50.0) {
                return true;
            }
        }
        return false;
    }

  private:
    void aim(double target, double low, double high) {
        target_ = target;
        low_ = low;
        high_ = high;
    }
    double target_{0.0}, low_{0.0}, high_{0.0};
};

TEST(DoubleLayer, lets_charges_holds_and_discharges_end_where_they_should) {
    for (const ShippedSet& set : shipped_sets()) {
        for (const double farads : {0.0005, 0.1, 0.5, 1.0, 2.0, 5.0, 13.0, 50.0}) {
            SCOPED_TRACE(std::string{set.name} + ", " + std::to_string(farads) + " F for 5 Ah");
            Bench fresh(layered(set.name, farads), CellState::pristine);
            const double c = fresh.p.capacity;
            fresh.charge(c / 10.0, fresh.p.voltage_max);
            EXPECT_TRUE(fresh.tapered());
            fresh.discharge(c / 5.0, fresh.p.voltage_min);
            EXPECT_TRUE(fresh.tapered());
            fresh.charge(c, fresh.p.voltage_max);
            EXPECT_TRUE(fresh.tapered());
            Bench held(layered(set.name, farads), CellState::pristine);
            for (const double volts : {1.5, 3.0, held.p.voltage_max, held.p.voltage_max - 0.2, held.p.voltage_min}) {
                held.hold(volts, c / 5.0, c / 3.0);
                EXPECT_TRUE(held.tapered()) << volts << " V";
            }
            for (const Bench* bench : {&fresh, &held}) {
                EXPECT_LT(bench->beyond, most_beyond);
                EXPECT_TRUE(bench->numbers);
            }
            EXPECT_LT(fresh.cell.steps() + held.cell.steps(), 800U);
        }
    }
}

TEST(DoubleLayer, of_any_size_lets_no_regulator_pass_its_target) {
    test::holds([] {
        const auto share = [](double least, double most) {
            return least + (most - least) * *rc::gen::inRange(0, 1001) / 1000.0;
        };
        const std::string_view name = shipped_sets()[*rc::gen::inRange<std::size_t>(0, 3)].name;
        ParticleParameters p = layered(name, *rc::gen::element(0.0005, 0.02, 0.1, 0.5, 1.0, 2.0, 5.0, 20.0, 50.0));
        p.ambient = share(0.0, 45.0);
        Bench bench(p, *rc::gen::element(CellState::pristine, CellState::tapped, CellState::formed));
        for (int leg = 0; leg < 6; ++leg) {
            const double volts = bench.cell.at(bench.t).voltage;
            const double current = p.capacity / share(1.5, 50.0);
            switch (*rc::gen::inRange(0, 4)) {
                case 0: bench.charge(current, std::max(volts, share(p.voltage_min, p.voltage_max))); break;
                case 1: bench.discharge(current, std::min(volts, share(p.voltage_min, p.voltage_max))); break;
                case 2: bench.hold(volts + share(-0.002, 0.002), current, p.capacity / share(1.5, 50.0)); break;
                default: bench.hold(share(p.voltage_min, p.voltage_max), current, p.capacity / share(1.5, 50.0)); break;
            }
            const double tick = *rc::gen::element(0.1, 1.0, 10.0);
            for (const double end = bench.t + share(1.0, 600.0) * tick; bench.t < end;) {
                (void)bench.tick(tick);
            }
        }
        RC_ASSERT(bench.numbers);
        RC_ASSERT(bench.beyond < most_beyond);
    });
}

TEST(DoubleLayer, takes_its_charge_before_the_film_does) {
    // 2 F under 0.5 A climb by a quarter of a volt a second less whatever reacts; without them the cliff takes seconds.
    // The three to thirteen seconds that 1 to 5 F add are common practice's, from memory.
    const auto seconds_to_2_volts = [](double farads) {
        Bench bench(layered("nmc-graphite-pouch-5ah", farads), CellState::pristine);
        bench.charge(0.5, 4.2);
        while (bench.tick(0.1).voltage < 2.0 && bench.t < 1000.0) {
        }
        return bench.t;
    };
    const double bare = seconds_to_2_volts(0.0);
    EXPECT_NEAR(seconds_to_2_volts(1.0) - bare, 3.4, 1.0);
    EXPECT_NEAR(seconds_to_2_volts(5.0) - bare, 17.0, 5.0);
    // Charge in the layer is charge for good: 5 F over 1.76 V.
    Bench slow(layered("nmc-graphite-pouch-5ah", 5.0), CellState::pristine);
    const double lithium = slow.cell.report().lithium;
    slow.charge(0.5, 4.2);
    (void)slow.tick(3600.0);
    EXPECT_NEAR(slow.cell.report().lithium, lithium, 1e-12);
}

TEST(DoubleLayer, is_resolved_by_the_default_tolerance) {
    // Against the same equations at a thousandth of it, over steps of current of a fresh cell.
    for (const double farads : {0.0005, 0.1, 1.0, 5.0}) {
        const ParticleParameters p = layered("nmc-graphite-pouch-5ah", farads);
        ParticleCell cell(p, CellState::pristine);
        ParticleCell exact(p, CellState::pristine, fine);
        std::vector<double> first, later;
        double t = 0.0;
        for (const auto& [current, seconds] : {std::pair{0.5, 9000.0}, {0.0, 600.0}, {2.0, 3000.0}, {-1.0, 3000.0}}) {
            const CurrentDrive drive{current, 4.2, 0.0};
            cell.drive(t, drive);
            exact.drive(t, drive);
            for (double since = 1.0; since <= seconds; since += 1.0) {
                t += 1.0;
                const double off = std::abs(cell.at(t).voltage - exact.at(t).voltage);
                (since <= 60.0 ? first : later).push_back(off);
            }
        }
        std::sort(later.begin(), later.end());
        EXPECT_LT(later[later.size() * 99 / 100], 1e-4) << farads << " F";
        EXPECT_LT(*std::max_element(first.begin(), first.end()), 1e-3) << farads << " F";
    }
}

TEST(DoubleLayer, answers_a_small_step_as_a_capacitor_beside_the_reaction) {
    // V = I (R + Rr (1 - exp(-t/(Rr C)))), Rr = RT/F / (A F k sqrt(x (1 - x))) for small currents, of Butler and
    // Volmer's law and Kirchhoff's. At C/20 they are small, and the rest of the cell hardly moves meanwhile.
    const ParticleParameters p = [] {
        ParticleParameters set = layered("nmc-graphite-pouch-5ah", 5.0);
        set.leakage_resistance = 1e300;
        set.film.grows = false;
        set.plating.happens = false;
        return set;
    }();
    const double current = p.capacity / 20.0;
    ParticleCell cell(p, CellState::formed, fine);
    const double x = cell.report().negative;
    const double rest = cell.at(0.0).voltage;
    cell.drive(0.0, CurrentDrive{current, 4.2, 0.0});
    const double at_once = cell.at(0.0).voltage - rest;
    const ElectrodeParameters& graphite = p.negative;
    const double surface = graphite.surface * graphite.thickness * p.area;
    const double reaction =
        gas_constant * 298.15 / faraday / (surface * faraday * graphite.rate * std::sqrt(x * (1.0 - x)));
    const double constant = reaction * p.double_layer;
    ParticleParameters bare_set = p;
    bare_set.double_layer = 0.0;
    ParticleCell bare(bare_set, CellState::formed, fine);
    bare.drive(0.0, CurrentDrive{current, 4.2, 0.0});
    EXPECT_NEAR((bare.at(0.0).voltage - rest - at_once) / (current * reaction), 1.0, 2e-3);
    for (const double parts : {0.25, 0.5, 1.0, 2.0}) {
        const double t = parts * constant;
        const double behind = bare.at(t).voltage - cell.at(t).voltage;
        EXPECT_NEAR(behind / (current * reaction), std::exp(-parts), 0.005) << parts;
    }
}

TEST(DoubleLayer, of_more_than_ten_farads_an_ampere_hour_is_refused_with_its_bounds) {
    const auto bad = find_bad(layered("nmc-graphite-pouch-5ah", 51.0));
    ASSERT_TRUE(bad.has_value());
    EXPECT_EQ(bad->where, "double_layer");
    EXPECT_NE(bad->what.find("0.0001 to 10 F for each Ah"), std::string::npos);
    EXPECT_FALSE(check(layered("nmc-graphite-pouch-5ah", NAN)).has_value());
    EXPECT_FALSE(check(layered("nmc-graphite-pouch-5ah", -1.0)).has_value());
    EXPECT_TRUE(check(layered("nmc-graphite-pouch-5ah", 50.0)).has_value());
}

}  // namespace
}  // namespace slowfilm::sim
