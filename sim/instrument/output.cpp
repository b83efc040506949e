#include "sim/instrument/output.hpp"

#include <algorithm>
#include <limits>
#include <utility>

namespace slowfilm::sim::instrument {

namespace {

constexpr double crowbar_voltage = 1.0;   // V: what a conducting thyristor drops; invented, but such
constexpr double crowbar_current = 20.0;  // A: what its leads let through

constexpr std::size_t at(Setting setting) {
    return static_cast<std::size_t>(setting);
}

Voltage as_voltage(std::int64_t count) {
    return Voltage{count};
}
Current as_current(std::int64_t count) {
    return Current{count};
}
Current amperes_of(double amperes) {
    return Current{static_cast<std::int64_t>(amperes * 1e9)};
}

// The stage takes whatever the output lets it: the ranges are the output's, and a crowbar knows none.
StageOptions stage_options(const OutputOptions& options) {
    StageOptions stage = options.stage;
    stage.traits.source_max = std::max(options.source_max, amperes_of(crowbar_current));
    stage.traits.sink_max = std::max(options.sink_max, amperes_of(crowbar_current));
    stage.traits.reports_ceiling = true;
    return stage;
}

double runaway_of(const OutputOptions& options) {
    return volts(std::max(options.voltage_max, options.protection_most)) * 1.1;
}

std::unique_ptr<Leads> make_leads(const OutputOptions& options, std::shared_ptr<Fixture> fixture, Leads*& out) {
    auto leads = std::make_unique<Leads>(std::move(fixture), runaway_of(options), options.sensed);
    out = leads.get();
    return leads;
}

}  // namespace

Output::Output(const OutputOptions& options, std::shared_ptr<Fixture> fixture)
    : options_(options),
      leads_(nullptr),
      stage_(make_leads(options, std::move(fixture), leads_), stage_options(options)) {
    reset(Time{});
}

bool Output::has(Setting setting) const {
    switch (setting) {
        case Setting::voltage: return options_.kind != OutputKind::load;
        case Setting::current: return true;
        case Setting::sink: return options_.kind == OutputKind::source;
        case Setting::low: return options_.kind == OutputKind::load;
        case Setting::voltage_protection:
        case Setting::current_protection: return options_.kind != OutputKind::load;
    }
    return false;
}

Output::Range Output::range(Setting setting) const {
    const OutputOptions& o = options_;
    const Current most = o.kind == OutputKind::load ? o.sink_max : o.source_max;
    switch (setting) {
        case Setting::voltage: return {0, o.voltage_max.count, o.voltage_step.count, 0};
        case Setting::current: return {0, most.count, o.current_step.count, 0};
        case Setting::sink: return {0, o.sink_max.count, o.current_step.count, 0};
        case Setting::low: return {0, o.voltage_max.count, o.voltage_step.count, 0};
        case Setting::voltage_protection:
            return {o.protection_least.count, o.protection_most.count, 10 * o.voltage_step.count,
                    o.protection_most.count};
        case Setting::current_protection: {
            const std::int64_t end = most.count + most.count / 5;
            return {0, end, 10 * o.current_step.count, end};
        }
    }
    return {};
}

std::int64_t Output::get(Setting setting) const {
    if (setting == Setting::voltage_protection && wrong_protection_) {
        return *wrong_protection_;
    }
    return settings_[at(setting)];
}

Output::Taken Output::set(Setting setting, std::int64_t value, Time now) {
    const Range limits = range(setting);
    if (value < limits.least || value > limits.most) {
        return Taken::out_of_range;
    }
    if (setting == Setting::voltage && protects_[at(Setting::voltage_protection)] &&
        value > get(Setting::voltage_protection)) {
        return Taken::conflict;
    }
    settings_[at(setting)] = (value + limits.step / 2) / limits.step * limits.step;
    apply(now);
    return Taken::yes;
}

// --- What it does ----------------------------------------------------------------------------------------------------

Demand Output::demand() const {
    if (fired_) {
        return HoldVoltage{Voltage{static_cast<std::int64_t>(crowbar_voltage * 1e9)}, Current{},
                           amperes_of(crowbar_current)};
    }
    if (!on_) {
        const double drain = std::max(off_drain_, options_.off_to_zero);
        if (drain > 0.0 && !stuck_) {
            return HoldVoltage{Voltage{}, Current{}, amperes_of(drain)};
        }
        return Open{};
    }
    const Current current = as_current(get(Setting::current));
    switch (options_.kind) {
        case OutputKind::source:
            return HoldVoltage{as_voltage(get(Setting::voltage)), current, as_current(get(Setting::sink))};
        case OutputKind::supply: return HoldVoltage{as_voltage(get(Setting::voltage)), current, Current{}};
        case OutputKind::load: return DriveCurrent{-current, options_.voltage_max, as_voltage(get(Setting::low))};
    }
    return Open{};
}

void Output::apply(Time now) {
    (void)stage_.apply(demand(), now);
}

void Output::switch_output(bool on, Time now) {
    if (!on && ignored_ && *ignored_ > 0) {
        --*ignored_;
        return;
    }
    on_ = on && !tripped_[at(Setting::voltage_protection)] && !tripped_[at(Setting::current_protection)];
    apply(now);
}

void Output::protect(Setting which, bool on, Time now) {
    protects_[at(which)] = on;
    tick(now);
}

bool Output::protects(Setting which) const {
    return protects_[at(which)];
}

bool Output::tripped(Setting which) const {
    return tripped_[at(which)];
}

void Output::clear_protection(Time now) {
    tripped_ = {};
    fired_ = false;
    apply(now);
}

void Output::trip(Setting which, Time now) {
    tripped_[at(which)] = true;
    on_ = false;
    fired_ = fired_ || (options_.crowbar && which == Setting::voltage_protection);
    apply(now);
}

void Output::connect(Time now) {
    leads_->contactor(!options_.contactor || contactor_closed_ || welded_, seconds(now - Time{}));
}

void Output::switch_contactor(bool closed, Time now) {
    contactor_closed_ = closed;
    connect(now);
}

void Output::reset(Time now) {
    for (const Setting setting : {Setting::voltage, Setting::current, Setting::sink, Setting::low,
                                  Setting::voltage_protection, Setting::current_protection}) {
        settings_[at(setting)] = range(setting).reset;
    }
    const bool protects = options_.kind != OutputKind::load;
    protects_ = {};
    protects_[at(Setting::voltage_protection)] = protects;
    tripped_ = {};
    fired_ = false;
    on_ = false;
    counted_ = 0.0;
    contactor_closed_ = false;
    connect(now);
    apply(now);
}

// Its protection watches its own terminals: a sense lead that has come off does not blind it.
void Output::tick(Time now) {
    const Sample sample = stage_.sample(now);
    const double hours = seconds(now - std::exchange(ticked_, now)) / 3'600.0;
    if (!on_) {
        return;
    }
    counted_ += sample.current.good() ? amperes(sample.current.value) * hours : 0.0;
    if (protects_[at(Setting::voltage_protection)] &&
        terminals(now) > volts(as_voltage(get(Setting::voltage_protection)))) {
        trip(Setting::voltage_protection, now);
    }
    if (protects_[at(Setting::current_protection)] && sample.current.good() &&
        magnitude(sample.current.value).count > get(Setting::current_protection)) {
        trip(Setting::current_protection, now);
    }
}

// --- What it reads ---------------------------------------------------------------------------------------------------

Sample Output::sample(Time now) {
    Sample sample = stage_.sample(now);
    if (!on_ && !stuck_) {  // what off takes flows on the cell's side of its ammeter
        sample.current.value = Current{};
    }
    if (options_.kind == OutputKind::load) {
        sample.current.value = -sample.current.value;
    }
    return sample;
}

double Output::counted() const {
    return options_.kind == OutputKind::load ? -counted_ : counted_;
}

double Output::terminals(Time now) {
    return leads_->terminals(seconds(now - Time{}));
}

std::string_view Output::mode(Time now) {
    if (!on_) {
        return "OFF";
    }
    switch (stage_.sample(now).mode) {
        case StageMode::unknown:
        case StageMode::open: return "OFF";
        case StageMode::constant_current: return "CC";
        case StageMode::at_floor: return "LOW";
        case StageMode::at_ceiling:
        case StageMode::constant_voltage: return "CV";
    }
    return "OFF";
}

// --- Faults ----------------------------------------------------------------------------------------------------------

void Output::tell_stage() {
    std::vector<StageFault> faults;
    if (stuck_) {
        faults.push_back({.kind = StageFaultKind::stuck_on});
    }
    if (stale_) {
        faults.push_back({.kind = StageFaultKind::frozen});
    }
    if (thermometer_) {
        faults.push_back({.kind = StageFaultKind::thermometer, .value = *thermometer_});
    }
    stage_.set_faults(std::move(faults));
}

void Output::conflict(Time now) {
    settings_[at(Setting::current)] /= 2;
    apply(now);
}

bool Output::set_fault(const Fault& fault, bool on, Time now) {
    const double t = seconds(now - Time{});
    const auto switch_on = [&](double otherwise) { return on ? fault.value.value_or(otherwise) : 0.0; };
    switch (fault.kind) {
        case FaultKind::output_stuck_on: stuck_ = on; break;
        case FaultKind::stale: stale_ = on; break;
        case FaultKind::off_ignored:
            ignored_ = on ? std::optional{fault.value ? static_cast<std::int64_t>(*fault.value)
                                                      : std::numeric_limits<std::int64_t>::max()}
                          : std::nullopt;
            return true;
        case FaultKind::protection_opened:
            if (options_.kind == OutputKind::load) {
                return false;
            }
            trip(Setting::voltage_protection, now);
            return true;
        case FaultKind::protection_wrong:
            wrong_protection_ =
                on ? std::optional{static_cast<std::int64_t>(fault.value.value_or(0.0) * 1e9)} : std::nullopt;
            return options_.kind != OutputKind::load;
        case FaultKind::off_sinks: off_drain_ = switch_on(0.01); break;
        case FaultKind::off_to_zero: off_drain_ = switch_on(1.0); break;
        case FaultKind::crowbar: fired_ = on; break;
        case FaultKind::contactor_welded:
            if (!options_.contactor) {
                return false;
            }
            welded_ = on;
            connect(now);
            return true;
        case FaultKind::sense_swapped: leads_->sense(on ? Sense::swapped : Sense::right, t); return true;
        case FaultKind::sense_lifted: leads_->sense(on ? Sense::lifted : Sense::right, t); return true;
        case FaultKind::thermometer:
            thermometer_ =
                on ? std::optional{fault.value.value_or(std::numeric_limits<double>::quiet_NaN())} : std::nullopt;
            break;
        case FaultKind::silent:
        case FaultKind::frozen:
        case FaultKind::late:
        case FaultKind::split:
        case FaultKind::merged:
        case FaultKind::garbled:
        case FaultKind::echoing:
        case FaultKind::last_answer_again:
        case FaultKind::unplugged:
        case FaultKind::rebooted:
        case FaultKind::saturated:
        case FaultKind::over_range:
        case FaultKind::stars:
        case FaultKind::decimal_comma:
        case FaultKind::wrong_identity:
        case FaultKind::error_queued:
        case FaultKind::settings_conflict:
        case FaultKind::panel_turned:
        case FaultKind::thermometers_swapped: return false;
    }
    tell_stage();
    apply(now);
    return true;
}

}  // namespace slowfilm::sim::instrument
