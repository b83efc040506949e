#include "sim/stage/stage.hpp"

#include "sim/cell/circuit.hpp"
#include "sim/stage/noise.hpp"

#include <cmath>
#include <limits>
#include <memory>
#include <vector>

#include <gtest/gtest.h>

namespace slowfilm::sim {
namespace {

using namespace literals;

// Every demand and look of the stage goes to the same exact cell.
std::unique_ptr<Cell> formed_cell() {
    return std::make_unique<CircuitCell>(nmc_graphite(), CellState::formed);
}

Time at(double seconds) {
    return Time{static_cast<std::int64_t>(std::llround(seconds * 1e6))};
}

DriveCurrent charge(Current current) {
    return {current, 4200_mV, 2700_mV};
}

TEST(Stage, a_sample_is_the_cell_s_reading_in_whole_numbers) {
    Stage stage(formed_cell(), {});
    CircuitCell twin(nmc_graphite(), CellState::formed);
    stage.apply(charge(500_mA), at(1));
    twin.drive(1.0, CurrentDrive{0.5, 4.2, 2.7});
    const Sample sample = stage.sample(at(100));
    const CellReading exact = twin.at(100.0);
    EXPECT_NEAR(volts(sample.voltage.value), exact.voltage, 5.001e-6);
    EXPECT_EQ(sample.voltage.value.count % 10'000, 0);  // its resolution is 10 uV
    EXPECT_EQ(sample.current.value, 500_mA);
    EXPECT_NEAR(celsius(sample.temperature.value), exact.temperature, 1e-3);
    EXPECT_EQ(sample.ambient.value, 25_degC);
    EXPECT_EQ(sample.mode, StageMode::constant_current);
    EXPECT_EQ(sample.voltage.time, at(100));
    EXPECT_EQ(sample.terminals.quality, Quality::absent);
}

TEST(Stage, the_cell_s_time_begins_when_it_is_loaded) {
    StageOptions options;
    Stage late(formed_cell(), options, at(5e6));
    Stage early(formed_cell(), options);
    late.apply(charge(1000_mA), at(5e6 + 10));
    early.apply(charge(1000_mA), at(10));
    EXPECT_EQ(late.sample(at(5e6 + 500)).voltage.value, early.sample(at(500)).voltage.value);
}

TEST(Stage, modes_are_reported_where_the_instrument_tells_them) {
    StageOptions options;
    for (const bool tells : {true, false}) {
        options.traits.reports_ceiling = tells;
        Stage stage(formed_cell(), options);
        const auto told = [&](StageMode mode) { return tells ? mode : StageMode::unknown; };
        EXPECT_EQ(stage.sample(at(1)).mode, StageMode::open);
        stage.apply(DriveCurrent{500_mA, 3500_mV, 2700_mV}, at(2));
        EXPECT_EQ(stage.sample(at(3)).mode, told(StageMode::at_ceiling));
        stage.apply(DriveCurrent{-(500_mA), 4200_mV, 3900_mV}, at(4));
        EXPECT_EQ(stage.sample(at(5)).mode, told(StageMode::at_floor));
        stage.apply(HoldVoltage{4100_mV, 500_mA, 0_mA}, at(6));
        EXPECT_EQ(stage.sample(at(7)).mode, told(StageMode::constant_current));
        stage.apply(HoldVoltage{stage.sample(at(8)).voltage.value, 2000_mA, 2000_mA}, at(8));
        EXPECT_EQ(stage.sample(at(9)).mode, told(StageMode::constant_voltage));
        stage.apply(Open{}, at(10));
        EXPECT_EQ(stage.sample(at(11)).mode, StageMode::open);
        EXPECT_EQ(stage.sample(at(11)).current.value, 0_mA);
    }
}

TEST(Stage, demands_beyond_the_range_are_brought_into_it) {
    StageOptions options;
    options.traits.sink_max = 0_mA;
    Stage stage(formed_cell(), options);
    EXPECT_EQ(stage.apply(DriveCurrent{9000_mA, 9000_mV, -(9000_mV)}, at(1)),
              Demand(DriveCurrent{6000_mA, 6000_mV, -(5000_mV)}));
    EXPECT_EQ(stage.apply(DriveCurrent{-(1000_mA), 4200_mV, 2700_mV}, at(2)),
              Demand(DriveCurrent{0_mA, 4200_mV, 2700_mV}));
    EXPECT_EQ(stage.apply(HoldVoltage{3000_mV, 7000_mA, 7000_mA}, at(3)), Demand(HoldVoltage{3000_mV, 6000_mA, 0_mA}));
    EXPECT_EQ(stage.sample(at(4)).current.value, 0_mA);
    EXPECT_EQ(stage.apply(Open{}, at(5)), Demand(Open{}));
}

TEST(Stage, errors_of_setting_and_of_reading_are_told_apart) {
    StageOptions options;
    options.set_current_gain = 0.01;
    options.current_gain = -0.02;
    options.current_offset = 0.001;
    options.voltage_offset = 0.002;
    Stage stage(formed_cell(), options);
    Stage good(formed_cell(), {});
    EXPECT_EQ(stage.sample(at(1)).current.value, 1_mA);
    EXPECT_EQ(stage.sample(at(1)).voltage.value, good.sample(at(1)).voltage.value + 2_mV);
    stage.apply(charge(1000_mA), at(2));
    EXPECT_NEAR(amperes(stage.sample(at(3)).current.value), 1.01 * 0.98 + 0.001, 1e-5);
    (void)stage.sample(at(3602));
    EXPECT_NEAR(stage.cell().charge(), 1.01, 1e-9);
}

TEST(Stage, a_demand_takes_effect_after_its_dead_time) {
    StageOptions options;
    options.delay = 300_ms;
    Stage stage(formed_cell(), options);
    EXPECT_EQ(stage.apply(charge(500_mA), at(10)), Demand(charge(500_mA)));
    EXPECT_EQ(stage.sample(at(10.299)).current.value, 0_mA);
    EXPECT_EQ(stage.sample(at(10.3)).current.value, 500_mA);
    // No sample between two demands loses the first.
    stage.apply(charge(1000_mA), at(20));
    stage.apply(Open{}, at(30));
    EXPECT_EQ(stage.sample(at(31)).current.value, 0_mA);
    EXPECT_NEAR(stage.cell().charge(), (0.5 * 10.0 + 1.0 * 10.0) / 3600.0, 1e-12);
    // A demand taken back within its dead time never happened.
    stage.apply(charge(1000_mA), at(40));
    stage.apply(Open{}, at(40.1));
    EXPECT_EQ(stage.sample(at(41)).current.value, 0_mA);
    EXPECT_NEAR(stage.cell().charge(), 15.0 / 3600.0, 1e-12);
}

TEST(Stage, what_off_is_shows_in_the_cell_and_not_in_the_ammeter) {
    const auto after_a_day = [](OffState off, bool contactor) {
        StageOptions options;
        options.traits.off_state = off;
        options.traits.has_contactor = contactor;
        options.off_leakage = 1e-3;
        options.off_resistance = 100.0;
        CircuitParameters parameters = nmc_graphite();
        parameters.leakage_resistance = std::numeric_limits<double>::infinity();
        Stage stage(std::make_unique<CircuitCell>(parameters, CellState::formed), options);
        for (int minute = 1; minute <= 1440; ++minute) {
            EXPECT_EQ(stage.sample(at(minute * 60)).current.value, 0_mA);
        }
        return stage.cell().charge();
    };
    EXPECT_EQ(after_a_day(OffState::relay_open, false), 0.0);
    EXPECT_NEAR(after_a_day(OffState::high_impedance, false), -0.024, 1e-9);
    // Some 3.6 V across 100 ohm for 24 h.
    EXPECT_NEAR(after_a_day(OffState::sinks, false), -0.865, 0.010);
    EXPECT_EQ(after_a_day(OffState::sinks, true), 0.0);
}

TEST(Stage, noise_is_repeatable_and_as_wide_as_it_says) {
    StageOptions options;
    options.voltage_noise = 1e-3;
    options.current_noise = 2e-3;
    options.temperature_noise = 0.1;
    Stage first(formed_cell(), options);
    Stage second(formed_cell(), options);
    options.seed = 2;
    Stage other(formed_cell(), options);
    Stage quiet(formed_cell(), {});
    double sum = 0.0;
    double squares = 0.0;
    double product = 0.0;
    const int count = 20000;
    int same = 0;
    for (int i = 1; i <= count; ++i) {
        const Sample sample = first.sample(at(i));
        EXPECT_EQ(sample, second.sample(at(i)));
        same += sample.voltage.value == other.sample(at(i)).voltage.value ? 1 : 0;
        const double deviation_of = volts(sample.voltage.value) - volts(quiet.sample(at(i)).voltage.value);
        sum += deviation_of;
        squares += deviation_of * deviation_of;
        product += deviation_of * amperes(sample.current.value);
        ASSERT_LT(std::fabs(deviation_of), 3.5e-3);
    }
    EXPECT_LT(same, count / 100);
    // Standard errors of mean, deviation and covariance at 20000 draws, five of them allowed.
    EXPECT_NEAR(sum / count, 0.0, 5 * 1e-3 / std::sqrt(count));
    EXPECT_NEAR(std::sqrt(squares / count), 1e-3, 5 * 1e-3 / std::sqrt(2.0 * count));
    EXPECT_NEAR(product / count, 0.0, 5 * 2e-6 / std::sqrt(count));
}

TEST(Stage, mixing_is_the_published_generator) {
    // SplitMix64 from state 0: its first two outputs (known values, from memory; widely printed).
    EXPECT_EQ(mixed(0), 0xE220A8397B1DCDAFU);
    EXPECT_EQ(mixed(0x9E3779B97F4A7C15U), 0x6E789E6AA1B965F4U);
}

TEST(Stage, a_thermometer_lags_behind_the_cell) {
    CircuitParameters parameters = nmc_graphite();
    parameters.faults = {{CellFaultKind::heat, 1.0, 0.0, 0.0}};
    parameters.cooling = 1e-9;  // a ramp: 1 W / 88.88 J/K
    StageOptions options;
    options.thermometer_lag = 60.0;
    Stage stage(std::make_unique<CircuitCell>(parameters, CellState::formed), options);
    double shown = 0.0;
    for (int second = 1; second <= 1000; ++second) {
        shown = celsius(stage.sample(at(second)).temperature.value);
    }
    // A first-order lag follows a ramp 60 s behind it; sampling it each second adds up to one second.
    EXPECT_NEAR(shown, 25.0 + (1000.0 - 60.0) / 88.88, 1.2 / 88.88);
}

TEST(Stage, a_thermometer_on_the_shelf_or_none_at_all) {
    CircuitParameters parameters = nmc_graphite();
    parameters.faults = {{CellFaultKind::heat, 2.0, 0.0, 0.0}};
    StageOptions options;
    options.traits.has_ambient = false;
    options.traits.temperature_of = TemperatureOf::shelf;
    Stage shelf(std::make_unique<CircuitCell>(parameters, CellState::formed), options);
    EXPECT_NEAR(celsius(shelf.sample(at(9000)).temperature.value), 26.5, 0.01);
    EXPECT_EQ(shelf.sample(at(9000)).ambient.quality, Quality::absent);
    options.traits.temperature_of = TemperatureOf::none;
    Stage none(std::make_unique<CircuitCell>(parameters, CellState::formed), options);
    EXPECT_EQ(none.sample(at(9000)).temperature.quality, Quality::absent);
}

TEST(Stage, a_chamber_moves_cell_and_ambient_reading) {
    Stage stage(formed_cell(), {});
    stage.ambient(45.0, at(10));
    EXPECT_EQ(stage.sample(at(10)).ambient.value, 45_degC);
    EXPECT_NEAR(celsius(stage.sample(at(10.0 + 444.4)).temperature.value), 45.0 - 20.0 * std::exp(-1.0), 2e-3);
}

TEST(Stage, over_range_is_a_bad_reading) {
    StageOptions options;
    options.traits.voltage_max = 3000_mV;
    options.traits.voltage_min = 0_mV;
    Stage stage(formed_cell(), options);
    const Sample sample = stage.sample(at(1));
    EXPECT_EQ(sample.voltage.quality, Quality::bad);
    EXPECT_EQ(sample.voltage.value, 0_mV);
    EXPECT_EQ(sample.voltage.time, at(1));
}

TEST(Stage, terminals_carry_the_lead_s_drop) {
    StageOptions options;
    options.reads_terminals = true;
    options.lead_resistance = 0.020;
    Stage stage(formed_cell(), options);
    stage.apply(charge(1000_mA), at(1));
    const Sample sample = stage.sample(at(2));
    EXPECT_EQ(sample.terminals.value - sample.voltage.value, 20_mV);
}

StageOptions with_fault(StageFault fault) {
    StageOptions options;
    options.faults = {fault};
    return options;
}

TEST(Stage, a_stage_that_ignores_open_goes_on_and_says_otherwise) {
    Stage stage(formed_cell(), with_fault({.kind = StageFaultKind::ignores_open, .count = 2}));
    stage.apply(Open{}, at(0.5));  // already open: nothing to ignore
    stage.apply(charge(500_mA), at(1));
    for (int i = 2; i < 4; ++i) {
        EXPECT_EQ(stage.apply(Open{}, at(i)), Demand(Open{}));
        EXPECT_EQ(stage.sample(at(i + 0.5)).current.value, 500_mA);
    }
    stage.apply(Open{}, at(4));
    EXPECT_EQ(stage.sample(at(5)).current.value, 0_mA);
}

TEST(Stage, an_output_stuck_on_stays_on_until_the_fault_is_gone) {
    Stage stage(formed_cell(), with_fault({.kind = StageFaultKind::stuck_on, .from = 10_s, .to = 100_s}));
    stage.apply(charge(500_mA), at(1));
    for (int i = 10; i < 100; i += 10) {
        stage.apply(Open{}, at(i));
        EXPECT_EQ(stage.sample(at(i + 1)).current.value, 500_mA);
        EXPECT_EQ(stage.sample(at(i + 1)).mode, StageMode::constant_current);
    }
    stage.apply(Open{}, at(100));
    EXPECT_EQ(stage.sample(at(101)).current.value, 0_mA);
}

TEST(Stage, a_silent_stage_gives_nothing_and_comes_back) {
    Stage stage(formed_cell(), with_fault({.kind = StageFaultKind::silent, .from = 10_s, .to = 20_s}));
    EXPECT_TRUE(stage.answers(at(9.9)));
    EXPECT_FALSE(stage.answers(at(10)));
    EXPECT_EQ(stage.sample(at(10)), Sample{});
    EXPECT_EQ(stage.sample(at(19)).voltage.quality, Quality::absent);
    EXPECT_TRUE(stage.sample(at(20)).voltage.good());
}

TEST(Stage, a_frozen_reading_has_new_times_and_old_values) {
    Stage stage(formed_cell(), with_fault({.kind = StageFaultKind::frozen, .from = 10_s, .to = 3600_s}));
    stage.apply(charge(2000_mA), at(1));
    const Sample before = stage.sample(at(9));
    for (const double t : {10.0, 100.0, 3599.0}) {
        const Sample frozen = stage.sample(at(t));
        EXPECT_EQ(frozen.voltage.value, before.voltage.value);
        EXPECT_EQ(frozen.temperature.value, before.temperature.value);
        EXPECT_EQ(frozen.raw_hash, before.raw_hash);
        EXPECT_EQ(frozen.voltage.time, at(t));
        EXPECT_EQ(frozen.terminals.quality, Quality::absent);
    }
    EXPECT_GT(stage.sample(at(3600)).voltage.value, before.voltage.value);
    EXPECT_NE(stage.sample(at(3600)).raw_hash, before.raw_hash);
}

TEST(Stage, a_broken_thermometer_reads_nothing_or_a_legal_constant) {
    Stage open(formed_cell(), with_fault({.kind = StageFaultKind::thermometer, .value = std::nan("")}));
    EXPECT_EQ(open.sample(at(1)).temperature.quality, Quality::bad);
    EXPECT_EQ(open.sample(at(1)).temperature.value.count, 0);
    Stage constant(formed_cell(), with_fault({.kind = StageFaultKind::thermometer, .from = 5_s, .value = 85.0}));
    EXPECT_EQ(constant.sample(at(4)).temperature.value, 25_degC);
    EXPECT_EQ(constant.sample(at(5)).temperature.value, 85_degC);
    EXPECT_TRUE(constant.sample(at(6)).temperature.good());
}

TEST(Stage, one_voltage_in_ten_is_not_a_number) {
    Stage stage(formed_cell(), with_fault({.kind = StageFaultKind::bad_voltage, .count = 10}));
    int bad = 0;
    for (int i = 1; i <= 1000; ++i) {
        const Sample sample = stage.sample(at(i));
        bad += sample.voltage.quality == Quality::bad ? 1 : 0;
        EXPECT_TRUE(sample.current.good());
    }
    EXPECT_EQ(bad, 100);
}

TEST(Stage, faults_of_the_cell_are_seen_in_the_samples) {
    const auto stage_of = [](auto spoil) {
        CircuitParameters parameters = nmc_graphite();
        spoil(parameters);
        return Stage(std::make_unique<CircuitCell>(parameters, CellState::formed), {});
    };
    using P = CircuitParameters;
    Stage good = stage_of([](P&) {});
    const double good_later = volts(good.sample(at(7200)).voltage.value);
    Stage shorted = stage_of([](P& p) { p.faults = {{CellFaultKind::internal_short, 5.0, 0.0, 0.0}}; });
    EXPECT_LT(volts(shorted.sample(at(7200)).voltage.value), good_later - 0.02);
    EXPECT_GT(shorted.sample(at(7200)).temperature.value, 30_degC);
    Stage warm = stage_of([](P& p) { p.faults = {{CellFaultKind::heat, 3.0, 600.0, 0.0}}; });
    EXPECT_NEAR(celsius(warm.sample(at(600)).temperature.value), 25.0, 0.002);
    EXPECT_GT(warm.sample(at(7200)).temperature.value, 38_degC);
    Stage reversed = stage_of([](P& p) { p.reversed = true; });
    EXPECT_LT(reversed.sample(at(1)).voltage.value, -(3000_mV));
    Stage loose = stage_of([](P& p) { p.faults = {{CellFaultKind::contact_resistance, 0.2, 60.0, 0.0}}; });
    loose.apply(charge(1000_mA), at(1));
    const Voltage before = loose.sample(at(59)).voltage.value;
    EXPECT_GT(loose.sample(at(61)).voltage.value - before, 195_mV);
    Stage weak = stage_of([](P& p) { p.capacity = 3.0; });
    Stage full = stage_of([](P&) {});
    for (Stage* stage : {&weak, &full}) {
        stage->apply(charge(1000_mA), at(1));
    }
    EXPECT_GT(weak.sample(at(7200)).voltage.value, full.sample(at(7200)).voltage.value + 100_mV);
}

TEST(Stage, what_no_stage_can_have_is_refused_in_a_sentence) {
    const auto refused = [](auto spoil) {
        StageOptions options;
        spoil(options);
        const auto result = check(options);
        return result ? std::string{} : result.error().message;
    };
    using O = StageOptions;
    EXPECT_EQ(refused([](O&) {}), "");
    EXPECT_NE(refused([](O& o) { o.traits.voltage_max = o.traits.voltage_min; }).find("range"), std::string::npos);
    EXPECT_NE(refused([](O& o) { o.traits.sink_max = -(1_mA); }).find("sink_max"), std::string::npos);
    EXPECT_NE(refused([](O& o) { o.voltage_noise = -1.0; }).find("noise"), std::string::npos);
    EXPECT_NE(refused([](O& o) { o.set_current_gain = 1.0; }).find("gain"), std::string::npos);
    EXPECT_NE(refused([](O& o) { o.ambient_offset = std::nan(""); }).find("offset"), std::string::npos);
    EXPECT_NE(refused([](O& o) { o.thermometer_lag = -1.0; }).find("lag"), std::string::npos);
    EXPECT_NE(refused([](O& o) { o.off_resistance = 0.0; }).find("off"), std::string::npos);
    EXPECT_NE(refused([](O& o) { o.ambient = 500.0; }).find("ambient"), std::string::npos);
    EXPECT_NE(refused([](O& o) { o.faults = {{.from = 10_s, .to = 5_s}}; }).find("fault"), std::string::npos);
}

}  // namespace
}  // namespace slowfilm::sim
