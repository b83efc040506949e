#include "daemon/channel/profile.hpp"

#include "daemon/channel/profile_line.hpp"
#include "daemon/channel/profile_read.hpp"
#include "daemon/core/text.hpp"

#include <algorithm>
#include <array>
#include <utility>

namespace slowfilm::channel {
namespace {

using detail::OutputRole;
using protocol::Document;
using protocol::Need;
using protocol::Table;

constexpr std::array<std::string_view, 3> kinds{"two-quadrant source", "supply and load", "supply alone"};
constexpr std::array<std::string_view, 2> voltage_words{"supply", "load"};

// The instrument of an output: its own, or the one the file begins with.
std::size_t read_its_instrument(Table& root, Table& output, Profile& profile) {
    if (std::optional<Table> own = output.table("instrument")) {
        if (root.has("port")) {
            root.error(root.place_of("port"), "this file has a [port] for all and [" + own->path() +
                                                  "] for one output; write one instrument at the top, or one for each");
        }
        profile.instruments.push_back(detail::read_instrument(*own));
        return profile.instruments.size() - 1;
    }
    if (profile.instruments.empty()) {
        profile.instruments.push_back(detail::read_instrument(root));
    }
    return 0;
}

void read_outputs(Table& root, Profile& profile) {
    const bool two_quadrant = profile.kind == ProfileKind::two_quadrant;
    const std::string_view name = two_quadrant ? "source" : "supply";
    if (std::optional<Table> source = root.table(name, Need::required)) {
        profile.source_at = read_its_instrument(root, *source, profile);
        profile.source = detail::read_output(*source, two_quadrant ? OutputRole::two_quadrant : OutputRole::supply);
    }
    if (profile.kind != ProfileKind::supply_and_load) {
        return;
    }
    if (std::optional<Table> load = root.table("load", Need::required)) {
        const bool apart = load->has("instrument");
        if (apart == root.has("port") && !apart) {
            load->error(load->place(),
                        "[load] needs its own [load.instrument], as [supply] has one, or both need one "
                        "[port] and so on at the top of the file");
        }
        profile.load_at = read_its_instrument(root, *load, profile);
        profile.load = detail::read_output(*load, OutputRole::load);
    }
    if (std::optional<Table> readings = root.table("readings", Need::required)) {
        profile.voltage_from_load = readings->word("voltage", voltage_words, Need::required).value_or(1) == 1;
    }
}

OffState worse(OffState a, OffState b) {
    return std::max(a, b);  // relay open, high impedance, sinks
}

}  // namespace

ParsedProfile parse_profile(const std::string& file, std::string_view text) {
    Document document = Document::parse(file, text);
    Profile profile;
    profile.file = file;
    if (document.readable()) {
        Table root = document.root();
        if (const std::optional<std::size_t> kind = detail::read_head(root, kinds, profile.title)) {
            profile.kind = static_cast<ProfileKind>(*kind);
            read_outputs(root, profile);
            document.refuse_unknown_keys();
        }
    }
    ParsedProfile parsed;
    parsed.diagnostics = document.diagnostics();
    parsed.diagnostics.sort();
    if (!parsed.diagnostics.has_errors()) {
        parsed.profile = std::move(profile);
    }
    return parsed;
}

Result<Profile> load_profile(const std::string& file) {
    const Result<std::string> text = protocol::read_file_bounded(file);
    if (!text) {
        return fail(Failure::bad_config, text.error().message);
    }
    ParsedProfile parsed = parse_profile(file, *text);
    if (!parsed.profile) {
        return fail(Failure::bad_config, render(parsed.diagnostics, *text));
    }
    return std::move(*parsed.profile);
}

std::vector<OffLine> off_lines(const Profile& profile, const std::string& output, const std::string& load_output) {
    std::vector<OffLine> lines;
    const auto add = [&lines](const OutputProfile& of, std::size_t at, const std::string& number) {
        lines.push_back({at, detail::filled(of.off, number)});
        if (of.contactor) {
            lines.push_back({at, detail::filled(of.contactor->open, number)});
        }
    };
    add(profile.source, profile.source_at, output);
    if (profile.load) {
        add(*profile.load, profile.load_at, load_output);
    }
    return lines;
}

ChannelTraits traits_of(const Profile& profile, ChannelTraits traits) {
    const OutputProfile& source = profile.source;
    traits.settle = profile.instruments[profile.source_at].settle;
    traits.voltage_min = Voltage{source.voltage.min};
    traits.voltage_max = Voltage{source.voltage.max};
    traits.source_max = Current{source.current.max};
    traits.sink_max = Current{source.sink ? source.sink->max : 0};
    traits.current_accuracy = Current{source.current_measure.accuracy};
    traits.current_resolution = Current{source.current_measure.resolution};
    traits.off_state = source.off_state;
    traits.reports_ceiling = !source.mode.empty();
    const OutputProfile& sensing = profile.load && profile.voltage_from_load ? *profile.load : source;
    // A ceiling is as good as the reading of it and the step of its setting.
    traits.voltage_accuracy = Voltage{std::max(sensing.voltage_measure.accuracy, source.voltage.resolution)};
    traits.voltage_resolution = Voltage{sensing.voltage_measure.resolution};
    traits.reads_terminals = sensing.terminals.has_value();
    traits.has_contactor = source.contactor && (!profile.load || profile.load->contactor);
    if (profile.load) {
        const OutputProfile& load = *profile.load;
        traits.settle = std::max(traits.settle, profile.instruments[profile.load_at].settle);
        traits.sink_max = Current{load.current.max};
        traits.current_accuracy += Current{load.current_measure.accuracy};
        traits.current_resolution = Current{std::max(traits.current_resolution.count, load.current_measure.resolution)};
        traits.off_state = worse(traits.off_state, load.off_state);
        traits.reports_ceiling = traits.reports_ceiling && !load.mode.empty();
    }
    return traits;
}

std::vector<std::string> remarks(const Profile& profile) {
    std::vector<std::string> all;
    const OutputProfile& source = profile.source;
    all.push_back(
        "no heartbeat is watched by this instrument: with the computer dead it keeps its last setting, up to " +
        print(Voltage{source.voltage.max}) + "; only a cut-off of its own protects the cell then");
    all.push_back("its own protection can be set from " + print(Voltage{source.protection.min}) + " to " +
                  print(Voltage{source.protection.max}) + " in steps of " +
                  print(Voltage{source.protection.resolution}) + ", and watches the voltage where it is sensed");
    if (worse(source.off_state, profile.load ? profile.load->off_state : OffState::relay_open) == OffState::sinks) {
        const bool isolated = source.contactor && (!profile.load || profile.load->contactor);
        all.push_back(isolated ? "it sinks when it is off: only its contactor keeps a cell at rest from being drained"
                               : "it sinks when it is off: without a contactor a cell at rest is drained");
    }
    if (profile.kind == ProfileKind::supply_alone) {
        all.push_back("it cannot discharge, nor hold a cell below its own voltage");
    }
    if (profile.kind == ProfileKind::supply_and_load) {
        all.push_back("it cannot hold a voltage from above: a hold is the supply's");
    }
    for (const InstrumentProfile& instrument : profile.instruments) {
        if (instrument.events.empty()) {
            all.push_back("a restart of it is told only by its settings, which are read back every minute");
        }
        if (instrument.errors.empty()) {
            all.push_back("it has no error queue: that a setting was taken is told by reading it back alone");
        }
    }
    return all;
}

}  // namespace slowfilm::channel
