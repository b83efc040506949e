// A channel board: the firmware of daemon/wire/board itself, with a model of what is soldered around it.
#pragma once

#include "daemon/wire/board/board.hpp"
#include "sim/instrument/fixture.hpp"
#include "sim/instrument/instrument.hpp"
#include "sim/stage/stage.hpp"

#include <cstdint>
#include <memory>
#include <optional>
#include <string>

namespace slowfilm::sim::instrument {

struct BoardOptions {
    wire::board::Fitted fitted;
    StageOptions stage;                 // its traits say what it reads and what off is
    std::shared_ptr<Fixture> sensed{};  // the cell at which its sense leads are by mistake
};

class BoardInstrument final : public Instrument {
  public:
    BoardInstrument(const BoardOptions& options, std::shared_ptr<Fixture> fixture);

    [[nodiscard]] std::string hear(char byte, Time now) override;
    void tick(Time now) override;
    [[nodiscard]] Result<void, std::string> set_fault(const Fault& fault, bool on, Time now) override;
    [[nodiscard]] std::string describe(Time now) override;

  private:
    [[nodiscard]] wire::board::Hardware hardware();
    void open();
    bool drive(const Demand& demand);
    void measure(wire::board::Measured& into);
    void connect();
    void restart();
    [[nodiscard]] bool wire_fault(const Fault& fault, bool on);

    BoardOptions options_;
    Leads* leads_;
    Stage stage_;
    Time now_;
    std::uint32_t boot_{0};
    std::optional<wire::board::Board> board_;
    std::string answer_;
    Demand demand_{Open{}};
    bool contactor_closed_{false};
    // Faults.
    bool welded_{false}, stuck_{false}, stale_{false}, saturated_{false}, over_range_{false}, failed_{false};
    bool other_{false};
    std::int64_t ignored_{0};
    std::optional<double> thermometer_;
};

}  // namespace slowfilm::sim::instrument
