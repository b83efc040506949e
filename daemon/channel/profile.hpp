// What a serial instrument understands and can do, as its TOML profile says it (config/instruments). A profile that
// leaves out what a cell could be hurt by is refused: nothing of that kind has a default.
#pragma once

#include "daemon/channel/port.hpp"
#include "daemon/core/diagnostic.hpp"
#include "daemon/core/quantity.hpp"
#include "daemon/core/result.hpp"
#include "daemon/core/traits.hpp"

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace slowfilm::channel {

enum class ProfileKind : std::uint8_t {
    two_quadrant,     // [source]: drives current into the cell and takes it out
    supply_and_load,  // [supply] and [load] at the same cell: two instruments, or two outputs of one
    supply_alone,     // [supply]: cannot discharge
};

// A command or question, with {channel} for the output's number and {value} for the number to set.
struct LineText {
    std::string text;
    Place place;
    [[nodiscard]] bool empty() const { return text.empty(); }
};

// Something that is set and read back. Counts are nV or nA.
struct Setting {
    LineText set, read;
    std::int64_t min{0}, max{0}, resolution{1};
};

// The instrument's own count of charge, by which a person can check ours.
struct ChargeCount {
    LineText ask;
    std::string unit;          // that the instrument puts after the number; "": none
    double ampere_hours{1.0};  // in one of what it counts
};

// Something that is measured.
struct Measure {
    LineText ask;
    std::string unit;  // that the instrument puts after the number; "": none
    std::int64_t accuracy{0}, resolution{1};
};

struct SetupLine {
    LineText set, read;
    std::string expect;  // the whole of the answer
};

enum class OwnProtection : std::uint8_t { output_off, crowbar };
enum class SettingKind : std::uint8_t { voltage, current, sink };
enum class OrderWord : std::uint8_t { zero_current, voltage, current };

// A contactor between an output and its cell, switched by the instrument. The sense leads are at the cell.
struct ContactorProfile {
    LineText close, open, state;  // the answer to `state` is 1 when it is closed
};

// One output of an instrument. Of a load the voltage is the cut-off below which it takes nothing more, and the current
// is what it takes; of a source or supply the current is what it gives at most, and `sink` what it takes at most.
struct OutputProfile {
    LineText on, off, state;
    OffState off_state{OffState::sinks};
    Current off_current_max;
    OwnProtection own_protection{OwnProtection::output_off};
    std::vector<OrderWord> order;
    Setting voltage, current;
    std::optional<Setting> sink;
    Measure voltage_measure, current_measure;
    std::optional<Measure> terminals;
    std::optional<ChargeCount> charge;
    Setting protection;                        // against too high a voltage; of a load: none, its line is empty
    LineText protection_on, protection_state;  // where it must be switched on
    std::optional<Setting> current_protection;
    LineText protection_clear;                            // "" where nothing need be cleared after it has tripped
    LineText protection_tripped;                          // a question; "": it does not tell
    LineText mode;                                        // a question; "": it does not tell
    std::vector<std::string> mode_current, mode_voltage;  // the answers that mean so
    std::vector<SetupLine> setup;
    std::optional<ContactorProfile> contactor;  // then there are `terminals` as well
};

struct IdentityProfile {
    LineText ask;
    std::vector<std::string> begins;  // one of these the answer must begin with, in either case
};

struct SenseProfile {
    std::optional<bool> fixed_four_wire;  // set by a switch or a jumper; else by the lines
    LineText four_wire, two_wire, read;   // the answer to `read` is 1 for four wires
};

// What hangs on one port.
struct InstrumentProfile {
    PortOptions port;  // its path is the bench's to say
    std::string line_end{"\n"};
    char answer_end{'\n'};
    bool echoes{false};
    Duration boot, answer, pause, quiet, settle;
    std::string prefix;  // before every answer, such as ">"
    IdentityProfile identity;
    LineText clear, events;  // "*CLS", "*ESR?"; "" where it has none
    LineText errors;         // "SYST:ERR?"
    LineText remote, lock;
    SenseProfile sense;
    std::optional<Measure> temperature;
};

struct Profile {
    std::string file, title;
    ProfileKind kind{ProfileKind::two_quadrant};
    std::vector<InstrumentProfile> instruments;  // one or two, each on its own port
    OutputProfile source;                        // [source] or [supply]
    std::size_t source_at{0};                    // which of the instruments has it
    std::optional<OutputProfile> load;
    std::size_t load_at{0};
    bool voltage_from_load{false};  // whose sense leads tell the cell's voltage
};

struct ParsedProfile {
    std::optional<Profile> profile;  // only when nothing was refused
    Diagnostics diagnostics;
};

[[nodiscard]] ParsedProfile parse_profile(const std::string& file, std::string_view text);
// Reads and parses; bad_config with all complaints rendered.
[[nodiscard]] Result<Profile> load_profile(const std::string& file);

// What switches an output off, with its number filled in, and which of the profile's instruments it is said to.
struct OffLine {
    std::size_t instrument{0};
    std::string line;
};
// Of all outputs of a channel; `load_output` counts where the profile has a load.
[[nodiscard]] std::vector<OffLine> off_lines(const Profile& profile, const std::string& output,
                                             const std::string& load_output);

// What a channel with this profile can do. The bench adds its own: period, thermometers, contactor.
[[nodiscard]] ChannelTraits traits_of(const Profile& profile, ChannelTraits of_bench);

// What a person should weigh before a cell is connected: what an instrument without a heartbeat does when the computer
// dies, how well its protection holds, what off is. One sentence each.
[[nodiscard]] std::vector<std::string> remarks(const Profile& profile);

}  // namespace slowfilm::channel
