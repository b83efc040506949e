// One output of a serial instrument, brought up, set, switched and read by the lines of its profile. Whatever it is
// told is read back; what cannot be read back is not believed. It never tries again by itself but for bringing up.
#pragma once

#include "daemon/channel/instrument.hpp"
#include "daemon/channel/targets.hpp"
#include "daemon/core/sample.hpp"

#include <array>
#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <vector>

namespace slowfilm::channel {

// What the bench says of an output.
struct OutputPlace {
    std::string number;  // for {channel}
    bool load{false};    // a load: what it takes is read as a positive number
    bool four_wire{true};
    Voltage protection;  // what its own protections are set to; unused where the profile has none
    Current current_protection;
};

enum class OutputMode : std::uint8_t { unknown, off, constant_current, constant_voltage };

struct OutputReading {
    Reading<Voltage> voltage, terminals;
    Reading<Current> current;  // positive into the cell
    Reading<Temperature> temperature;
    OutputMode mode{OutputMode::unknown};
    std::uint32_t raw_hash{0};
};

class Output {
  public:
    // `on_fault`: what it noticed without being asked. It is never called from within a call of this class.
    Output(std::shared_ptr<Instrument> instrument, const OutputProfile& profile, OutputPlace place,
           std::function<void(FaultKind)> on_fault);
    ~Output();
    Output(const Output&) = delete;
    Output& operator=(const Output&) = delete;

    // Brought up: off and at zero, its protection set, all read back.
    [[nodiscard]] bool ready() const { return ready_ && !welded_; }
    [[nodiscard]] const std::string& trouble() const;
    // What was last read back of it, as a phrase: "voltage 4.2 V, current 0.25 A, output on".
    [[nodiscard]] std::string settings() const;

    // Off, and read back so; then its limits go to zero. Goes before everything else on its link, and stops a drive
    // that is under way: the handler of that is not called.
    void switch_off(Script::Done done);
    // Set, read back, and only then on. In place of a drive that is under way.
    void drive(const Target& target, Script::Done done);
    [[nodiscard]] bool is_off() const { return state_ == State::off; }
    [[nodiscard]] bool is_on() const { return state_ == State::on; }
    // Steady time at which it was last seen to go off.
    [[nodiscard]] Time off_since() const { return off_since_; }

    // `now`: the run time that goes with the steady time of this call. Called exactly once; a quantity that was not
    // answered is absent.
    using ReadHandler = std::function<void(const OutputReading&)>;
    void read(Time now, ReadHandler done);
    // The ammeter alone.
    void read_current(std::function<void(const Reading<Current>&)> done);
    // Reads all settings back, unless something is under way: somebody may have turned the front panel.
    void verify();

    [[nodiscard]] const Link& link() const { return instrument_->link(); }

    static constexpr Duration retry_after{5'000'000};

  private:
    enum class State : std::uint8_t { unknown, off, on };
    enum class Slot : std::uint8_t { voltage, current, sink, protection, current_protection };
    static constexpr std::size_t slots = 5;
    struct Asking;
    struct Contact;

    // bringing up (output.cpp)
    void hear(Instrument::News news);
    void bring_up();
    void bring_up_rest();
    void brought_up(const Outcome& outcome);
    [[nodiscard]] std::vector<Step> protection_steps();
    [[nodiscard]] std::vector<Step> setup_steps();
    void fault(FaultKind kind, std::string text);
    // Kept in its place for as long as it is under way; it may be over before run() returns.
    void begin(std::shared_ptr<Script>& place, Urgency urgency, std::vector<Step> steps, Script::Done done);

    void switched_off(const Outcome& outcome, const Script::Done& done);
    void drive_closed(const Target& target, Script::Done done);

    // the contactor (output_contactor.cpp)
    void close_contactor(const Target& target, Script::Done done);
    void meet_cell(const std::shared_ptr<Contact>& contact);
    void compare_with_cell(const std::shared_ptr<Contact>& contact);
    void closed(const std::shared_ptr<Contact>& contact);
    void open_contactor(Time since, Script::Done done);
    void open_contactor_now(Script::Done done);
    void judge_weld(const OutputReading& reading);
    void give_up(const std::shared_ptr<Contact>& contact, const Trouble& trouble);
    // A measurement by itself; what is no number is passed over.
    [[nodiscard]] Step ask_plain(const Measure& what, std::function<void(Time, double)> take);

    // lines (output_steps.cpp)
    [[nodiscard]] const Setting& setting(Slot slot) const;
    [[nodiscard]] Step command(const LineText& line) const;
    [[nodiscard]] Step expect_switch(const LineText& line, bool wanted, std::string otherwise,
                                     FaultKind kind = FaultKind::refused);
    void add_setting(std::vector<Step>& steps, Slot slot, std::int64_t count, wire::Rounding rounding);
    [[nodiscard]] Step read_back(Slot slot, FaultKind kind);
    void add_zero(std::vector<Step>& steps);
    [[nodiscard]] std::vector<Step> drive_steps(const Target& target);
    [[nodiscard]] std::vector<Step> switch_on_steps();
    [[nodiscard]] std::string filled(const LineText& line, std::string_view value = {}) const;

    // reading (output_read.cpp)
    void add_questions(const std::shared_ptr<Asking>& asking, std::vector<Step>& steps);
    [[nodiscard]] Step measure(const std::shared_ptr<Asking>& asking, const Measure& what,
                               std::function<Quality(Time, double)> take);
    [[nodiscard]] Step ask_state(const std::shared_ptr<Asking>& asking);
    [[nodiscard]] Step ask_mode(const std::shared_ptr<Asking>& asking);
    void judge_state(const Asking& asking);
    void finish_read();

    std::shared_ptr<Instrument> instrument_;
    const OutputProfile& profile_;
    OutputPlace place_;
    std::function<void(FaultKind)> on_fault_;
    std::size_t listener_{0};
    Alarm retry_;
    bool ready_{false};
    State state_{State::unknown};
    std::uint64_t switched_{0};  // grows with each order to go on or off: a reading from before says nothing of it
    Time off_since_;
    std::array<std::optional<std::int64_t>, slots> known_;  // as sent and read back
    std::optional<double> own_count_;                       // Ah, as the instrument last said
    Alarm contact_;
    bool contactor_closed_{false};
    bool weld_tested_{false};      // since it was last opened
    int not_apart_{0};             // readings in a row whose terminals are at the cell's voltage though it is open
    std::uint64_t operations_{0};  // closings and openings since the daemon started
    bool welded_{false};
    std::optional<Target> target_;  // last driven
    std::shared_ptr<Script> bringing_, switching_off_, driving_, reading_, measuring_, verifying_;
    std::shared_ptr<Asking> asking_;
    std::string trouble_;
};

}  // namespace slowfilm::channel
