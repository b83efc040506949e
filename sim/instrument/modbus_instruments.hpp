// What hangs on a Modbus line: a module of thermometers, and a temperature chamber. Their registers are in
// config/virtual-bench.md.
#pragma once

#include "daemon/wire/modbus.hpp"
#include "sim/instrument/fixture.hpp"
#include "sim/instrument/instrument.hpp"
#include "sim/stage/chamber.hpp"
#include "sim/stage/stage.hpp"

#include <cstdint>
#include <memory>
#include <optional>
#include <string>
#include <vector>

namespace slowfilm::sim::instrument {

// A Modbus server: whole requests to its unit, refusals, silence to others.
class ModbusInstrument : public Instrument {
  public:
    explicit ModbusInstrument(std::uint8_t unit) : unit_{unit} {}

    [[nodiscard]] std::string hear(char byte, Time now) final;
    [[nodiscard]] std::string silence(Time now) final;

  protected:
    using Registers = Result<std::vector<std::uint16_t>, wire::modbus::Exception>;
    [[nodiscard]] virtual Registers obey(const wire::modbus::Request& request, Time now) = 0;
    bool busy_{false};  // the next question is answered with that

  private:
    [[nodiscard]] std::string answer(const std::vector<wire::modbus::Heard>& heard, Time now);

    std::uint8_t unit_;
    wire::modbus::RequestReader requests_;
};

class TemperatureModule final : public ModbusInstrument {
  public:
    // One stage a thermometer, over the cell or the air where it is.
    TemperatureModule(std::uint8_t unit, std::vector<std::unique_ptr<Stage>> thermometers);

    void tick(Time now) override;
    [[nodiscard]] Result<void, std::string> set_fault(const Fault& fault, bool on, Time now) override;
    [[nodiscard]] std::string describe(Time now) override;

  private:
    [[nodiscard]] Registers obey(const wire::modbus::Request& request, Time now) override;
    [[nodiscard]] std::optional<double> read(std::size_t index, Time now);  // degC
    [[nodiscard]] std::optional<std::uint16_t> word(std::uint16_t address, Time now);
    void tell_stages();

    std::vector<std::unique_ptr<Stage>> thermometers_;
    bool swapped_{false}, stale_{false}, broken_{false}, saturated_{false};
    std::optional<double> value_;  // what a thermometer at fault reads
};

// The air of a chamber and what is in it.
class ChamberRoom {
  public:
    ChamberRoom(double celsius, double ramp, double least, double most) : chamber_{celsius, ramp, least, most} {}

    void hold(std::shared_ptr<Fixture> fixture) { inside_.push_back(std::move(fixture)); }
    void hold(Stage* thermometer) { hanging_.push_back(thermometer); }
    void set(double celsius, Time now) { chamber_.set(celsius, now); }
    [[nodiscard]] double at(Time now) const { return chamber_.at(now); }
    // Brings what is inside to the present temperature.
    void follow(Time now);

  private:
    Chamber chamber_;
    double told_{-1000.0};
    std::vector<std::shared_ptr<Fixture>> inside_;
    std::vector<Stage*> hanging_;  // owned by a module of the same bench
};

class ChamberInstrument final : public ModbusInstrument {
  public:
    // Switched off it goes back to `room` degC.
    ChamberInstrument(std::uint8_t unit, std::shared_ptr<ChamberRoom> chamber, double room, double least, double most);

    void tick(Time now) override;
    [[nodiscard]] Result<void, std::string> set_fault(const Fault& fault, bool on, Time now) override;
    [[nodiscard]] std::string describe(Time now) override;

  private:
    [[nodiscard]] Registers obey(const wire::modbus::Request& request, Time now) override;
    void turn(double set, bool on, Time now);

    std::shared_ptr<ChamberRoom> chamber_;
    double room_, least_, most_;  // degC
    double set_;
    bool on_{false};
    std::optional<double> stale_;
};

}  // namespace slowfilm::sim::instrument
