#include "sim/instrument/scpi_instrument.hpp"

#include "daemon/core/text.hpp"

#include <algorithm>
#include <array>
#include <utility>

namespace slowfilm::sim::instrument {

namespace {

// The front panel's names of settings.
constexpr std::array<std::pair<std::string_view, Setting>, setting_count> panel_settings{{
    {"volt", Setting::voltage},
    {"curr", Setting::current},
    {"sink", Setting::sink},
    {"low", Setting::low},
    {"prot", Setting::voltage_protection},
    {"curr-prot", Setting::current_protection},
}};

std::string_view unit_of(Setting setting) {
    const bool current =
        setting == Setting::current || setting == Setting::sink || setting == Setting::current_protection;
    return current ? "A" : "V";
}

}  // namespace

ScpiInstrument::ScpiInstrument(ScpiOptions options, std::vector<std::unique_ptr<Output>> outputs)
    : options_(std::move(options)), outputs_(std::move(outputs)), lines_(wire::LineRules{.cr_ends = true}) {}

std::string ScpiInstrument::hear(char byte, Time now) {
    std::string answers;
    for (const wire::Line& line : lines_.push({&byte, 1})) {
        if (line.too_long) {
            status_.error(ScpiError::overrun);
        } else {
            answers += obey(line.text, now);
        }
    }
    return answers;
}

void ScpiInstrument::tick(Time now) {
    unsigned condition = 0;
    for (const std::unique_ptr<Output>& output : outputs_) {
        output->tick(now);
        condition |= output->tripped(Setting::voltage_protection) ? 1U : 0U;
        condition |= output->tripped(Setting::current_protection) ? 2U : 0U;
    }
    status_.questionable(condition);
}

// --- What its meters and settings look like on the wire --------------------------------------------------------------

std::string ScpiInstrument::written(double value) const {
    std::string text = wire::print_nr3(value);
    if (comma_) {
        std::replace(text.begin(), text.end(), '.', ',');
    }
    return text;
}

// `end`: the end of its range, for a meter that is saturated.
std::string ScpiInstrument::reading(double value, bool good, double end) const {
    if (stars_) {
        return "*****";
    }
    if (over_range_ || !good) {
        return "9.9E37";
    }
    return written(saturated_ ? end : value);
}

// --- Faults ----------------------------------------------------------------------------------------------------------

void ScpiInstrument::power_cycle(Time now) {
    for (const std::unique_ptr<Output>& output : outputs_) {
        output->reset(now);
    }
    status_.power_on();
    lines_.reset();
    selected_ = 0;
    remote_ = panel_locked_ = false;
    four_wire_ = true;
}

Result<void, std::string> ScpiInstrument::turn_panel(const Fault& fault, Time now) {
    const auto refuse = [](std::string why) { return tl::unexpected<std::string>(std::move(why)); };
    if (panel_locked_) {
        return refuse("its front panel is locked");
    }
    if (!fault.value) {
        return refuse("needs a value to turn to");
    }
    if (fault.output > outputs_.size()) {
        return refuse("has no output " + std::to_string(fault.output));
    }
    Output& output = *outputs_[fault.output == 0 ? selected_ : fault.output - 1];
    if (fault.setting == "output") {
        output.switch_output(*fault.value != 0.0, now);
        return {};
    }
    for (const auto& [name, setting] : panel_settings) {
        if (name != fault.setting || !output.has(setting)) {
            continue;
        }
        if (output.set(setting, static_cast<std::int64_t>(*fault.value * 1e9), now) != Output::Taken::yes) {
            return refuse("its front panel does not go to " + print_number(*fault.value) + " " +
                          std::string{unit_of(setting)});
        }
        return {};
    }
    return refuse(
        "has nothing called \"" + escaped(fault.setting, 40) +
        "\" on its front panel; there are volt, curr, sink, low, prot, curr-prot and output, as far as it has "
        "them");
}

// False where it is none of these.
bool ScpiInstrument::set_own_fault(FaultKind kind, bool on) {
    bool* const flag = kind == FaultKind::saturated           ? &saturated_
                       : kind == FaultKind::over_range        ? &over_range_
                       : kind == FaultKind::stars             ? &stars_
                       : kind == FaultKind::decimal_comma     ? &comma_
                       : kind == FaultKind::wrong_identity    ? &other_model_
                       : kind == FaultKind::settings_conflict ? &conflict_
                                                              : nullptr;
    if (flag != nullptr) {
        *flag = on;
    }
    return flag != nullptr;
}

Result<void, std::string> ScpiInstrument::set_fault(const Fault& fault, bool on, Time now) {
    if (fault.kind == FaultKind::rebooted) {
        power_cycle(now);
        return {};
    }
    if (fault.kind == FaultKind::error_queued) {
        status_.error(static_cast<int>(fault.value.value_or(-300.0)));
        return {};
    }
    if (fault.kind == FaultKind::panel_turned) {
        return turn_panel(fault, now);
    }
    if (set_own_fault(fault.kind, on)) {
        return {};
    }
    if (fault.output > outputs_.size()) {
        return tl::unexpected<std::string>("has no output " + std::to_string(fault.output));
    }
    bool taken = false;
    for (std::size_t index = 0; index < outputs_.size(); ++index) {
        if (fault.output == 0 || fault.output == index + 1) {
            taken = outputs_[index]->set_fault(fault, on, now) || taken;
        }
    }
    if (!taken) {
        return tl::unexpected<std::string>("a " + options_.model + " like this cannot have that");
    }
    return {};
}

std::string ScpiInstrument::describe(Time now) {
    std::string text = options_.model + (panel_locked_ ? ", panel locked" : "") + ", " +
                       std::to_string(status_.errors()) + " errors queued\n";
    for (std::size_t index = 0; index < outputs_.size(); ++index) {
        Output& output = *outputs_[index];
        const Sample sample = output.sample(now);
        text += "  output " + std::to_string(index + 1) + ": " + (output.on() ? "on" : "off") + " " +
                std::string{output.mode(now)} + ", reads " + print_fixed(volts(sample.voltage.value), 4) + " V " +
                print_fixed(amperes(sample.current.value), 4) + " A; set";
        for (const auto& [name, setting] : panel_settings) {
            if (output.has(setting)) {
                text += " " + std::string{name} + " " + print_number(static_cast<double>(output.get(setting)) / 1e9);
            }
        }
        text += output.tripped(Setting::voltage_protection) || output.tripped(Setting::current_protection)
                    ? "; its protection has opened\n"
                    : "\n";
    }
    return text;
}

std::optional<bool> ScpiInstrument::truth(const std::string& text) {
    if (const auto read = wire::read_boolean(text)) {
        return *read;
    }
    status_.error(text.find_first_not_of("0123456789.+-eE") == std::string::npos ? ScpiError::out_of_range
                                                                                 : ScpiError::illegal_value);
    return std::nullopt;
}

}  // namespace slowfilm::sim::instrument
