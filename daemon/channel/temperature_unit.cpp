#include "daemon/channel/temperature_unit.hpp"

#include "daemon/core/text.hpp"

#include <algorithm>
#include <cmath>
#include <span>
#include <utility>

namespace slowfilm::channel {

namespace modbus = wire::modbus;

TemperatureUnit::TemperatureUnit(std::shared_ptr<ModbusBus> bus, std::shared_ptr<const UnitProfile> profile,
                                 std::uint8_t unit, Duration period)
    : bus_(std::move(bus)),
      profile_(std::move(profile)),
      unit_(unit),
      period_(period),
      silent_(period),
      next_(bus_->timing()),
      due_(bus_->timing().steady()),
      readings_(module().count),
      troubles_(module().count),
      trouble_("the temperature module, unit " + std::to_string(unit) + ", has not been heard yet") {
    again(Duration{});
}

TemperatureUnit::~TemperatureUnit() {
    *alive_ = false;
}

const ModuleProfile& TemperatureUnit::module() const {
    return std::get<ModuleProfile>(profile_->unit);
}

std::string TemperatureUnit::trouble(std::uint16_t input) const {
    return trouble_.empty() ? troubles_[input] : trouble_;
}

void TemperatureUnit::again(Duration after) {
    due_ = std::max(due_ + after, bus_->timing().steady());
    next_.set(due_, [this] { poll(); });
}

// Goes on with an answer; the bus may outlive this unit.
ModbusBus::Done TemperatureUnit::then(std::function<void(const BusAnswer&)> act) {
    return [this, alive = alive_, act = std::move(act)](const Result<BusAnswer, std::string>& answer) {
        if (!*alive) {
            return;
        }
        if (answer) {
            act(*answer);
        } else {
            failed(answer.error());
        }
    };
}

void TemperatureUnit::poll() {
    if (!proven_) {
        prove();
    } else {
        ask_cold_junction();
    }
}

// Another module may have been plugged in while nothing was heard, so this comes after every silence.
void TemperatureUnit::prove() {
    const ModuleProfile& of = module();
    bus_->ask(request_of(of.known, unit_), profile_->answer, Urgency::sample,
              then([this, &of](const BusAnswer& answer) {
                  const auto value = modbus::decode_value(answer.values, of.known.format);
                  if (!value || !(std::fabs(*value - of.known_reads) <= std::fabs(of.known.format.scale) * 0.5)) {
                      std::string orders;
                      for (const double one : modbus::readings_in_each_order(answer.values, of.known.format.type)) {
                          orders += (orders.empty() ? "" : ", ") +
                                    print_number(one * of.known.format.scale + of.known.format.offset);
                      }
                      failed("register " + std::to_string(of.known.address) + " of unit " + std::to_string(unit_) +
                             " must read " + print_number(of.known_reads) +
                             " and does not: the register's number, its type or the order of its bytes is wrong in " +
                             escaped(profile_->file) +
                             ", or it is another module (as abcd, cdab, badc, dcba it reads " + orders + ")");
                      return;
                  }
                  proven_ = true;
                  ask_cold_junction();
              }));
}

void TemperatureUnit::ask_cold_junction() {
    const auto* const thermocouple = std::get_if<AsThermocoupleK>(&module().sensor);
    if (thermocouple == nullptr) {
        ask_inputs(std::nullopt);
        return;
    }
    bus_->ask(request_of(thermocouple->cold_junction, unit_), profile_->answer, Urgency::sample,
              then([this, thermocouple](const BusAnswer& answer) {
                  const auto value = modbus::decode_value(answer.values, thermocouple->cold_junction.format);
                  ask_inputs(value ? std::optional(*value) : std::nullopt);
              }));
}

void TemperatureUnit::ask_inputs(std::optional<double> cold_junction) {
    bus_->ask(inputs_of(module(), unit_), profile_->answer, Urgency::sample,
              then([this, cold_junction](const BusAnswer& answer) { took(answer, cold_junction); }));
}

void TemperatureUnit::took(const BusAnswer& answer, std::optional<double> cold_junction) {
    const ModuleProfile& of = module();
    const std::size_t size = modbus::registers_of(of.first.format.type);
    for (std::size_t input = 0; input < of.count; ++input) {
        const auto words = std::span(answer.values).subspan(input * of.step, size);
        const auto value = modbus::decode_value(words, of.first.format);
        const Result<double, std::string> celsius =
            value ? temperature_of(of.sensor, *value, cold_junction)
                  : tl::unexpected<std::string>(std::string(modbus::describe(value.error())));
        readings_[input] = celsius ? quantise_temperature(answer.asked, *celsius)
                                   : Reading<Temperature>{answer.asked, {}, Quality::bad};
        troubles_[input] = celsius ? ""
                                   : "thermometer " + std::to_string(input) + " of unit " + std::to_string(unit_) +
                                         ": " + celsius.error();
    }
    trouble_.clear();
    silent_ = period_;
    again(period_);
}

void TemperatureUnit::failed(std::string why) {
    proven_ = false;
    trouble_ = "the temperature module: " + std::move(why);
    again(silent_);
    silent_ = std::max(period_, std::min(silent_ * 2, silent_most));
}

}  // namespace slowfilm::channel
