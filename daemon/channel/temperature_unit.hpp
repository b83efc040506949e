// A module of thermometers on a Modbus line: polled once a period for all channels that read it. A unit that falls
// silent is asked less and less often, so that it holds up nobody else on its line, and its readings grow old.
#pragma once

#include "daemon/channel/modbus_bus.hpp"
#include "daemon/channel/timing.hpp"
#include "daemon/channel/unit_profile.hpp"
#include "daemon/core/sample.hpp"

#include <cstdint>
#include <memory>
#include <optional>
#include <string>
#include <vector>

namespace slowfilm::channel {

class TemperatureUnit {
  public:
    // Polls from now on. The profile is a module's.
    TemperatureUnit(std::shared_ptr<ModbusBus> bus, std::shared_ptr<const UnitProfile> profile, std::uint8_t unit,
                    Duration period);
    ~TemperatureUnit();
    TemperatureUnit(const TemperatureUnit&) = delete;
    TemperatureUnit& operator=(const TemperatureUnit&) = delete;

    // The newest, dated on the steady clock; absent until there was one. `input` counts from 0, below the profile's.
    [[nodiscard]] const Reading<Temperature>& reading(std::uint16_t input) const { return readings_[input]; }
    // Why there is none, or it is bad, as a sentence; "" when all is well.
    [[nodiscard]] std::string trouble(std::uint16_t input) const;

    static constexpr Duration silent_most{10'000'000};  // between two tries to reach one that is silent

  private:
    using Words = std::vector<std::uint16_t>;
    void poll();
    void prove();
    void ask_cold_junction();
    void ask_inputs(std::optional<double> cold_junction);
    void took(const BusAnswer& answer, std::optional<double> cold_junction);
    void failed(std::string why);
    void again(Duration after);
    [[nodiscard]] const ModuleProfile& module() const;
    [[nodiscard]] ModbusBus::Done then(std::function<void(const BusAnswer&)> act);

    std::shared_ptr<ModbusBus> bus_;
    std::shared_ptr<const UnitProfile> profile_;
    std::uint8_t unit_;
    Duration period_, silent_;
    Alarm next_;
    Time due_;
    bool proven_{false};
    std::vector<Reading<Temperature>> readings_;
    std::vector<std::string> troubles_;  // of each input
    std::string trouble_;
    std::shared_ptr<bool> alive_{std::make_shared<bool>(true)};
};

}  // namespace slowfilm::channel
