#include "sim/stage/stage.hpp"

#include "daemon/core/ensure.hpp"
#include "daemon/core/text.hpp"
#include "sim/cell/elementary.hpp"
#include "sim/stage/noise.hpp"

#include <algorithm>
#include <limits>
#include <string>
#include <utility>

namespace slowfilm::sim {

namespace {

// What stands for each quantity when the noise asks which one it is for.
enum : std::uint64_t {
    voltage_noise_of = 1,
    current_noise_of,
    temperature_noise_of,
    ambient_noise_of,
    terminals_noise_of
};

constexpr double shelf_coupling =
    0.15;  // of the cell's own rise reaches a thermometer on the shelf: invented, but such

double quantum(std::int64_t count, double unit) {
    return count > 1 ? static_cast<double>(count) * unit : 0.0;
}

}  // namespace

ChannelTraits bench_channel_traits() {
    using namespace literals;
    ChannelTraits traits;
    traits.period = 1_s;
    traits.settle = 100_ms;
    traits.voltage_min = -(5000_mV);
    traits.voltage_max = 6000_mV;
    traits.source_max = 6000_mA;
    traits.sink_max = 6000_mA;
    traits.voltage_accuracy = 1_mV;
    traits.voltage_resolution = 10_uV;
    traits.current_accuracy = 1_mA;
    traits.current_resolution = 10_uA;
    traits.reports_ceiling = true;
    traits.off_state = OffState::relay_open;
    traits.temperature_of = TemperatureOf::cell;
    traits.has_ambient = true;
    return traits;
}

Result<void> check(const StageOptions& options) {
    const auto refuse = [](const std::string& what) { return fail(Failure::bad_config, what); };
    const ChannelTraits& traits = options.traits;
    if (traits.voltage_min >= traits.voltage_max) {
        return refuse("a stage's voltage range must have its lower end below its upper");
    }
    if (traits.source_max.count < 0 || traits.sink_max.count < 0 || options.delay.count < 0) {
        return refuse("a stage's source_max, sink_max and delay cannot be negative");
    }
    for (const double noise : {options.voltage_noise, options.current_noise, options.temperature_noise}) {
        if (!(noise >= 0.0 && noise < 100.0)) {
            return refuse("a stage's noise is a standard deviation: 0 or more, not " + print_number(noise));
        }
    }
    for (const double gain :
         {options.voltage_gain, options.current_gain, options.set_voltage_gain, options.set_current_gain}) {
        if (!(gain > -0.5 && gain < 0.5)) {
            return refuse("a stage's gain error lies between -50 % and 50 %, not at " + print_number(gain * 100.0) +
                          " %");
        }
    }
    for (const double offset : {options.voltage_offset, options.current_offset, options.set_voltage_offset,
                                options.set_current_offset, options.temperature_offset, options.ambient_offset}) {
        if (!(offset > -100.0 && offset < 100.0)) {
            return refuse("a stage's offset lies within 100 V, A or K, not at " + print_number(offset));
        }
    }
    if (!(options.thermometer_lag >= 0.0 && options.thermometer_lag < 1e6)) {
        return refuse("a thermometer's lag is 0 s or more, not " + print_number(options.thermometer_lag));
    }
    if (!(options.temperature_resolution >= 0.0 && options.temperature_resolution < 10.0)) {
        return refuse("a thermometer's resolution is 0 K or more, not " + print_number(options.temperature_resolution));
    }
    if (!(options.off_leakage >= 0.0 && options.off_leakage < 10.0) || !(options.off_resistance > 0.0) ||
        !(options.lead_resistance >= 0.0)) {
        return refuse(
            "what a stage draws when off, and its leads, are resistances above 0 ohm and a current of 0 A or more");
    }
    if (!(options.ambient > -100.0 && options.ambient < 200.0)) {
        return refuse("an ambient of " + print_number(options.ambient) + " degC is no place for a bench");
    }
    for (const StageFault& fault : options.faults) {
        if (fault.from.count < 0 || fault.to <= fault.from) {
            return refuse("a stage's fault must end after it begins, and not begin before the cell is loaded");
        }
    }
    return {};
}

Stage::Stage(std::unique_ptr<Cell> cell, StageOptions options, Time loaded)
    : cell_(std::move(cell)), options_(std::move(options)), loaded_(loaded) {
    ENSURE(cell_ != nullptr);
    voltage_grid_.step = quantum(options_.traits.voltage_resolution.count, 1e-9);
    current_grid_.step = quantum(options_.traits.current_resolution.count, 1e-9);
    // A converter reads a twentieth of its span further than the instrument is made for.
    const Voltage margin = (options_.traits.voltage_max - options_.traits.voltage_min) / 20;
    least_shown_ = options_.traits.voltage_min - margin;
    most_shown_ = options_.traits.voltage_max + margin;
    temperature_grid_.step = options_.temperature_resolution;
    for (Grid* grid : {&voltage_grid_, &current_grid_, &temperature_grid_}) {
        grid->per_step = grid->step > 0.0 ? 1.0 / grid->step : 0.0;
    }
    seed_ = mixed(options_.seed);
    noisy_ = options_.voltage_noise > 0.0 || options_.current_noise > 0.0 || options_.temperature_noise > 0.0;
    cell_->ambient(0.0, options_.ambient);
    thermometer_ = cell_->at(0.0).temperature;
    thermometer_time_ = 0.0;
    drive_off(0.0);
}

double Stage::Grid::snap(double value) const {
    // Beyond this many steps the trick below would not round to whole ones, and no reading is there.
    const double steps = value * per_step;
    if (!(steps > -1e15 && steps < 1e15) || step == 0.0) {
        return value;
    }
    return ((steps + elementary::detail::round_magic) - elementary::detail::round_magic) * step;
}

double Stage::cell_time(Time now) const {
    return static_cast<double>((now - loaded_).count) * 1e-6;
}

std::uint64_t Stage::moment(Time now) const {
    return mixed(seed_ ^ static_cast<std::uint64_t>((now - loaded_).count));
}

double Stage::noise(std::uint64_t moment, std::uint64_t quantity, double deviation_of) {
    return deviation_of == 0.0 ? 0.0 : deviation_of * deviation(mixed(moment + quantity));
}

const StageFault* Stage::fault(StageFaultKind kind, Time now) const {
    const Duration since = now - loaded_;
    for (const StageFault& fault : options_.faults) {
        if (fault.kind == kind && since >= fault.from && since < fault.to) {
            return &fault;
        }
    }
    return nullptr;
}

bool Stage::answers(Time now) const {
    return fault(StageFaultKind::silent, now) == nullptr;
}

void Stage::ambient(double celsius, Time now) {
    options_.ambient = celsius;
    cell_->ambient(cell_time(now), celsius);
}

void Stage::set_faults(std::vector<StageFault> faults) {
    options_.faults = std::move(faults);
    opens_ = 0;
    has_last_ = false;
}

Demand Stage::within_range(const Demand& demand) const {
    const ChannelTraits& traits = options_.traits;
    const auto voltage = [&](Voltage v) { return std::clamp(v, traits.voltage_min, traits.voltage_max); };
    if (const auto* current = std::get_if<DriveCurrent>(&demand)) {
        return DriveCurrent{std::clamp(current->current, -traits.sink_max, traits.source_max),
                            voltage(current->ceiling), voltage(current->floor)};
    }
    if (const auto* hold = std::get_if<HoldVoltage>(&demand)) {
        return HoldVoltage{voltage(hold->voltage), std::min(hold->source_max, traits.source_max),
                           std::min(hold->sink_max, traits.sink_max)};
    }
    return demand;
}

Demand Stage::apply(const Demand& demand, Time now) {
    if (has_pending_ && pending_at_ <= now) {
        take_effect(pending_, pending_at_);
    }
    const Demand taken = within_range(demand);
    if (is_open(taken) && !is_open(demand_)) {
        if (fault(StageFaultKind::stuck_on, now) != nullptr) {
            return taken;
        }
        const StageFault* deaf = fault(StageFaultKind::ignores_open, now);
        if (deaf != nullptr && opens_ < deaf->count) {
            ++opens_;
            return taken;
        }
    }
    has_pending_ = false;
    if (options_.delay.count > 0) {
        pending_ = taken;
        pending_at_ = now + options_.delay;
        has_pending_ = true;
    } else {
        take_effect(taken, now);
    }
    return taken;
}

void Stage::take_effect(const Demand& demand, Time when) {
    has_pending_ = false;
    demand_ = demand;
    draining_ = false;
    const double t = cell_time(when);
    const auto set_voltage = [&](Voltage v) {
        return voltage_grid_.snap(volts(v) * (1.0 + options_.set_voltage_gain) + options_.set_voltage_offset);
    };
    const auto set_current = [&](Current i) {
        return current_grid_.snap(amperes(i) * (1.0 + options_.set_current_gain) + options_.set_current_offset);
    };
    if (const auto* current = std::get_if<DriveCurrent>(&demand)) {
        cell_->drive(
            t, CurrentDrive{set_current(current->current), set_voltage(current->ceiling), set_voltage(current->floor)});
    } else if (const auto* hold = std::get_if<HoldVoltage>(&demand)) {
        cell_->drive(t, VoltageDrive{set_voltage(hold->voltage), amperes(hold->source_max), amperes(hold->sink_max)});
    } else {
        drive_off(t);
    }
}

// What "off" does to the cell. A contactor isolates it whatever the stage does behind it.
void Stage::drive_off(double t) {
    if (options_.traits.has_contactor) {
        cell_->open(t);
        return;
    }
    switch (options_.traits.off_state) {
        case OffState::relay_open: cell_->open(t); break;
        case OffState::high_impedance:
            if (options_.off_leakage > 0.0) {
                cell_->drive(t, CurrentDrive{-options_.off_leakage, 100.0, -100.0});
            } else {
                cell_->open(t);
            }
            break;
        case OffState::sinks:
            cell_->open(t);
            draining_ = true;
            drain_ = 0.0;
            break;
    }
}

// The drain is a resistor: the current is set anew whenever the voltage across it has moved by a thousandth.
void Stage::follow_drain(double t, double voltage) {
    const double wanted = voltage / options_.off_resistance;
    const double change = wanted - drain_;
    const double least = 1e-3 * (drain_ < 0.0 ? -drain_ : drain_) + 1e-9;
    if (change > least || change < -least) {
        drain_ = wanted;
        cell_->drive(t, CurrentDrive{-wanted, 100.0, -100.0});
    }
}

double Stage::measured_temperature(const CellReading& reading, double t) {
    double true_value = reading.temperature;
    if (options_.traits.temperature_of == TemperatureOf::shelf) {
        true_value = options_.ambient + shelf_coupling * (true_value - options_.ambient);
    }
    if (options_.thermometer_lag <= 0.0) {
        return true_value;
    }
    const double step = t - thermometer_time_;
    if (step != lag_step_) {
        lag_step_ = step;
        lag_factor_ = elementary::exp(-step / options_.thermometer_lag);
    }
    thermometer_ = true_value + (thermometer_ - true_value) * lag_factor_;
    thermometer_time_ = t;
    return thermometer_;
}

StageMode Stage::reported(DriveMode mode) const {
    if (is_open(demand_)) {
        return StageMode::open;
    }
    if (!options_.traits.reports_ceiling) {
        return StageMode::unknown;
    }
    switch (mode) {
        case DriveMode::open: return StageMode::open;
        case DriveMode::constant_current:
        case DriveMode::at_source_limit:
        case DriveMode::at_sink_limit: return StageMode::constant_current;
        case DriveMode::at_ceiling: return StageMode::at_ceiling;
        case DriveMode::at_floor: return StageMode::at_floor;
        case DriveMode::constant_voltage: return StageMode::constant_voltage;
    }
    return StageMode::unknown;
}

void Stage::measure(const CellReading& reading, Time now, double t, Sample& sample) {
    // Behind an open relay nothing flows past the ammeter; what leaks or drains when "off" is on the cell's side of it.
    const double current = is_open(demand_) ? 0.0 : reading.current;
    double shown_voltage = reading.voltage * (1.0 + options_.voltage_gain) + options_.voltage_offset;
    double shown_current = current * (1.0 + options_.current_gain) + options_.current_offset;
    double shown_temperature = options_.temperature_offset;
    double shown_ambient = options_.ambient + options_.ambient_offset;
    if (options_.traits.temperature_of != TemperatureOf::none) {
        shown_temperature += measured_temperature(reading, t);
    }
    const std::uint64_t when = noisy_ ? moment(now) : 0;
    if (noisy_) {
        shown_voltage += noise(when, voltage_noise_of, options_.voltage_noise);
        shown_current += noise(when, current_noise_of, options_.current_noise);
        shown_temperature += noise(when, temperature_noise_of, options_.temperature_noise);
        shown_ambient += noise(when, ambient_noise_of, options_.temperature_noise);
    }
    seen_voltage_.read(now, voltage_grid_.snap(shown_voltage), quantise_voltage, sample.voltage);
    if (options_.reads_terminals) {
        const double terminals = shown_voltage + current * options_.lead_resistance +
                                 noise(when, terminals_noise_of, options_.voltage_noise);
        sample.terminals = quantise_voltage(now, voltage_grid_.snap(terminals));
    }
    seen_current_.read(now, current_grid_.snap(shown_current), quantise_current, sample.current);
    if (options_.traits.temperature_of != TemperatureOf::none) {
        seen_temperature_.read(now, temperature_grid_.snap(shown_temperature), quantise_temperature,
                               sample.temperature);
    }
    if (options_.traits.has_ambient) {
        seen_ambient_.read(now, temperature_grid_.snap(shown_ambient), quantise_temperature, sample.ambient);
    }
    sample.mode = reported(reading.mode);
    if (sample.voltage.value > most_shown_ || sample.voltage.value < least_shown_) {
        sample.voltage = {now, Voltage{}, Quality::bad};
    }
}

void Stage::spoil(Sample& sample, Time now) {
    ++samples_;
    if (const StageFault* thermometer = fault(StageFaultKind::thermometer, now)) {
        if (options_.traits.temperature_of != TemperatureOf::none) {
            sample.temperature = quantise_temperature(now, thermometer->value);
        }
    }
    const StageFault* bad = fault(StageFaultKind::bad_voltage, now);
    if (bad != nullptr && samples_ % std::max(bad->count, 1U) == 0) {
        sample.voltage = quantise_voltage(now, std::numeric_limits<double>::quiet_NaN());
    }
}

Sample Stage::sample(Time now) {
    if (has_pending_ && pending_at_ <= now) {
        take_effect(pending_, pending_at_);
    }
    const double t = cell_time(now);
    CellReading reading = cell_->at(t);
    if (draining_) {
        follow_drain(t, reading.voltage);
    }
    Sample sample;
    if (options_.faults.empty()) {
        measure(reading, now, t, sample);
        sample.raw_hash = hash_of(sample);
        return sample;
    }
    if (!answers(now)) {
        return sample;
    }
    measure(reading, now, t, sample);
    spoil(sample, now);
    if (has_last_ && fault(StageFaultKind::frozen, now) != nullptr) {
        sample = last_;
        for (Time* time : {&sample.voltage.time, &sample.terminals.time, &sample.current.time, &sample.temperature.time,
                           &sample.ambient.time}) {
            *time = now;
        }
        return sample;
    }
    sample.raw_hash = hash_of(sample);
    last_ = sample;
    has_last_ = true;
    return sample;
}

std::uint32_t Stage::hash_of(const Sample& sample) {
    const auto word = [](std::int64_t count) { return static_cast<std::uint64_t>(count); };
    const std::uint64_t all = word(sample.voltage.value.count) * 0x9E37'79B9'7F4A'7C15U +
                              word(sample.current.value.count) * 0xC2B2'AE3D'27D4'EB4FU +
                              word(sample.temperature.value.count);
    return static_cast<std::uint32_t>(mixed(all) >> 32U);
}

}  // namespace slowfilm::sim
