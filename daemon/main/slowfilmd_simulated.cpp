#include "daemon/main/slowfilmd_simulated.hpp"

#include "sim/channel/simulated_channel.hpp"
#include "sim/sets/particle_sets.hpp"

#include <limits>
#include <optional>
#include <string>
#include <utility>

namespace slowfilm::daemon {
namespace {

using bench::SimulatedConfig;
using bench::SimulatedFault;
using bench::SimulatedFaultKind;

double ohms(Resistance resistance) {
    return static_cast<double>(resistance.count) * 1e-9;
}
double kelvins(TemperatureDifference difference) {
    return static_cast<double>(difference.count) * 1e-3;
}
double kelvins_a_second(TemperatureSlope slope) {
    constexpr double per_kelvin_a_second = 3'600'000.0;
    return static_cast<double>(slope.count) / per_kelvin_a_second;
}
double plain(Ratio ratio) {
    return static_cast<double>(ratio.count) * 1e-6;
}

void add_cell_fault(sim::CircuitParameters& cell, const SimulatedFault& fault, sim::CellFaultKind kind,
                    double magnitude) {
    cell.faults.push_back({kind, magnitude, seconds(fault.after), ampere_hours(fault.after_charge)});
}

void add_stage_fault(sim::StageOptions& stage, const SimulatedFault& fault, sim::StageFaultKind kind,
                     double value = 0.0) {
    sim::StageFault made;
    made.kind = kind;
    made.from = fault.after;
    made.to = fault.until.value_or(made.to);
    made.count = fault.count;
    made.value = value;
    stage.faults.push_back(made);
}

void add_fault(sim::SimulatedChannelOptions& options, const SimulatedFault& fault) {
    using Cell = sim::CellFaultKind;
    using Stage = sim::StageFaultKind;
    const double open_sensor = std::numeric_limits<double>::quiet_NaN();
    switch (fault.kind) {
        case SimulatedFaultKind::internal_short:
            add_cell_fault(options.cell, fault, Cell::internal_short, ohms(fault.resistance));
            return;
        case SimulatedFaultKind::contact_resistance:
            add_cell_fault(options.cell, fault, Cell::contact_resistance, ohms(fault.resistance));
            return;
        case SimulatedFaultKind::heat: add_cell_fault(options.cell, fault, Cell::heat, fault.power_watt); return;
        case SimulatedFaultKind::reversed: options.cell.reversed = true; return;
        case SimulatedFaultKind::ignores_open: add_stage_fault(options.stage, fault, Stage::ignores_open); return;
        case SimulatedFaultKind::stuck_on: add_stage_fault(options.stage, fault, Stage::stuck_on); return;
        case SimulatedFaultKind::silent: add_stage_fault(options.stage, fault, Stage::silent); return;
        case SimulatedFaultKind::frozen: add_stage_fault(options.stage, fault, Stage::frozen); return;
        case SimulatedFaultKind::thermometer:
            add_stage_fault(options.stage, fault, Stage::thermometer,
                            fault.reads ? celsius(*fault.reads) : open_sensor);
            return;
        case SimulatedFaultKind::bad_voltage: add_stage_fault(options.stage, fault, Stage::bad_voltage); return;
    }
}

void set_errors(sim::StageOptions& stage, const SimulatedConfig& config) {
    stage.voltage_gain = plain(config.voltage_gain);
    stage.voltage_offset = volts(config.voltage_offset);
    stage.current_gain = plain(config.current_gain);
    stage.current_offset = amperes(config.current_offset);
    stage.voltage_noise = volts(config.voltage_noise);
    stage.current_noise = amperes(config.current_noise);
    stage.temperature_noise = kelvins(config.temperature_noise);
}

}  // namespace

Result<std::unique_ptr<channel::Channel>> SimulatedBench::make(const bench::ChannelConfig& config,
                                                               const bench::ChamberConfig* chamber) {
    const SimulatedConfig& simulated = config.simulated;
    sim::SimulatedChannelOptions options;
    if (simulated.set_file.empty() && simulated.chemistry.empty()) {
        options.set_of = [](const std::string& chemistry) -> std::optional<sim::ParticleParameters> {
            Result<sim::ParticleParameters> set = sim::particle_set(chemistry);
            return set ? std::optional{std::move(*set)} : std::nullopt;
        };
    } else {
        Result<sim::ParticleParameters> set = simulated.set_file.empty() ? sim::particle_set(simulated.chemistry)
                                                                         : sim::particle_set_in(simulated.set_file);
        if (!set) {
            return tl::unexpected(set.error());
        }
        options.set = std::move(*set);
    }
    options.stage.traits = config.traits;
    options.stage.seed = simulated.seed;
    options.stage.ambient = celsius(simulated.ambient);
    options.stage.delay = simulated.delay;
    options.stage.thermometer_lag = seconds(simulated.thermometer_lag);
    set_errors(options.stage, simulated);
    options.capacity_spread = plain(simulated.capacity_spread);
    options.resistance_spread = plain(simulated.resistance_spread);
    options.faulty_cell = simulated.faulty_cell;
    for (const SimulatedFault& fault : simulated.faults) {
        add_fault(options, fault);
    }
    if (chamber != nullptr) {
        std::shared_ptr<sim::Chamber>& shared = chambers_[chamber->name];
        if (!shared) {
            shared = std::make_shared<sim::Chamber>(celsius(bench::safe_ambient), kelvins_a_second(chamber->ramp),
                                                    celsius(chamber->min), celsius(chamber->max));
        }
        options.chamber = shared;
    }
    return sim::make_simulated_channel(std::move(options));
}

}  // namespace slowfilm::daemon
