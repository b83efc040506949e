// A source, a supply, a load, or several outputs in one box, that understands IEEE 488.2 and the SCPI-1999 tree.
#pragma once

#include "daemon/wire/scpi.hpp"
#include "daemon/wire/scpi_program.hpp"
#include "sim/instrument/instrument.hpp"
#include "sim/instrument/output.hpp"
#include "sim/instrument/scpi_status.hpp"

#include <cstddef>
#include <map>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace slowfilm::sim::instrument {

struct ScpiOptions {
    std::string name;
    std::string model;          // "two-quadrant source": after "slowfilm,virtual " in its identity
    bool remote_needed{false};  // it takes no setting before SYST:REM
};

class ScpiInstrument final : public Instrument {
  public:
    ScpiInstrument(ScpiOptions options, std::vector<std::unique_ptr<Output>> outputs);

    [[nodiscard]] std::string hear(char byte, Time now) override;
    void tick(Time now) override;
    [[nodiscard]] Result<void, std::string> set_fault(const Fault& fault, bool on, Time now) override;
    [[nodiscard]] std::string describe(Time now) override;

    // One program message without its end; the answer with its LF, or nothing.
    [[nodiscard]] std::string obey(std::string_view message, Time now);

  private:
    // One command on its way: which outputs it is for, what it gives and answers.
    struct Call {
        bool query{false};
        std::vector<std::string> parameters;
        std::vector<std::size_t> outputs;
        Time now;
        std::string answer;
    };
    enum class Row : std::uint8_t;
    struct Command;
    static const Command commands[];
    [[nodiscard]] const Command* find(const std::string& header, bool query);

    [[nodiscard]] bool run(const wire::ProgramCommand& command, Time now, std::string& answers);
    [[nodiscard]] std::optional<Call> prepare(const wire::ProgramCommand& command, std::string& header, Time now);
    [[nodiscard]] bool take_channels(Call& call);
    [[nodiscard]] bool local(const Command& command, const Call& call) const;
    void obey_common(const Command& command, Call& call);
    void obey_system(const Command& command, Call& call);
    void obey_output(const Command& command, Call& call);
    void measure(const Command& command, Call& call);
    void setting(Setting which, Call& call);
    void switch_state(std::optional<Setting> protection, Call& call);
    void register_of(unsigned& mask, Call& call);
    [[nodiscard]] std::optional<std::int64_t> number(const std::string& text, const Output::Range& range,
                                                     std::string_view unit);
    [[nodiscard]] std::optional<bool> truth(const std::string& text);
    void for_each(Call& call, std::string (*tell)(Output&, Time));
    [[nodiscard]] std::string reading(double value, bool good, double end) const;
    [[nodiscard]] std::string written(double value) const;
    void power_cycle(Time now);
    [[nodiscard]] Result<void, std::string> turn_panel(const Fault& fault, Time now);
    [[nodiscard]] bool set_own_fault(FaultKind kind, bool on);

    ScpiOptions options_;
    std::vector<std::unique_ptr<Output>> outputs_;
    wire::LineReader lines_;
    ScpiStatus status_;
    std::size_t selected_{0};
    bool remote_{false}, panel_locked_{false}, four_wire_{true};
    // Faults of what it says.
    bool saturated_{false}, over_range_{false}, stars_{false}, comma_{false}, other_model_{false}, conflict_{false};
    std::map<std::string, const Command*> understood_;  // by the header as it came
};

}  // namespace slowfilm::sim::instrument
