// A temperature chamber on a Modbus line: what it is asked to be is written, read back and looked at once a period, and
// written again when somebody has turned it. Until it is asked, it is left as it is.
#pragma once

#include "daemon/channel/modbus_bus.hpp"
#include "daemon/channel/timing.hpp"
#include "daemon/channel/unit_profile.hpp"
#include "daemon/core/sample.hpp"

#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <vector>

namespace slowfilm::channel {

class ChamberUnit {
  public:
    // The profile is a chamber's.
    ChamberUnit(std::shared_ptr<ModbusBus> bus, std::shared_ptr<const UnitProfile> profile, std::uint8_t unit,
                Duration period);
    ~ChamberUnit();
    ChamberUnit(const ChamberUnit&) = delete;
    ChamberUnit& operator=(const ChamberUnit&) = delete;

    // It goes there at its own pace. With `on` false it is set so and switched off, where it can be.
    void set(Temperature ambient, bool on);
    // The newest of the air in it, dated on the steady clock; absent until there was one.
    [[nodiscard]] const Reading<Temperature>& reading() const { return reading_; }
    // Why it is not as it was asked to be, or not heard, as a sentence; "" when all is well.
    [[nodiscard]] const std::string& trouble() const { return trouble_; }

  private:
    struct Wanted {
        double celsius{0.0};
        bool on{false};
    };
    void turn();
    void look_at_set();
    void write_set();
    void not_set(const std::string& why);
    void look_at_switch();
    void write_switch();
    void look_at_reading();
    void failed(std::string why);
    void again();
    [[nodiscard]] bool is_set(const std::vector<std::uint16_t>& words) const;
    [[nodiscard]] bool is_switched(const std::vector<std::uint16_t>& words) const;
    [[nodiscard]] wire::modbus::Request switch_question() const;
    [[nodiscard]] wire::modbus::Request writing(std::uint16_t address, std::vector<std::uint16_t> words) const;
    [[nodiscard]] const ChamberProfile& chamber() const { return std::get<ChamberProfile>(profile_->unit); }
    // `otherwise`: what is done when no good answer came; empty: that is the end of this turn.
    void ask(const wire::modbus::Request& request, std::function<void(const BusAnswer&)> act,
             std::function<void(const std::string&)> otherwise = nullptr);

    std::shared_ptr<ModbusBus> bus_;
    std::shared_ptr<const UnitProfile> profile_;
    std::uint8_t unit_;
    Duration period_;
    Alarm next_;
    std::optional<Wanted> wanted_;
    bool turning_{false}, turn_again_{false};
    bool was_set_{false};  // as wanted, when last looked at: a difference since is somebody else's doing
    std::string missed_;   // of this turn: why it did not take its set-point
    std::string turned_;   // told for as long as nobody looks again
    Reading<Temperature> reading_;
    std::string trouble_;
    std::shared_ptr<bool> alive_{std::make_shared<bool>(true)};
};

}  // namespace slowfilm::channel
