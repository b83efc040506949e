#include "daemon/channel/chamber_unit.hpp"

#include "daemon/core/text.hpp"

#include <cmath>
#include <utility>

namespace slowfilm::channel {

namespace modbus = wire::modbus;

ChamberUnit::ChamberUnit(std::shared_ptr<ModbusBus> bus, std::shared_ptr<const UnitProfile> profile, std::uint8_t unit,
                         Duration period)
    : bus_(std::move(bus)),
      profile_(std::move(profile)),
      unit_(unit),
      period_(period),
      next_(bus_->timing()),
      trouble_("the chamber, unit " + std::to_string(unit) + ", has not been heard yet") {
    next_.set(bus_->timing().steady(), [this] { turn(); });
}

ChamberUnit::~ChamberUnit() {
    *alive_ = false;
}

void ChamberUnit::set(Temperature ambient, bool on) {
    wanted_ = Wanted{celsius(ambient), on};
    was_set_ = false;
    turned_.clear();
    if (turning_) {
        turn_again_ = true;
    } else {
        next_.set(bus_->timing().steady(), [this] { turn(); });
    }
}

void ChamberUnit::ask(const modbus::Request& request, std::function<void(const BusAnswer&)> act,
                      std::function<void(const std::string&)> otherwise) {
    bus_->ask(request, profile_->answer, Urgency::apply,
              [this, alive = alive_, act = std::move(act),
               otherwise = std::move(otherwise)](const Result<BusAnswer, std::string>& answer) {
                  if (!*alive) {
                      return;
                  }
                  if (answer) {
                      act(*answer);
                  } else if (otherwise) {
                      otherwise(answer.error());
                  } else {
                      failed(answer.error());
                  }
              });
}

modbus::Request ChamberUnit::writing(std::uint16_t address, std::vector<std::uint16_t> words) const {
    const auto count = static_cast<std::uint16_t>(words.size());
    return {.unit = unit_,
            .function = count == 1 ? modbus::Function::write_register : modbus::Function::write_registers,
            .address = address,
            .count = count,
            .values = std::move(words)};
}

// Set-point, switch, reading: each written only where it is not so already.
void ChamberUnit::turn() {
    turning_ = true;
    turn_again_ = false;
    missed_.clear();
    if (wanted_) {
        look_at_set();
    } else {
        look_at_reading();
    }
}

bool ChamberUnit::is_set(const std::vector<std::uint16_t>& words) const {
    const auto held = modbus::decode_value(words, chamber().set.format);
    return held && std::fabs(*held - wanted_->celsius) <= std::fabs(chamber().set.format.scale);
}

void ChamberUnit::look_at_set() {
    ask(request_of(chamber().set, unit_), [this](const BusAnswer& answer) {
        if (is_set(answer.values)) {
            look_at_switch();
            return;
        }
        if (was_set_) {
            turned_ = "somebody turned the chamber; it has been set again";
        }
        write_set();
    });
}

// Where it does not take the set-point it can still be switched, and read.
void ChamberUnit::write_set() {
    auto words = modbus::encode_value(wanted_->celsius, chamber().set.format);
    if (!words) {
        not_set("it cannot be set to " + print_number(wanted_->celsius) + " degC");
        return;
    }
    const auto otherwise = [this](const std::string& why) { not_set(why); };
    ask(
        writing(chamber().set.address, std::move(*words)),
        [this, otherwise](const BusAnswer&) {
            ask(
                request_of(chamber().set, unit_),
                [this](const BusAnswer& answer) {
                    const auto held = modbus::decode_value(answer.values, chamber().set.format);
                    if (is_set(answer.values)) {
                        look_at_switch();
                    } else {
                        not_set("it was set to " + print_number(wanted_->celsius) + " degC and reads back as " +
                                (held ? print_number(*held) : std::string("nothing")) + " degC");
                    }
                },
                otherwise);
        },
        otherwise);
}

void ChamberUnit::not_set(const std::string& why) {
    missed_ = "the chamber: " + why;
    look_at_switch();
}

bool ChamberUnit::is_switched(const std::vector<std::uint16_t>& words) const {
    return words.at(0) == (wanted_->on ? chamber().power->on : chamber().power->off);
}

modbus::Request ChamberUnit::switch_question() const {
    return {.unit = unit_,
            .function = modbus::Function::read_holding,
            .address = chamber().power->address,
            .count = 1,
            .values = {}};
}

void ChamberUnit::look_at_switch() {
    if (!chamber().power) {
        look_at_reading();
        return;
    }
    ask(switch_question(), [this](const BusAnswer& answer) {
        if (is_switched(answer.values)) {
            look_at_reading();
        } else {
            if (was_set_) {
                turned_ = "somebody switched the chamber; it has been switched back";
            }
            write_switch();
        }
    });
}

void ChamberUnit::write_switch() {
    const SwitchPlace& power = *chamber().power;
    ask(writing(power.address, {wanted_->on ? power.on : power.off}), [this](const BusAnswer&) {
        ask(switch_question(), [this](const BusAnswer& answer) {
            if (is_switched(answer.values)) {
                look_at_reading();
            } else {
                failed(std::string("it was switched ") + (wanted_->on ? "on" : "off") +
                       " and reads back otherwise; see to it by hand");
            }
        });
    });
}

void ChamberUnit::look_at_reading() {
    was_set_ = wanted_.has_value() && !turn_again_ && missed_.empty();
    ask(request_of(chamber().reading, unit_), [this](const BusAnswer& answer) {
        const auto value = modbus::decode_value(answer.values, chamber().reading.format);
        reading_ =
            value ? quantise_temperature(answer.asked, *value) : Reading<Temperature>{answer.asked, {}, Quality::bad};
        trouble_ = !missed_.empty() ? missed_
                   : value          ? turned_
                                    : "the chamber's reading " + std::string(modbus::describe(value.error()));
        again();
    });
}

void ChamberUnit::failed(std::string why) {
    trouble_ = "the chamber: " + std::move(why);
    again();
}

void ChamberUnit::again() {
    turning_ = false;
    next_.set(bus_->timing().steady() + (turn_again_ ? Duration{} : period_), [this] { turn(); });
}

}  // namespace slowfilm::channel
