#include "daemon/bench/config.hpp"

#include "daemon/bench/config_channel.hpp"
#include "daemon/bench/config_instrument.hpp"
#include "daemon/bench/config_units.hpp"
#include "daemon/core/text.hpp"
#include "daemon/protocol/toml_reader.hpp"

#include <algorithm>
#include <array>
#include <cstdlib>
#include <filesystem>
#include <map>

namespace slowfilm::bench {
namespace {

using namespace literals;
using protocol::Document;
using protocol::Need;
using protocol::Table;

constexpr Duration commit_least = 100_ms;
constexpr Duration commit_most = 60_s;
constexpr std::array<std::string_view, 2> chamber_kinds{"simulated", "modbus"};

std::string absolute_path(const std::string& bench_file, const std::string& path) {
    std::error_code ignored;
    const std::filesystem::path base = std::filesystem::absolute(bench_file, ignored).parent_path();
    return (base / path).lexically_normal().string();
}

std::string read_path(Table& root, const BenchConfig& config, std::string_view key, Need need,
                      std::string_view otherwise) {
    const std::optional<std::string> path = root.text(key, need);
    if (!path) {
        return absolute_path(config.file, std::string(otherwise));
    }
    if (path->empty() || path->find('\0') != std::string::npos) {
        root.error(root.place_of(key), "'" + std::string(key) + "' needs the path of a file");
    }
    return absolute_path(config.file, *path);
}

void read_caps(Table& root, BenchConfig& config) {
    std::optional<Table> limits = root.table("limits", Need::required);
    if (!limits) {
        return;
    }
    const auto voltage = limits->quantity<Dimension::voltage>("voltage_max", Need::required);
    const auto current = limits->quantity<Dimension::current>("current_max", Need::required);
    const auto temperature = limits->quantity<Dimension::temperature>("temperature_max", Need::required);
    if (voltage && voltage->count <= 0) {
        limits->error(limits->place_of("voltage_max"), "the bench's voltage_max must be above 0 V, such as \"4.4 V\"");
    }
    if (current && current->count <= 0) {
        limits->error(limits->place_of("current_max"), "the bench's current_max must be above 0 A, such as \"5 A\"");
    }
    config.caps = {voltage.value_or(Voltage{}), current.value_or(Current{}), temperature.value_or(Temperature{})};
}

std::vector<AccessRule> read_rules(Table& table, std::string_view key) {
    const std::optional<std::vector<std::string>> texts = table.texts(key);
    if (!texts) {
        return own_user_and_root();
    }
    std::vector<AccessRule> rules;
    for (const std::string& text : *texts) {
        if (const Result<AccessRule, std::string> rule = parse_access_rule(text)) {
            rules.push_back(*rule);
        } else {
            table.error(table.place_of(key), "'" + std::string(key) + "' " + rule.error());
        }
    }
    return rules;
}

void read_access(Table& root, BenchConfig& config) {
    config.access = {own_user_and_root(), own_user_and_root()};
    if (std::optional<Table> control = root.table("control")) {
        config.access = {read_rules(*control, "watch"), read_rules(*control, "operate")};
    }
}

void read_chambers(Table& root, UnitReader& units, BenchConfig& config) {
    for (Table& table : root.tables("chamber")) {
        ChamberConfig chamber;
        chamber.place = table.place();
        chamber.name = table.text("name", Need::required).value_or("");
        if (const auto reason = why_no_name(chamber.name); reason && table.has("name")) {
            table.error(table.place_of("name"),
                        "the chamber's name " + *reason + "; it needs 1 to 64 printable characters");
        }
        if (find_chamber(config, chamber.name) != nullptr) {
            table.error(table.place_of("name"), "there are two chambers '" + escaped(chamber.name) +
                                                    "'; every chamber needs a name of its own");
        }
        const bool real = table.word("kind", chamber_kinds).value_or(0) == 1;
        if (real) {
            chamber.unit = units.read_chamber(table);
        }
        const auto ramp = real ? std::nullopt : table.quantity<Dimension::temperature_slope>("ramp", Need::required);
        const auto min = table.quantity<Dimension::temperature>("min", Need::required);
        const auto max = table.quantity<Dimension::temperature>("max", Need::required);
        if (ramp && ramp->count <= 0) {
            table.error(table.place_of("ramp"), "'ramp' must be above zero, such as \"2 K/min\"");
        }
        if (min && max && *min >= *max) {
            table.error(table.place_of("max"), "the chamber's max must lie above its min");
        }
        if (min && max && (*min > safe_ambient || *max < safe_ambient)) {
            table.error(table.place(), "a chamber must reach " + print(safe_ambient) +
                                           ", to which it is brought when something gets hot in it");
        }
        chamber.ramp = ramp.value_or(TemperatureSlope{1});
        chamber.min = min.value_or(safe_ambient);
        chamber.max = max.value_or(safe_ambient);
        config.chambers.push_back(std::move(chamber));
    }
}

// A channel's own parameter set decides of which chemistry its cells are.
void read_set_of(Table& root, const SetReader& read_set, const std::string& bench_file, ChannelConfig& channel,
                 std::string& complaints) {
    SimulatedConfig& simulated = channel.simulated;
    if (simulated.set_file.empty()) {
        return;
    }
    simulated.set_file = absolute_path(bench_file, simulated.set_file);
    Result<std::string, std::string> chemistry =
        read_set ? read_set(simulated.set_file)
                 : tl::unexpected<std::string>("error: no parameter sets are read here\n");
    if (chemistry) {
        simulated.chemistry = std::move(*chemistry);
        return;
    }
    root.error(simulated.set_place, "the parameter set of channel '" + escaped(channel.name) + "' cannot be used");
    if (complaints.find(chemistry.error()) == std::string::npos) {
        complaints += chemistry.error();
    }
}

void read_channels(Table& root, InstrumentReader& instruments, const SetReader& read_set, BenchConfig& config,
                   std::string& complaints) {
    std::map<std::string, Place, std::less<>> seen;
    for (Table& table : root.tables("channel", Need::required)) {
        ChannelConfig channel = read_channel(table, instruments);
        read_set_of(root, read_set, config.file, channel, complaints);
        judge_fittings(table, channel, config);
        if (const auto [first, fresh] = seen.emplace(channel.name, channel.place); !fresh && !channel.name.empty()) {
            table.error(table.place_of("name"), "channel '" + escaped(channel.name) + "' stands in line " +
                                                    std::to_string(first->second.line) +
                                                    " already; every channel needs a name of its own");
        }
        if (!channel.chamber.empty() && find_chamber(config, channel.chamber) == nullptr) {
            table.error(table.place_of("chamber"), "there is no [[chamber]] '" + escaped(channel.chamber) +
                                                       "' in this bench; write it, or leave 'chamber' out");
        }
        config.channels.push_back(std::move(channel));
    }
    if (config.channels.empty()) {
        root.error({}, "a bench needs at least one [[channel]]");
    }
    if (config.channels.size() > channels_max) {
        root.error({}, "a bench holds at most " + std::to_string(channels_max) + " channels, this one has " +
                           std::to_string(config.channels.size()));
    }
}

}  // namespace

const ChamberConfig* find_chamber(const BenchConfig& config, std::string_view name) {
    const auto found = std::find_if(config.chambers.begin(), config.chambers.end(),
                                    [&](const ChamberConfig& one) { return one.name == name; });
    return found == config.chambers.end() ? nullptr : &*found;
}

std::string default_socket() {
    const char* const runtime = std::getenv("XDG_RUNTIME_DIR");
    return std::string(runtime != nullptr && *runtime != '\0' ? runtime : "/run") + "/slowfilm/control.sock";
}

std::optional<std::string> why_no_name(std::string_view text) {
    if (text.empty()) {
        return "is empty";
    }
    if (text.size() > name_bytes_max) {
        return "is longer than " + std::to_string(name_bytes_max) + " bytes";
    }
    const bool control = std::any_of(text.begin(), text.end(), [](char c) {
        return static_cast<unsigned char>(c) < 0x20 || static_cast<unsigned char>(c) == 0x7f;
    });
    if (control || escaped(text, 4 * name_bytes_max) != text) {
        return "holds control characters or broken UTF-8";
    }
    if (text.front() == ' ' || text.back() == ' ') {
        return "begins or ends with a space";
    }
    if (!is_plain(text)) {
        return "holds two spaces in a row, or a space or sign that cannot be seen, and would look like another name";
    }
    return std::nullopt;
}

ParsedBench parse_bench(const std::string& file, std::string_view text, const SetReader& read_set) {
    Document document = Document::parse(file, text);
    BenchConfig config;
    config.file = file;
    InstrumentReader instruments(file);
    std::string of_sets;
    UnitReader units(file, instruments);
    if (document.readable()) {
        Table root = document.root();
        if (const auto format = root.count("format", Need::required); format && *format != 1) {
            root.error(root.place_of("format"),
                       "this slowfilm reads bench files of format 1, not " + std::to_string(*format));
        }
        config.name = root.text("name", Need::required).value_or("");
        if (const auto reason = why_no_name(config.name); reason && root.has("name")) {
            root.error(root.place_of("name"),
                       "the bench's name " + *reason + "; it needs 1 to 64 printable characters");
        }
        config.ledger = read_path(root, config, "ledger", Need::required, "bench.ledger");
        config.socket = read_path(root, config, "socket", Need::optional, default_socket());
        if (const auto every = root.quantity<Dimension::time>("commit_every")) {
            config.commit_every = *every;
            if (*every < commit_least || *every > commit_most) {
                root.error(root.place_of("commit_every"),
                           "commit_every must lie between " + print(commit_least) + " and " + print(commit_most));
            }
        }
        read_caps(root, config);
        read_access(root, config);
        units.read_sensors(root, config);
        read_chambers(root, units, config);
        read_channels(root, instruments, read_set, config, of_sets);
        document.refuse_unknown_keys();
    }
    ParsedBench parsed;
    parsed.diagnostics = document.diagnostics();
    parsed.diagnostics.sort();
    parsed.of_files = instruments.complaints() + units.complaints() + of_sets;
    if (!parsed.diagnostics.has_errors()) {
        parsed.config = std::move(config);
    }
    return parsed;
}

std::string render(const ParsedBench& parsed, std::string_view text) {
    return render(parsed.diagnostics, text) + parsed.of_files;
}

Result<BenchConfig> load_bench(const std::string& file, const SetReader& read_set) {
    const Result<std::string> text = protocol::read_file_bounded(file);
    if (!text) {
        return fail(Failure::bad_config, text.error().message);
    }
    ParsedBench parsed = parse_bench(file, *text, read_set);
    if (!parsed.config) {
        return fail(Failure::bad_config, render(parsed, *text));
    }
    return std::move(*parsed.config);
}

}  // namespace slowfilm::bench
