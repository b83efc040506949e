// The host's side of the channel-board link (config/board-link.md): commands to lines, lines to samples, settings,
// limits and faults. The board's side is in board/.
//
//   BoardHost host;
//   link.write(host.ask(BoardLimits{...}, now));              // one question in flight
//   for (const BoardAnswer& answer : host.push(bytes, now))   // whatever came, in any pieces
//       if (!answer) ...fault...  else std::visit(..., *answer);
#pragma once

#include "daemon/core/demand.hpp"
#include "daemon/core/result.hpp"
#include "daemon/core/sample.hpp"
#include "daemon/wire/board/board.hpp"
#include "daemon/wire/board/frame.hpp"

#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

namespace slowfilm::wire {

// --- What the host says

enum class BoardQuestion : std::uint8_t {
    heartbeat,  // answered by BoardState; without one within the watchdog's time the board opens and latches
    state,      // the same answer, but no heartbeat
    identity,
    limits,   // BoardLimits as the board holds them; must be asked after each writing, before any current
    setting,  // the Demand that the board carries out
    clear,    // of a latch, once its cause is gone; answered by BoardState
};

struct BoardLimits {
    Voltage voltage_max;
    Voltage voltage_min;
    Current current_max;                         // either way
    std::optional<Temperature> temperature_max;  // nothing only where the board has no thermometer
    Duration watchdog;                           // whole milliseconds, 200 ms to 60 s
    bool operator==(const BoardLimits&) const = default;
};

// Demand: Open is "off", which the board takes with any number and in any state.
using BoardCommand = std::variant<BoardQuestion, BoardLimits, Demand>;

// What goes over the wire for these, in whole microvolts and microamperes: compared with what the board says back.
// Rounded so that nothing becomes larger: ceilings down, floors up, currents toward zero, a voltage to the nearest.
[[nodiscard]] BoardLimits as_sent(const BoardLimits& limits);
[[nodiscard]] Demand as_sent(const Demand& demand);

// --- What the board says

struct BoardIdentity {
    std::uint32_t kind{0}, serial{0}, firmware{0};
    Voltage voltage_min, voltage_max;
    Current source_max, sink_max;  // sink_max 0: it cannot discharge
    bool reads_terminals{false}, has_thermometer{false}, has_ambient{false}, has_contactor{false};
    bool operator==(const BoardIdentity&) const = default;
};

struct BoardState {
    Sample sample;  // dated when the question was asked: never later than it was measured
    board::Contactor contactor{board::Contactor::none};
    Charge charge;           // the board's own count since it started, positive into the cell
    std::uint32_t flags{0};  // board::Flag
    Duration uptime;
    std::int64_t refused_lines{0};  // lines that came garbled to the board since it started
    bool operator==(const BoardState&) const = default;
    [[nodiscard]] bool has(board::Flag flag) const { return (flags & flag) != 0; }
};

struct BoardRefusal {
    std::uint8_t why{0};  // board::Why; another board may have more
    bool operator==(const BoardRefusal&) const = default;
};
// "the limits were not read back: ask for them first"; a sentence for any number.
[[nodiscard]] std::string describe(const BoardRefusal& refusal);
// What latched a board, in words: "no heartbeat came; over-voltage"; "" where nothing did.
[[nodiscard]] std::string describe_latch(std::uint32_t flags);

using BoardReply = std::variant<BoardState, BoardIdentity, BoardLimits, Demand, BoardRefusal>;

enum class BoardFault : std::uint8_t {
    garbled,      // CRC or form
    too_long,     // no LF within 512 bytes
    echo,         // our own line came back
    malformed,    // a right CRC, but not a reply of this link: another version, a wrong board
    out_of_step,  // the answer to another question, or to none: dropped
    rebooted,     // another boot identity than before: all settings and limits are gone. Told once
    unexpected,   // right number, but an answer of another kind than was asked for
};
[[nodiscard]] std::string_view describe(BoardFault fault);

using BoardAnswer = Result<BoardReply, BoardFault>;

// The first command to a board whose counting is not known (a new BoardHost) is Demand{Open{}}: it is always taken and
// the board counts on from it.
class BoardHost {
  public:
    // The line to send, with the next number. A question still unanswered is given up: its answer is out_of_step.
    [[nodiscard]] std::string ask(const BoardCommand& command, Time now);
    // What came. At most one answer is a reply, to the question last asked; all else are faults.
    [[nodiscard]] std::vector<BoardAnswer> push(std::string_view bytes, Time now);

    // After opening the port: half a line and the open question are forgotten; boot identity and numbers are kept.
    void reset();
    [[nodiscard]] bool waiting() const { return asked_.has_value(); }
    [[nodiscard]] std::optional<std::uint32_t> boot() const { return boot_; }
    // No reply within `limit` (none ever: since the first question).
    [[nodiscard]] bool stale(Time now, Duration limit) const;
    // Three garbled lines in a row, or eight among the last sixteen: a bad cable or a wrong baud rate, no accident.
    [[nodiscard]] bool garbled_burst() const;
    [[nodiscard]] std::int64_t garbled() const { return garbled_; }

    // For the guardian, encoded beforehand: ends a half-written line, then OFF with number 0, which the board takes at
    // any time and after which it counts from 0 again.
    [[nodiscard]] static std::string off_frame();

  private:
    struct Asked {
        std::uint32_t number;
        BoardCommand command;
        Time time;
    };
    [[nodiscard]] BoardAnswer judge(const board::Record& record, Time now);
    void note(bool good);

    board::LineAssembler lines_;
    std::optional<Asked> asked_;
    std::optional<std::uint32_t> boot_;
    std::optional<Time> alive_;  // when the last reply came, or the first question went
    std::uint32_t number_{0};
    std::uint16_t recent_{0};  // one bit a line, the newest lowest: 1 is garbled
    std::int64_t garbled_{0};
};

// One reply line (its content, taken apart) on its own, for tools that only listen. `asked`: what dates a sample.
[[nodiscard]] Result<BoardReply, BoardFault> read_board_reply(const board::Record& record, Time asked);

}  // namespace slowfilm::wire
