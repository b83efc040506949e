#include "sim/instrument/modbus_instruments.hpp"

#include "daemon/core/text.hpp"
#include "daemon/wire/modbus_value.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <utility>

namespace slowfilm::sim::instrument {

namespace {

namespace modbus = wire::modbus;

// A module's registers: whole tenths, then the same as 32-bit numbers in either word order, then 25 degC in all three
// for a profile to prove itself with.
constexpr std::uint16_t floats_at = 100;
constexpr std::uint16_t swapped_floats_at = 200;
constexpr std::uint16_t known_at = 300;
constexpr double known_reading = 25.0;        // degC
constexpr std::uint16_t no_reading = 0x8000;  // of a broken sensor: the least 16-bit number

// A chamber's: what it is set to, what it has, whether it is on.
constexpr std::uint16_t chamber_set = 0;
constexpr std::uint16_t chamber_has = 1;
constexpr std::uint16_t chamber_on = 2;

std::uint16_t tenths(std::optional<double> celsius) {
    const double tenths = std::round(celsius.value_or(0.0) * 10.0);
    return celsius && tenths > -32768.0 && tenths < 32768.0
               ? static_cast<std::uint16_t>(static_cast<std::int16_t>(tenths))
               : no_reading;
}

std::uint16_t half_of_float(std::optional<double> celsius, modbus::WordOrder order, std::size_t half) {
    const modbus::RegisterFormat format{
        .type = modbus::RegisterType::f32, .order = order, .least = -1e30, .most = 1e30};
    const auto words =
        celsius ? modbus::encode_value(*celsius, format) : tl::unexpected{modbus::ValueFault::not_finite};
    if (words) {
        return words->at(half);
    }
    return (order == modbus::WordOrder::abcd) == (half == 0) ? 0x7FC0 : 0;  // a float that is no number
}

}  // namespace

// --- The line --------------------------------------------------------------------------------------------------------

std::string ModbusInstrument::answer(const std::vector<modbus::Heard>& heard, Time now) {
    std::string answers;
    for (const modbus::Heard& one : heard) {
        if (one.unit != unit_ && one.unit != 0) {
            continue;
        }
        std::string reply;
        if (std::exchange(busy_, false)) {
            reply = modbus::encode_exception(unit_, one.function, modbus::Exception::busy);
        } else if (!one.request) {
            reply = modbus::encode_exception(unit_, one.function, one.refusal);
        } else if (const Registers values = obey(*one.request, now)) {
            reply = modbus::encode_reply(*one.request, *values);
        } else {
            reply = modbus::encode_exception(unit_, one.function, values.error());
        }
        answers += one.unit == 0 ? "" : reply;  // a broadcast is obeyed and not answered
    }
    return answers;
}

std::string ModbusInstrument::hear(char byte, Time now) {
    return answer(requests_.push({&byte, 1}), now);
}

std::string ModbusInstrument::silence(Time now) {
    return answer(requests_.gap(), now);
}

// --- Thermometers ----------------------------------------------------------------------------------------------------

TemperatureModule::TemperatureModule(std::uint8_t unit, std::vector<std::unique_ptr<Stage>> thermometers)
    : ModbusInstrument(unit), thermometers_(std::move(thermometers)) {}

void TemperatureModule::tick(Time now) {
    for (const std::unique_ptr<Stage>& thermometer : thermometers_) {
        (void)thermometer->sample(now);  // its lag follows at a steady pace
    }
}

std::optional<double> TemperatureModule::read(std::size_t index, Time now) {
    if (swapped_ && index < 2 && thermometers_.size() > 1) {
        index = 1 - index;
    }
    if (broken_) {
        return value_;
    }
    const Sample sample = thermometers_[index]->sample(now);
    if (!sample.temperature.good()) {
        return std::nullopt;
    }
    return saturated_ ? 3276.7 : celsius(sample.temperature.value);
}

std::optional<std::uint16_t> TemperatureModule::word(std::uint16_t address, Time now) {
    const auto count = static_cast<std::uint16_t>(thermometers_.size());
    const auto within = [&](std::uint16_t begin, std::uint16_t size) {
        return address >= begin && address < begin + size;
    };
    if (within(0, count)) {
        return tenths(read(address, now));
    }
    for (const auto& [begin, order] :
         {std::pair{floats_at, modbus::WordOrder::abcd}, std::pair{swapped_floats_at, modbus::WordOrder::cdab}}) {
        if (within(begin, static_cast<std::uint16_t>(2 * count))) {
            const std::size_t place = static_cast<std::size_t>(address - begin);
            return half_of_float(read(place / 2, now), order, place % 2);
        }
    }
    switch (address) {
        case known_at: return tenths(known_reading);
        case known_at + 2:
        case known_at + 3: return half_of_float(known_reading, modbus::WordOrder::abcd, address - known_at - 2U);
        case known_at + 4:
        case known_at + 5: return half_of_float(known_reading, modbus::WordOrder::cdab, address - known_at - 4U);
        default: return std::nullopt;
    }
}

ModbusInstrument::Registers TemperatureModule::obey(const modbus::Request& request, Time now) {
    if (request.function != modbus::Function::read_holding && request.function != modbus::Function::read_input) {
        return tl::unexpected{modbus::Exception::illegal_function};
    }
    std::vector<std::uint16_t> words;
    for (std::uint16_t at = 0; at < request.count; ++at) {
        const std::optional<std::uint16_t> value = word(static_cast<std::uint16_t>(request.address + at), now);
        if (!value) {
            return tl::unexpected{modbus::Exception::illegal_address};
        }
        words.push_back(*value);
    }
    return words;
}

void TemperatureModule::tell_stages() {
    for (const std::unique_ptr<Stage>& thermometer : thermometers_) {
        thermometer->set_faults(stale_ ? std::vector<StageFault>{{.kind = StageFaultKind::frozen}}
                                       : std::vector<StageFault>{});
    }
}

Result<void, std::string> TemperatureModule::set_fault(const Fault& fault, bool on, Time /*now*/) {
    if (fault.kind == FaultKind::thermometers_swapped && thermometers_.size() > 1) {
        swapped_ = on;
    } else if (fault.kind == FaultKind::stale) {
        stale_ = on;
        tell_stages();
    } else if (fault.kind == FaultKind::thermometer || fault.kind == FaultKind::over_range) {
        broken_ = on;
        value_ = on ? fault.value : std::nullopt;
    } else if (fault.kind == FaultKind::saturated) {
        saturated_ = on;
    } else if (fault.kind == FaultKind::error_queued) {
        busy_ = true;
    } else if (fault.kind != FaultKind::rebooted) {  // it has nothing to lose
        return tl::unexpected<std::string>("a temperature module like this cannot have that");
    }
    return {};
}

std::string TemperatureModule::describe(Time now) {
    std::string text = "temperature module, reads";
    for (std::size_t index = 0; index < thermometers_.size(); ++index) {
        const std::optional<double> value = read(index, now);
        text += " " + (value ? print_fixed(*value, 2) : std::string{"-"});
    }
    return text + " degC\n";
}

// --- The chamber -----------------------------------------------------------------------------------------------------

// In small steps: each makes the cell's equations anew.
void ChamberRoom::follow(Time now) {
    constexpr double step = 0.01;  // K
    const double celsius = chamber_.at(now);
    if (celsius > told_ - step && celsius < told_ + step) {
        return;
    }
    told_ = celsius;
    for (const std::shared_ptr<Fixture>& fixture : inside_) {
        fixture->ambient(seconds(now - Time{}), celsius);
    }
    for (Stage* const thermometer : hanging_) {
        thermometer->ambient(celsius, now);
    }
}

ChamberInstrument::ChamberInstrument(std::uint8_t unit, std::shared_ptr<ChamberRoom> chamber, double room, double least,
                                     double most)
    : ModbusInstrument(unit), chamber_(std::move(chamber)), room_(room), least_(least), most_(most), set_(room) {}

void ChamberInstrument::tick(Time now) {
    chamber_->follow(now);
}

void ChamberInstrument::turn(double set, bool on, Time now) {
    set_ = set;
    on_ = on;
    chamber_->set(on ? set : room_, now);
}

ModbusInstrument::Registers ChamberInstrument::obey(const modbus::Request& request, Time now) {
    const bool writes =
        request.function == modbus::Function::write_register || request.function == modbus::Function::write_registers;
    const bool reads =
        request.function == modbus::Function::read_holding || request.function == modbus::Function::read_input;
    if (!writes && !reads) {
        return tl::unexpected{modbus::Exception::illegal_function};
    }
    const unsigned end = unsigned{request.address} + unsigned{request.count};
    if (end > chamber_on + 1U || (writes && request.address <= chamber_has && end > chamber_has)) {
        return tl::unexpected{modbus::Exception::illegal_address};
    }
    if (writes) {
        const std::uint16_t word = request.values.front();
        const double celsius = static_cast<std::int16_t>(word) / 10.0;
        const bool refused = request.address == chamber_set ? celsius < least_ || celsius > most_ : word > 1;
        if (refused) {
            return tl::unexpected{modbus::Exception::illegal_value};
        }
        turn(request.address == chamber_set ? celsius : set_, request.address == chamber_set ? on_ : word == 1, now);
        return std::vector<std::uint16_t>{};
    }
    const std::uint16_t all[] = {tenths(set_), tenths(stale_ ? *stale_ : chamber_->at(now)),
                                 static_cast<std::uint16_t>(on_ ? 1 : 0)};
    return std::vector<std::uint16_t>(all + request.address, all + end);
}

Result<void, std::string> ChamberInstrument::set_fault(const Fault& fault, bool on, Time now) {
    if (fault.kind == FaultKind::rebooted) {
        turn(room_, false, now);
    } else if (fault.kind == FaultKind::stale) {
        stale_ = on ? std::optional{chamber_->at(now)} : std::nullopt;
    } else if (fault.kind == FaultKind::error_queued) {
        busy_ = true;
    } else if (fault.kind == FaultKind::panel_turned && fault.value && fault.setting == "temp") {
        turn(std::clamp(*fault.value, least_, most_), on_, now);
    } else {
        return tl::unexpected<std::string>("a chamber cannot have that; its front panel has temp");
    }
    return {};
}

std::string ChamberInstrument::describe(Time now) {
    return std::string{"chamber, "} + (on_ ? "on" : "off") + ", set to " + print_fixed(set_, 1) + ", is at " +
           print_fixed(chamber_->at(now), 2) + " degC\n";
}

}  // namespace slowfilm::sim::instrument
