// IEEE 488.2 and SCPI-1999 as a driver speaks them over a serial line: lines out of bytes, values out of lines, numbers
// to send, and what an instrument's own errors oblige the driver to. The other end's needs are in scpi_program.hpp.
//
// A reply is a value only if all of it is one. Over-range, not-a-number, stars, an echo, half a line and an empty line
// are faults with a name; nothing here ever turns one of them into a number.
#pragma once

#include "daemon/core/quantity.hpp"
#include "daemon/core/result.hpp"

#include <cstddef>
#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

namespace slowfilm::wire {

// --- Lines

struct LineRules {
    bool cr_ends{false};        // the instrument may end a line with CR alone; else CR only goes before LF
    std::size_t longest{1024};  // bytes without the terminator; what is longer is dropped to the next terminator
};

struct Line {
    std::string text;      // without its terminator; bytes as they came, NUL and broken UTF-8 too. "" if too long
    bool too_long{false};  // more than LineRules::longest bytes came before a terminator
    bool operator==(const Line&) const = default;
};

// Bytes in any pieces to lines. Always LF and CRLF; CR too where the rules say so, and then an LF right after it ends
// nothing. An empty line is a line.
class LineReader {
  public:
    explicit LineReader(LineRules rules = {}) : rules_{rules} {}

    // The lines that these bytes end.
    [[nodiscard]] std::vector<Line> push(std::string_view bytes);
    // Forgets a half-received line: after opening the port, after a deadline, before asking anew.
    void reset();
    // Bytes of a line whose end has not come: silence and half a reply are different faults.
    [[nodiscard]] std::size_t pending() const { return text_.size(); }

  private:
    void end_line(std::vector<Line>& lines);

    LineRules rules_;
    std::string text_;
    bool dropping_{false};  // in a line that is too long
    bool after_cr_{false};
};

// --- Replies

enum class ReplyFault : std::uint8_t {
    empty,         // nothing, or only spaces
    garbage,       // does not read as what was asked for: "4,2", "1.2.3", "0x10", an echo, text
    over_range,    // "9.9E37", "-9.9E37", any |x| >= 9.8e37, "*****", "OVLD": the instrument has no reading
    not_a_number,  // "9.91E37", which is SCPI's NAN, or "nan"
    no_prefix,     // the profile's prefix is missing
    wrong_unit,    // a unit where the profile has none, none where it has one, or another
    too_long,      // longer than any such reply may be; also a Line that was too_long
};
// "is empty", "is not a number": ends a sentence that begins with the reply, escaped, and says what would be right.
[[nodiscard]] std::string_view describe(ReplyFault fault);

// What a profile says of all replies of an instrument.
struct ReplyRules {
    std::string prefix{};  // such as ">"; must then stand before every value
    std::string unit{};    // such as "V"; then stands after every number (read_number, read_integer). Exact case
};

// The whole of a line as NR1, NR2 or NR3 (IEEE 488.2): "-12", "+4.2000", "-1.05E-03". Spaces around it do not count.
[[nodiscard]] Result<double, ReplyFault> read_number(std::string_view line, const ReplyRules& rules = {});
// NR1 only: "+0", "128". For counts, registers and states.
[[nodiscard]] Result<std::int64_t, ReplyFault> read_integer(std::string_view line, const ReplyRules& rules = {});
// "1", "0", "ON", "OFF" in either case, and "+1", "+0".
[[nodiscard]] Result<bool, ReplyFault> read_boolean(std::string_view line, const ReplyRules& rules = {});

// *IDN?: exactly four fields, 72 bytes at most (IEEE 488.2, 10.14). Serial and firmware are "0" where unknown.
// The bytes are the instrument's: core/text's escaped() before anybody sees them.
struct Identity {
    std::string maker, model, serial, firmware;
    bool operator==(const Identity&) const = default;
};
[[nodiscard]] Result<Identity, ReplyFault> read_identity(std::string_view line, const ReplyRules& rules = {});

// SYST:ERR?: the number decides, never the text. `-113,"Undefined header"`, `+0,"No error"`, `0`.
struct ErrorEntry {
    int number{0};     // 0: the queue is empty
    std::string text;  // without its quotes
    bool operator==(const ErrorEntry&) const = default;
};
[[nodiscard]] Result<ErrorEntry, ReplyFault> read_error(std::string_view line, const ReplyRules& rules = {});

// *ESR?, which clears what it reads (IEEE 488.2, 11.5.1).
struct EventStatus {
    bool operation_complete{false};  // 1
    bool request_control{false};     // 2
    bool query_error{false};         // 4
    bool device_error{false};        // 8
    bool execution_error{false};     // 16
    bool command_error{false};       // 32
    bool user_request{false};        // 64
    bool power_on{false};            // 128: it has rebooted since last asked; its settings are gone
    bool operator==(const EventStatus&) const = default;
    [[nodiscard]] bool any_error() const { return query_error || device_error || execution_error || command_error; }
};
// Garbage outside 0..255.
[[nodiscard]] Result<EventStatus, ReplyFault> read_event_status(std::string_view line, const ReplyRules& rules = {});

// --- Errors

// By the hundreds of the number (SCPI-1999 vol. 2, 21.8).
enum class ErrorClass : std::uint8_t {
    none,                // 0
    command,             // -100..-199
    execution,           // -200..-299
    device,              // -300..-399 and 1..32767
    query,               // -400..-499
    power_on,            // -500..-599
    user_request,        // -600..-699
    request_control,     // -700..-799
    operation_complete,  // -800..-899
    reserved,            // anything else: no standard says what it means
};
[[nodiscard]] ErrorClass error_class(int number);

// What a driver must do on an error. In the order of how much it undoes; the largest of a queue's duties counts.
enum class ErrorDuty : std::uint8_t {
    nothing,           // no error, or only a notice (-600, -700, -800)
    resynchronise,     // question and answer out of step (-400s, -36x): drop what is pending, ask again
    not_understood,    // -1xx: on a line that is optional do without it; on one that sets a limit refuse to run
    not_taken,         // -2xx: the setting was not taken; refuse, never round or retry blindly
    take_control,      // -201, -203: the front panel has it; send the profile's remote line, then all settings anew
    read_back_all,     // -221, or errors lost (-350): any setting may have changed; read all of them back
    instrument_fault,  // -240s, -3xx, positive, reserved: make safe, a person looks
    rebooted,          // -500: settings are gone; make safe, trip
};
[[nodiscard]] ErrorDuty error_duty(int number);
// "-221 \"Settings conflict\": the instrument may have changed another setting": one printable line.
[[nodiscard]] std::string describe(const ErrorEntry& error);

// How many entries a driver reads before it says that a queue never empties; -350 aside, none is deeper.
inline constexpr int error_queue_most = 64;

// --- Numbers to send

enum class Rounding : std::uint8_t {
    nearest,      // half away from zero
    toward_zero,  // currents and current limits: never more than asked
    down,         // ceilings and upper protections
    up,           // floors and lower protections
};

// What goes onto the wire and what it means: read-back is compared with `sent`, not with what was asked.
template <class Q>
struct Written {
    std::string text;  // shortest decimal, '.', no exponent, no "+", no "-0": "4.2", "-0.00125", "3"
    Q sent;
};
// In volts or amperes. `resolution` is the step of the instrument, > 0 (profiles are checked when they are loaded);
// the value sent is a whole multiple of it.
[[nodiscard]] Written<Voltage> write_number(Voltage value, Voltage resolution, Rounding rounding);
[[nodiscard]] Written<Current> write_number(Current value, Current resolution, Rounding rounding);
// In seconds (delays, intervals).
[[nodiscard]] Written<Duration> write_number(Duration value, Duration resolution, Rounding rounding);
// In degrees Celsius (chambers).
[[nodiscard]] Written<Temperature> write_number(Temperature value, TemperatureDifference resolution, Rounding rounding);

}  // namespace slowfilm::wire
