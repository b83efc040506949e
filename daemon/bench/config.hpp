// What a bench file says: TOML text -> BenchConfig, every complaint with file:line:column.
#pragma once

#include "daemon/bench/access.hpp"
#include "daemon/channel/board_options.hpp"
#include "daemon/channel/instrument_options.hpp"
#include "daemon/channel/unit_profile.hpp"
#include "daemon/core/diagnostic.hpp"
#include "daemon/core/quantity.hpp"
#include "daemon/core/result.hpp"
#include "daemon/core/traits.hpp"

#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace slowfilm::bench {

enum class SimulatedFaultKind : std::uint8_t {
    internal_short,      // resistance
    contact_resistance,  // resistance
    heat,                // power
    reversed,            // from the start
    ignores_open,        // count: so many demands to open are acknowledged and not obeyed
    stuck_on,
    silent,
    frozen,
    thermometer,  // reads; absent: an open sensor
    bad_voltage,  // count: one in so many
};

struct SimulatedFault {
    SimulatedFaultKind kind{SimulatedFaultKind::internal_short};
    Duration after;                 // since the cell was loaded
    std::optional<Duration> until;  // absent: for ever
    Charge after_charge;            // taken up while charging, since the cell was loaded
    Resistance resistance;
    double power_watt{0.0};
    std::uint32_t count{1};
    std::optional<Temperature> reads;
};

// The model behind a channel of kind "simulated". Plain: main makes a simulation of it.
struct SimulatedConfig {
    std::string chemistry;  // of every cell here; "": as each protocol says
    std::string set_file;   // the parameter set of that chemistry, an absolute path; "": the one built in
    Place set_place;
    std::uint64_t seed{1};
    Temperature ambient{298'150};
    Voltage voltage_noise;  // one standard deviation
    Current current_noise;
    TemperatureDifference temperature_noise;
    Ratio voltage_gain, current_gain;  // of readings
    Voltage voltage_offset;
    Current current_offset;
    Duration delay;            // from a demand to its effect
    Duration thermometer_lag;  // first order
    Ratio capacity_spread, resistance_spread;
    std::string faulty_cell;  // the faults are this cell's alone; "": every cell's
    std::vector<SimulatedFault> faults;
};

// A unit on a Modbus line.
struct UnitConfig {
    std::shared_ptr<const channel::UnitProfile> profile;
    channel::BusOptions bus;  // the profile's, with the port's path
    std::uint8_t unit{1};
    Duration period;  // how often it is asked
};

// A thermometer on a module of the bench's own.
struct SensorConfig {
    std::string name;
    Place place;
    UnitConfig unit;
    std::uint16_t input{0};
};

// A chamber around some channels: simulated, or real, as they are.
struct ChamberConfig {
    std::string name;
    Place place;
    TemperatureSlope ramp;           // of a simulated one: how fast it goes to what is set, either way; > 0
    Temperature min, max;            // what can be set
    std::optional<UnitConfig> unit;  // of one that is real
};

struct ChannelConfig {
    std::string name;
    std::string group;                             // "" for none
    std::string chamber;                           // "" for none
    std::string thermometer, ambient_thermometer;  // sensors of the bench; "" where it reads its own, or none
    Place place;
    ChannelTraits traits;
    SimulatedConfig simulated;                                    // unless there is
    std::optional<channel::InstrumentChannelOptions> instrument;  // what is real, or
    std::optional<channel::BoardChannelOptions> board;

    // It hangs on a port, and current in it is real.
    [[nodiscard]] bool serial() const { return instrument.has_value() || board.has_value(); }
};

struct BenchConfig {
    std::string file;  // as the user named it
    std::string name;
    std::string ledger, socket;  // absolute paths
    Duration commit_every{1'000'000};
    BenchCaps caps;
    AccessLists access;
    std::vector<SensorConfig> sensors;
    std::vector<ChamberConfig> chambers;
    std::vector<ChannelConfig> channels;
};

struct ParsedBench {
    std::optional<BenchConfig> config;  // only when nothing was refused
    Diagnostics diagnostics;
    std::string
        of_files;  // what is wrong with the profiles and parameter sets it names, rendered under their own names
};

// The chemistry of the parameter set at this path, or what is wrong with it, rendered under its own name.
using SetReader = std::function<Result<std::string, std::string>(const std::string& path)>;

// Relative paths in the text are relative to the directory of `file`; the profiles that it names are read there, and
// the parameter sets with `read_set`; without one, a bench that names a set is refused.
[[nodiscard]] ParsedBench parse_bench(const std::string& file, std::string_view text, const SetReader& read_set = {});
// All complaints, as they are printed.
[[nodiscard]] std::string render(const ParsedBench& parsed, std::string_view text);
// Reads and parses; bad_config with all complaints rendered.
[[nodiscard]] Result<BenchConfig> load_bench(const std::string& file, const SetReader& read_set = {});

// Nothing where no chamber of the bench is called so.
[[nodiscard]] const ChamberConfig* find_chamber(const BenchConfig& config, std::string_view name);

// Where the socket stands when the bench file does not say, and where the command looks for it:
// $XDG_RUNTIME_DIR/slowfilm/control.sock, else /run/slowfilm/control.sock.
[[nodiscard]] std::string default_socket();

// What a chamber is set to when something got hot in it.
inline constexpr Temperature safe_ambient{298'150};  // 25 degC

inline constexpr std::size_t channels_max = 1024;
inline constexpr std::size_t name_bytes_max = 64;

// 1 to 64 bytes of printable UTF-8 without control characters; otherwise the reason why not, as a phrase.
[[nodiscard]] std::optional<std::string> why_no_name(std::string_view text);

}  // namespace slowfilm::bench
