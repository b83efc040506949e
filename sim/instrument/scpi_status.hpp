// What every instrument of IEEE 488.2 and SCPI-1999 keeps about itself: its event register, its masks, its error queue.
#pragma once

#include <cstddef>
#include <cstdint>
#include <deque>
#include <string>
#include <string_view>

namespace slowfilm::sim::instrument {

enum class ScpiError : std::int16_t {
    syntax = -102,
    data_type = -104,
    parameter_not_allowed = -108,
    missing_parameter = -109,
    undefined_header = -113,
    suffix_out_of_range = -114,
    invalid_suffix = -131,
    local = -201,
    conflict = -221,
    out_of_range = -222,
    illegal_value = -224,
    overflow = -350,
    overrun = -363,
};

class ScpiStatus {
  public:
    static constexpr std::size_t queue_most = 20;

    // Puts it into the queue and its class into the event register.
    void error(int number);
    void error(ScpiError error) { this->error(static_cast<int>(error)); }
    // `-113,"Undefined header"`, oldest first, each once; `0,"No error"`.
    [[nodiscard]] std::string next_error();
    [[nodiscard]] std::size_t errors() const { return errors_.size(); }

    void clear();     // *CLS
    void power_on();  // everything lost but that it has started
    void operation_complete() { event_ |= 1U; }
    [[nodiscard]] unsigned take_event();  // *ESR?, which clears
    // Bits of the questionable register: what is so now; an edge upward is remembered.
    void questionable(unsigned condition);
    [[nodiscard]] unsigned take_questionable();
    [[nodiscard]] unsigned questionable_condition() const { return questionable_condition_; }
    [[nodiscard]] unsigned byte() const;  // *STB?, which clears nothing

    // Masks: *ESE, *SRE, STAT:QUES:ENAB, STAT:OPER:ENAB.
    unsigned event_enable{0}, service_enable{0}, questionable_enable{0}, operation_enable{0};

  private:
    std::deque<int> errors_;
    unsigned event_{128};  // it has just been switched on
    unsigned questionable_event_{0}, questionable_condition_{0};
};

// The text that SCPI-1999 gives a number; "Device-specific error" for one that it has not.
[[nodiscard]] std::string_view error_text(int number);

}  // namespace slowfilm::sim::instrument
