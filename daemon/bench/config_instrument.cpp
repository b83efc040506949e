#include "daemon/bench/config_instrument.hpp"

#include "daemon/core/text.hpp"

#include <algorithm>
#include <array>
#include <filesystem>
#include <optional>

namespace slowfilm::bench {
namespace {

using channel::InstrumentChannelOptions;
using channel::Profile;
using protocol::Need;
using protocol::Table;

constexpr std::array<std::string_view, 2> wirings{"four wire", "two wire"};
constexpr std::size_t output_bytes_max = 8;

std::string beside(const std::string& bench_file, const std::string& path) {
    return (std::filesystem::path(bench_file).parent_path() / path).lexically_normal().string();
}

// What stands where it means nothing: better refused than taken for something it is not.
void refuse_foreign_keys(Table& channel) {
    struct Foreign {
        std::string_view key, why;
    };
    constexpr std::string_view profiles = "is the profile's to say, for it is the instrument's own; leave it out";
    constexpr std::array<Foreign, 8> all{
        {{"settle", profiles},
         {"off_state", profiles},
         {"reports_ceiling", profiles},
         {"voltage", profiles},
         {"current", profiles},
         {"simulated", "belongs to kind = \"simulated\"; an instrument has no cell in it"},
         {"ambient_sensor", "is not read by a serial instrument; name a [[sensor]] with 'ambient_thermometer'"},
         {"contactor", "is the profile's to say, as [source.contactor] or [supply.contactor]; leave it out"}}};
    for (const Foreign& foreign : all) {
        if (!channel.has(foreign.key)) {
            continue;
        }
        channel.error(channel.place_of_key(foreign.key),
                      "'" + std::string(foreign.key) + "' " + std::string(foreign.why));
        channel.know(foreign.key);
        if (channel.has_table(foreign.key)) {
            channel.table(foreign.key)->leave();
        }
    }
}

std::string read_output(Table& table, std::string_view key) {
    const std::string output = table.text(key).value_or("1");
    const bool plain = std::all_of(output.begin(), output.end(), [](char c) {
        return (c >= '0' && c <= '9') || (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z');
    });
    if (output.empty() || output.size() > output_bytes_max || !plain) {
        table.error(table.place_of(key), "'" + std::string(key) +
                                             "' is what stands for {channel} in the profile's lines: 1 to " +
                                             std::to_string(output_bytes_max) + " letters and digits, such as \"2\"");
    }
    return output;
}

void read_protection(Table& table, InstrumentChannelOptions& options) {
    const Profile& profile = *options.profile;
    const bool has_current =
        profile.source.current_protection.has_value() || (profile.load && profile.load->current_protection);
    std::optional<Table> protection = table.table(
        "protection", Need::required, has_current ? "{ voltage = ..., current = ... }" : "{ voltage = ... }");
    if (!protection) {
        return;
    }
    options.protection = protection->quantity<Dimension::voltage>("voltage", Need::required).value_or(Voltage{});
    if (has_current) {
        options.current_protection =
            protection->quantity<Dimension::current>("current", Need::required).value_or(Current{});
    } else if (protection->has("current")) {
        protection->error(protection->place_of("current"),
                          "the profile has no [current_protection], so nothing would be set to this; leave it out");
        protection->know("current");
    }
}

// "" and the texts of `many` where the profile has several instruments, else that of `one`.
std::vector<std::string> read_each(Table& table, std::string_view one, std::string_view many, std::size_t count,
                                   Need need) {
    const std::string_view right = count == 1 ? one : many;
    const std::string_view wrong = count == 1 ? many : one;
    if (table.has(wrong)) {
        table.error(table.place_of_key(wrong), "the profile is of " + std::to_string(count) + " instrument" +
                                                   (count == 1 ? "" : "s") + ", so it is '" + std::string(right) +
                                                   "' and not '" + std::string(wrong) + "'");
        table.know(wrong);
        table.know(right);
        return {};
    }
    if (count == 1) {
        const std::optional<std::string> text = table.text(one, need);
        return text ? std::vector<std::string>{*text} : std::vector<std::string>{};
    }
    std::optional<std::vector<std::string>> texts = table.texts(many, need);
    if (texts && texts->size() != count) {
        table.error(table.place_of(many), "the profile is of " + std::to_string(count) + " instruments, and '" +
                                              std::string(many) + "' names " + std::to_string(texts->size()) +
                                              "; write one for each, in the order in which the profile has them");
    }
    return texts.value_or(std::vector<std::string>{});
}

}  // namespace

const InstrumentReader::Shelved& InstrumentReader::profile_at(const std::string& path) {
    const auto [at, fresh] = profiles_.try_emplace(path);
    Shelved& shelved = at->second;
    if (!fresh) {
        return shelved;
    }
    const Result<std::string> text = protocol::read_file_bounded(path);
    if (!text) {
        shelved.why_not = "the profile cannot be read: " + text.error().message;
        return shelved;
    }
    channel::ParsedProfile parsed = channel::parse_profile(path, *text);
    complaints_ += parsed.diagnostics.items.empty() ? "" : render(parsed.diagnostics, *text);
    if (parsed.profile) {
        shelved.profile = std::make_shared<const Profile>(std::move(*parsed.profile));
        return shelved;
    }
    const auto first = std::find_if(parsed.diagnostics.items.begin(), parsed.diagnostics.items.end(),
                                    [](const Diagnostic& one) { return one.severity == Severity::error; });
    shelved.why_not = "the profile has errors, the first at " + escaped(path) + ":" +
                      std::to_string(first->place.line) + ":" + std::to_string(first->place.column) + ": " +
                      first->message;
    return shelved;
}

std::shared_ptr<const Profile> InstrumentReader::read_profile(Table& table) {
    const std::optional<std::string> file = table.text("profile", Need::required);
    if (!file) {
        return nullptr;
    }
    const Shelved& shelved = profile_at(beside(bench_file_, *file));
    if (!shelved.profile) {
        table.error(table.place_of("profile"), shelved.why_not);
    }
    return shelved.profile;
}

void InstrumentReader::read_ports(Table& table, InstrumentChannelOptions& options) const {
    const std::size_t count = options.profile->instruments.size();
    options.serials = read_each(table, "serial", "serials", count, Need::optional);
    for (const std::string& port : read_each(table, "port", "ports", count, Need::required)) {
        options.ports.push_back(port_beside(port));
        if (options.serials.empty()) {
            warn_of_passing_name(table, count == 1 ? "port" : "ports", port);
        }
    }
}

std::string InstrumentReader::port_beside(const std::string& port) const {
    return std::filesystem::absolute(beside(bench_file_, port)).string();
}

void InstrumentReader::warn_of_passing_name(Table& table, std::string_view key, const std::string& port) {
    if (port.starts_with("/dev/tty")) {
        table.warning(table.place_of(key),
                      "'" + escaped(port) +
                          "' may be another adapter after a restart; take its name in /dev/serial/by-id, or "
                          "write the serial number that the instrument answers with");
    }
}

std::optional<std::string> InstrumentReader::taken(const std::string& path, const std::string& who) {
    const auto [at, fresh] = holders_.try_emplace(path, who);
    return fresh || at->second == who ? std::nullopt : std::optional(at->second + " has it");
}

// An instrument may have several outputs, each of which is one channel's.
void InstrumentReader::judge_ports(Table& table, const ChannelConfig& config, const InstrumentChannelOptions& options) {
    const Place place = table.place_of(options.ports.size() == 1 ? "port" : "ports");
    for (std::size_t i = 0; i < options.ports.size(); ++i) {
        const std::string serial = options.serials.empty() ? "" : options.serials[i];
        if (const auto other = taken(options.ports[i], "an instrument")) {
            table.error(place, "the port '" + escaped(options.ports[i]) + "' is taken: " + *other);
            return;
        }
        const auto [at, fresh] =
            ports_.try_emplace(options.ports[i], Owner{&options.profile->instruments[i], serial, config.name});
        const Owner& owner = at->second;
        if (!fresh && (owner.instrument != &options.profile->instruments[i] || owner.serial != serial)) {
            table.error(place, "the port '" + escaped(options.ports[i]) + "' is " +
                                   (owner.channel == config.name
                                        ? "named twice; each instrument has its own"
                                        : "channel '" + escaped(owner.channel) +
                                              "'s, with another profile or serial number; outputs of one instrument "
                                              "share both"));
            return;
        }
    }
    for (const channel::OffLine& off : channel::off_lines(*options.profile, options.output, options.load_output)) {
        const std::string& port = options.ports[off.instrument];
        const auto [at, fresh] = outputs_.try_emplace({port, off.line}, config.name);
        if (!fresh) {
            table.error(place, "channel '" + escaped(at->second) + "' has the same output of '" + escaped(port) +
                                   "': both are switched off by '" + escaped(off.line) +
                                   "'; every channel needs an output of its own, see 'output'");
        }
    }
}

void InstrumentReader::read(Table& channel, ChannelConfig& config) {
    refuse_foreign_keys(channel);
    std::optional<Table> table = channel.table("instrument", Need::required, "{ profile = ..., port = ..., ... }");
    if (!table) {
        return;
    }
    InstrumentChannelOptions options;
    options.profile = read_profile(*table);
    if (!options.profile) {
        table->leave();  // what else may stand here is the profile's to say
        return;
    }
    const Profile& profile = *options.profile;
    read_ports(*table, options);
    options.output = read_output(*table, "output");
    if (profile.load) {
        options.load_output = read_output(*table, "load_output");
    } else if (table->has("load_output")) {
        table->error(table->place_of_key("load_output"), "the profile has no load; leave 'load_output' out");
        table->know("load_output");
    }
    const std::optional<std::size_t> wiring = table->word("sense", wirings, Need::required);
    options.four_wire = wiring.value_or(0) == 0;
    read_protection(*table, options);
    if (config.traits.temperature_of != TemperatureOf::none && config.thermometer.empty() &&
        !profile.instruments[profile.source_at].temperature) {
        channel.error(channel.place_of("temperature_of"),
                      "the profile has no [temperature], so nothing reads a thermometer here; name a [[sensor]] with "
                      "'thermometer', or write "
                      "temperature_of = \"none\" (protocols with limits of temperature are refused then)");
    }
    config.traits = channel::traits_of(profile, config.traits);
    options.traits = config.traits;
    if (options.ports.size() != profile.instruments.size() || !wiring || !table->has("protection")) {
        return;
    }
    if (const Result<void> can = channel::can_make(options); !can) {
        table->error(table->place(), can.error().message);
        return;
    }
    judge_ports(*table, config, options);
    config.instrument = std::move(options);
}

}  // namespace slowfilm::bench
