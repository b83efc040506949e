// One cell under many regulators: what all give is what the cell gets, and nobody gives more than it can.
#include "sim/instrument/fixture.hpp"

#include "sim/cell/circuit.hpp"
#include "tests/property.hpp"

#include <cmath>
#include <vector>

namespace slowfilm::sim::instrument {
namespace {

std::unique_ptr<Cell> half_full() {
    return std::make_unique<CircuitCell>(nmc_graphite(), CellState::formed);
}

double any(int least, int most) {
    return *rc::gen::inRange(least, most + 1) / 1000.0;
}

TEST(Fixture, shares_add_up_to_the_current_of_the_cell_and_stay_within_their_bounds) {
    test::holds([] {
        Fixture fixture{half_full(), 25.0};
        std::vector<std::size_t> leads;
        std::vector<Regulator> regulators;
        for (int count = *rc::gen::inRange(1, 5); count > 0; --count) {
            leads.push_back(fixture.connect());
            regulators.emplace_back();
        }
        double t = 0.0;
        for (int change = 0; change < 12; ++change) {
            const auto which = *rc::gen::inRange<std::size_t>(0, leads.size());
            regulators[which] = {any(2600, 4300), any(0, 3000), any(0, 3000)};
            fixture.regulate(leads[which], t, regulators[which]);
            for (int tick = *rc::gen::inRange(1, 2'000); tick > 0; --tick) {
                t += 0.05;
                fixture.follow(t);
            }
            const CellReading reading = fixture.at(t);
            double sum = 0.0;
            for (std::size_t at = 0; at < leads.size(); ++at) {
                const double share = fixture.share(leads[at], reading);
                RC_ASSERT(share <= regulators[at].source + 1e-9 && share >= -regulators[at].sink - 1e-9);
                sum += share;
            }
            RC_ASSERT(std::fabs(sum - reading.current) < 1e-6);
        }
    });
}

TEST(Fixture, a_cell_under_one_regulator_does_what_it_does_alone) {
    Fixture fixture{half_full(), 25.0};
    const std::size_t leads = fixture.connect();
    const std::unique_ptr<Cell> alone = half_full();
    fixture.regulate(leads, 0.0, {4.2, 2.0, 1.0});
    alone->drive(0.0, VoltageDrive{4.2, 2.0, 1.0});
    for (double t = 0.0; t < 20'000.0; t += 100.0) {
        fixture.follow(t);
        EXPECT_EQ(fixture.at(t).voltage, alone->at(t).voltage);
        EXPECT_NEAR(fixture.share(leads, fixture.at(t)), alone->at(t).current, 1e-12);
    }
}

TEST(Fixture, what_nobody_drives_is_left_open) {
    Fixture fixture{half_full(), 25.0};
    const std::size_t leads = fixture.connect();
    fixture.regulate(leads, 0.0, {4.2, 1.0, 1.0});
    fixture.regulate(leads, 10.0, {});
    EXPECT_EQ(fixture.at(20.0).current, 0.0);
    EXPECT_EQ(fixture.at(20.0).mode, DriveMode::open);
}

TEST(Fixture, a_short_takes_what_ohms_law_gives_it) {
    Fixture fixture{half_full(), 25.0};
    fixture.shorted(0.0, 0.5);
    double t = 0.0;
    for (; t < 5.0; t += 0.05) {
        fixture.follow(t);
    }
    const CellReading reading = fixture.at(t);
    EXPECT_NEAR(reading.current, -reading.voltage / 0.5, 0.02);
}

}  // namespace
}  // namespace slowfilm::sim::instrument
