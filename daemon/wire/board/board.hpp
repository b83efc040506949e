// The board's side of the channel-board link (config/board-link.md): a reference implementation for a microcontroller,
// and the very code that the virtual board runs. Freestanding: no heap, no exceptions, no library call, no interrupt
// of its own. The firmware calls tick() from its main loop and on_byte() for each byte that came; both from one thread.
//
// The output is open from construction until a demand is taken, and stays open while anything is latched.
#pragma once

#include "daemon/wire/board/frame.hpp"

#include <cstddef>
#include <cstdint>

namespace slowfilm::wire::board {

// A reading that may have failed.
struct Measure {
    std::int64_t value{0};
    bool good{false};
};

enum class StageMode : std::uint8_t {
    open = 0,
    constant_current = 1,
    at_ceiling = 2,
    at_floor = 3,
    constant_voltage = 4
};
enum class Contactor : std::uint8_t { none = 0, open = 1, closed = 2, welded = 3 };

struct Measured {
    Measure voltage;      // uV at the sense leads
    Measure terminals;    // uV, where fitted
    Measure current;      // uA, positive charges the cell
    Measure temperature;  // mK, where fitted
    Measure ambient;      // mK, where fitted
    StageMode mode{StageMode::open};
    Contactor contactor{Contactor::none};
    bool stage_failed{false};  // its own protection has opened, or it cannot do what was asked
};

// What the firmware gives. None may block for more than a few milliseconds.
struct Hardware {
    void* self;
    // Output off, current limit to zero, contactor open. Called again in each tick while the output is to be open.
    void (*open)(void* self);
    // Positive charges. False: the stage did not take it; the board then opens and latches.
    bool (*drive_current)(void* self, std::int64_t microamperes, std::int64_t ceiling, std::int64_t floor);
    bool (*hold_voltage)(void* self, std::int64_t microvolts, std::int64_t source_most, std::int64_t sink_most);
    void (*measure)(void* self, Measured& into);
    // One whole line; must take it or drop all of it.
    void (*send)(void* self, const char* bytes, std::size_t size);
};

// What is soldered: told to the host, and limits no limit may go beyond.
struct Fitted {
    std::uint32_t kind{1};                           // of the design, the builder's own count
    std::uint32_t serial{0};                         // of this board
    std::uint32_t firmware{1};                       // of this firmware
    std::int64_t voltage_least{0}, voltage_most{0};  // uV that it can hold
    std::int64_t source_most{0};                     // uA into the cell
    std::int64_t sink_most{0};                       // uA out of it; 0: it cannot discharge
    bool terminals{false}, thermometer{false}, ambient{false}, contactor{false};
};

struct Limits {
    std::int64_t voltage_most{0}, voltage_least{0};  // uV
    std::int64_t current_most{0};                    // uA, either way
    std::int64_t temperature_most{0};                // mK; 0 only where no thermometer is fitted
    std::int64_t watchdog{0};                        // ms
};

// Bits of "f".
enum Flag : std::uint32_t {
    output_closed = 1U << 0U,
    latched = 1U << 1U,  // open until `clr`; the bits from no_heartbeat on say why
    limits_written = 1U << 2U,
    limits_read = 1U << 3U,  // and read back since
    no_heartbeat = 1U << 4U,
    over_voltage = 1U << 5U,
    under_voltage = 1U << 6U,
    over_current = 1U << 7U,
    over_temperature = 1U << 8U,
    sensor_failed = 1U << 9U,
    stage_failed = 1U << 10U,
};
inline constexpr std::uint32_t latch_causes = 0x7F0U;

// "why" of a refusal.
enum class Why : std::uint8_t {
    unknown_word = 1,
    malformed = 2,        // a field missing, twice, too many or not a whole number
    out_of_order = 3,     // not newer than the last number taken
    latched = 4,          // `clr` first
    no_limits = 5,        // never written since the board started
    limits_not_read = 6,  // written, but not asked back since
    no_heartbeat = 7,     // none within the watchdog's time
    outside_fitted = 8,   // beyond what the board can do
    outside_limits = 9,   // beyond the limits written to it
    output_closed = 10,   // only with the output open
    stage_failed = 11,    // the stage did not take it
    cause_lasts = 12,     // what latched it is still so
};

inline constexpr std::int64_t watchdog_least = 200;    // ms
inline constexpr std::int64_t watchdog_most = 60'000;  // ms
inline constexpr int readings_to_trip = 3;             // in a row, one a tick

class Board {
  public:
    // `boot`: another number after each reset, not 0: a counter in non-volatile memory, or a random number. Opens.
    Board(const Hardware& hardware, const Fitted& fitted, std::uint32_t boot);

    void on_byte(char byte);
    // Every 1 to 100 ms; `now_ms` may wrap. Measures, judges the watchdog and the limits, counts charge.
    void tick(std::uint32_t now_ms);

    [[nodiscard]] bool closed() const { return setting_ != Setting::off; }
    [[nodiscard]] std::uint32_t flags() const;

  private:
    enum class Setting : std::uint8_t { off, current, voltage };

    void on_line(bool whole);
    void obey(std::uint32_t number);
    void drive(std::uint32_t number, Setting setting);
    [[nodiscard]] bool refused_to_close(std::uint32_t number);
    [[nodiscard]] bool within_fitted(Setting setting, std::int64_t target, std::int64_t upper,
                                     std::int64_t lower) const;
    [[nodiscard]] bool within_limits(Setting setting, std::int64_t target, std::int64_t upper,
                                     std::int64_t lower) const;
    void write_limits(std::uint32_t number);
    void clear(std::uint32_t number);
    [[nodiscard]] bool has_exactly(const char* const* keys, std::size_t count) const;
    [[nodiscard]] std::int64_t value(const char* key) const;
    [[nodiscard]] bool heart_beats() const;
    void measure();
    [[nodiscard]] std::uint32_t causes_now() const;
    void judge();
    void latch(std::uint32_t cause);
    void open();

    [[nodiscard]] LineWriter reply(const char* word, std::uint32_t number) const;
    void send(LineWriter line);
    void refuse(std::uint32_t number, Why why);
    void send_identity(std::uint32_t number);
    void send_limits(std::uint32_t number);
    void send_setting(std::uint32_t number);
    void send_state(std::uint32_t number);

    Hardware hardware_;
    Fitted fitted_;
    std::uint32_t boot_;
    LineAssembler lines_{};
    Record record_{};
    Measured measured_{};
    Limits limits_{};
    bool limits_written_{false};
    bool limits_read_{false};
    Setting setting_{Setting::off};
    std::int64_t target_{0};  // uA, or uV in a hold
    std::int64_t upper_{0};   // ceiling in uV, or the most into the cell in uA
    std::int64_t lower_{0};   // floor in uV, or the most out of it in uA
    std::uint32_t causes_{0};
    std::uint32_t last_number_{0};
    bool ticked_{false};
    bool beaten_{false};
    std::uint32_t now_{0};
    std::uint32_t since_beat_{0};  // ms, held at its end
    std::int64_t uptime_{0};       // ms
    std::int64_t charge_{0};       // nC
    std::int64_t refused_{0};      // lines without a right CRC, or too long
    int in_a_row_[5]{};            // readings, of each cause from over_voltage to sensor_failed
};

}  // namespace slowfilm::wire::board
