// The verbs that look at serial instruments without a daemon: which ports there are, and whether a profile fits.
#include "daemon/channel/board_line.hpp"
#include "daemon/channel/instrument_channel.hpp"
#include "daemon/core/text.hpp"
#include "daemon/main/slowfilm_output.hpp"
#include "daemon/main/slowfilm_program.hpp"
#include "daemon/main/slowfilm_table.hpp"

#include <CLI/CLI.hpp>
#include <algorithm>
#include <boost/asio/io_context.hpp>
#include <boost/json/array.hpp>
#include <chrono>
#include <filesystem>
#include <optional>
#include <system_error>
#include <vector>

namespace slowfilm::command {

namespace json = boost::json;

namespace {

using namespace literals;

constexpr std::string_view stable_names = "/dev/serial/by-id";

// Turns until it is so, at most for `most` of the machine's time.
template <class So>
bool turn_until(boost::asio::io_context& io, Duration most, So so) {
    const auto until = std::chrono::steady_clock::now() + std::chrono::microseconds(most.count);
    while (!so() && std::chrono::steady_clock::now() < until) {
        io.restart();
        io.run_one_until(until);
    }
    return so();
}

// Time for an instrument to start, to be listened to and to say who it is.
Duration greeting_time(const channel::InstrumentProfile& instrument) {
    return instrument.boot + instrument.quiet * 4 + instrument.answer * 4 + 1_s;
}

// --- instruments

struct ListWords {
    Common common;
    std::string folder{stable_names};
    bool identify{false};
    std::string profile;
};

struct Listed {
    std::string port, device, says;
};

Result<std::vector<Listed>> ports_in(const std::string& folder) {
    std::vector<Listed> ports;
    std::error_code error;
    for (const auto& entry : std::filesystem::directory_iterator(folder, error)) {
        std::error_code none;
        const std::filesystem::path device = std::filesystem::canonical(entry.path(), none);
        if (!none && std::filesystem::is_character_file(device, none)) {
            ports.push_back({entry.path().string(), device.string(), ""});
        }
    }
    if (error && error != std::errc::no_such_file_or_directory) {
        return fail(Failure::no_input, "cannot look into " + escaped(folder) + ": " + error.message());
    }
    std::sort(ports.begin(), ports.end(), [](const Listed& a, const Listed& b) { return a.port < b.port; });
    return ports;
}

// Asks each port who is there, as the profile asks; one after the other, so that nobody else's line is touched longer
// than that takes.
void identify(std::vector<Listed>& ports, const channel::InstrumentProfile& instrument) {
    for (Listed& port : ports) {
        boost::asio::io_context io{1};
        channel::MachineTiming timing(io);
        channel::InstrumentProfile here = instrument;
        here.port.path = port.port;
        channel::Instrument one(io, timing, std::move(here), "");
        one.link().start();
        const bool open = one.link().descriptor() >= 0;
        const bool up =
            open &&
            turn_until(io, greeting_time(instrument), [&] { return one.link().up() || one.link().descriptor() < 0; }) &&
            one.link().up();
        port.says = up                             ? one.link().identity()
                    : one.link().trouble().empty() ? "nothing there says who it is"
                                                   : one.link().trouble();
    }
}

Result<int> list_instruments(const ListWords& words) {
    if (words.identify == words.profile.empty()) {
        return fail(Failure::usage,
                    "--identify and --profile FILE belong together: the profile says at which baud rate and with which "
                    "question an instrument is asked who it is");
    }
    auto ports = ports_in(words.folder);
    if (!ports) {
        return tl::unexpected{ports.error()};
    }
    if (words.identify) {
        const auto profile = channel::load_profile(words.profile);
        if (!profile) {
            return tl::unexpected{profile.error()};
        }
        identify(*ports, profile->instruments[profile->source_at]);
    }
    json::object answer = new_answer("instruments");
    json::array list;
    std::vector<TableRow> rows{{{"port", "device"}}};
    if (words.identify) {
        rows.front().cells.emplace_back("says");
    }
    for (const Listed& port : *ports) {
        json::object one;
        one["port"] = port.port;
        one["device"] = port.device;
        rows.push_back({{escaped(port.port, 200), escaped(port.device, 100)}});
        if (words.identify) {
            one["says"] = port.says;
            rows.back().cells.push_back(escaped(port.says, 200));
        }
        list.push_back(std::move(one));
    }
    answer["ports"] = std::move(list);
    const auto text = [&] {
        return ports->empty() ? "there are no serial ports in " + escaped(words.folder) + "\n" : table(rows);
    };
    if (auto put = put_answer(words.common, answer, text); !put) {
        return tl::unexpected{put.error()};
    }
    return done;
}

// --- probe

struct ProbeWords {
    Common common;
    std::vector<std::string> ports;
    std::string profile, output{"1"}, load_output{"1"}, sense;
    std::uint32_t readings{20};
    bool board{false};
};

struct Probed {
    channel::Health health;
    std::vector<Duration> readings;  // how long each took, shortest first
    std::uint32_t without_value{0};  // of them: voltage or current did not come
    Sample last;
    ChannelTraits traits;
};

// The shortest period that leaves the line room to breathe.
Duration period_for(const std::vector<Duration>& sorted) {
    const Duration longest = sorted.back();
    return Duration{(longest.count * 3 / 2 + 9'999) / 10'000 * 10'000};
}

Result<channel::InstrumentChannelOptions> options_of(const ProbeWords& words) {
    auto loaded = channel::load_profile(words.profile);
    if (!loaded) {
        return tl::unexpected{loaded.error()};
    }
    channel::InstrumentChannelOptions options;
    options.profile = std::make_shared<const channel::Profile>(std::move(*loaded));
    const channel::Profile& profile = *options.profile;
    for (const std::string& port : words.ports) {
        options.ports.push_back(std::filesystem::absolute(port).string());
    }
    options.output = words.output;
    options.load_output = words.load_output;
    const std::optional<bool> fixed = profile.instruments[profile.source_at].sense.fixed_four_wire;
    options.four_wire = words.sense.empty() ? fixed.value_or(true) : words.sense == "four wire";
    // No cell is asked about here: as high as it goes.
    std::int64_t voltage = profile.source.protection.max;
    std::int64_t current = profile.source.current_protection ? profile.source.current_protection->max : INT64_MAX;
    if (profile.load && !profile.load->protection.set.empty()) {
        voltage = std::min(voltage, profile.load->protection.max);
    }
    if (profile.load && profile.load->current_protection) {
        current = std::min(current, profile.load->current_protection->max);
    }
    options.protection = Voltage{voltage};
    options.current_protection = Current{current};
    options.traits = channel::traits_of(profile, ChannelTraits{.period = 1_s});
    return options;
}

// Brings the outputs up as the daemon does: off, at zero, wired as said, protection set, all read back; then reads.
Result<Probed> probe_channel(const channel::InstrumentChannelOptions& options, std::uint32_t readings) {
    boost::asio::io_context io{1};
    channel::MachineTiming timing(io);
    channel::Instruments instruments(io, timing);
    auto made = channel::make_instrument_channel(instruments, options);
    if (!made) {
        return tl::unexpected{made.error()};
    }
    channel::Channel& channel = **made;
    Duration patience = 5_s;
    for (std::size_t i = 0; i < options.ports.size(); ++i) {
        const channel::InstrumentProfile& instrument = options.profile->instruments[i];
        auto there = instruments.at(options.ports[i], instrument, "");
        if (there && (*there)->link().descriptor() < 0) {
            return fail(Failure::try_again, (*there)->link().trouble());
        }
        patience = patience + greeting_time(instrument) + instrument.answer * 8;
    }
    Probed probed;
    probed.traits = channel.traits();
    const bool ready = turn_until(io, patience, [&] { return channel.health().ready; });
    for (std::uint32_t i = 0; ready && i < readings; ++i) {
        const Time began = timing.steady();
        std::optional<Sample> came;
        channel.sample(began, [&](const Sample& sample) { came = sample; });
        (void)turn_until(io, patience, [&] { return came.has_value(); });
        probed.readings.push_back(timing.steady() - began);
        probed.without_value += came && came->voltage.good() && came->current.good() ? 0 : 1;
        probed.last = came.value_or(Sample{});
    }
    std::sort(probed.readings.begin(), probed.readings.end());
    probed.health = channel.health();
    probed.health.ready = ready;
    return probed;
}

std::vector<std::string> abilities_of(const channel::InstrumentChannelOptions& options, const Probed& probed) {
    const ChannelTraits& traits = probed.traits;
    std::vector<std::string> all;
    all.push_back("holds " + print(traits.voltage_min) + " to " + print(traits.voltage_max) + ", charges with up to " +
                  print(traits.source_max) +
                  (traits.sink_max.count > 0 ? ", discharges with up to " + print(traits.sink_max) : "") +
                  ", by its profile");
    all.push_back(
        options.profile->instruments[options.profile->source_at].temperature
            ? "reads a thermometer"
            : "reads no thermometer: protocols with limits of temperature need a [[sensor]] in the bench file");
    all.push_back(traits.reports_ceiling ? "tells what it regulates"
                                         : "does not tell what it regulates: a ceiling is told by voltage and current");
    for (std::string& remark : channel::remarks(*options.profile)) {
        all.push_back(std::move(remark));
    }
    return all;
}

std::string in_milliseconds(Duration span) {
    return print_fixed(seconds(span) * 1e3, 1) + " ms";
}

// What is said of it besides what was read.
struct Shown {
    std::string title, file;
    std::vector<std::string> abilities;
};

std::string probe_text(const Shown& shown, const Probed& probed) {
    std::string text = escaped(shown.title, 120) + ", by " + escaped(shown.file) + "\n";
    if (!probed.health.identity.empty()) {
        text += "  says it is " + probed.health.identity + "\n";
    }
    if (!probed.health.ready) {
        return text + "  NOT READY: " + escaped(probed.health.trouble, 1000) + "\n";
    }
    text += "  brought up with the output off, and read back: " + probed.health.settings + "\n";
    if (!probed.readings.empty()) {
        text += "  a reading takes " + in_milliseconds(probed.readings[probed.readings.size() / 2]) + ", at most " +
                in_milliseconds(probed.readings.back()) + " of " + std::to_string(probed.readings.size()) +
                "; the channel's period may be " + print(period_for(probed.readings)) + " or more\n";
    }
    if (probed.last.voltage.good() && probed.last.current.good()) {
        text += "  reads " + print(probed.last.voltage.value) + " and " + print(probed.last.current.value) +
                " with the output off\n";
    }
    if (probed.without_value > 0) {
        text += "  " + std::to_string(probed.without_value) + " readings came without voltage or current\n";
    }
    for (const std::string& ability : shown.abilities) {
        text += "  " + ability + "\n";
    }
    return text;
}

json::object probe_json(const Shown& shown, const Probed& probed) {
    json::object answer = new_answer("probe");
    answer["profile"] = shown.file;
    answer["title"] = shown.title;
    answer["ready"] = probed.health.ready;
    answer["trouble"] = probed.health.trouble;
    answer["identity"] = probed.health.identity;
    answer["settings"] = probed.health.settings;
    answer["readings"] = probed.readings.size();
    answer["without_value"] = probed.without_value;
    if (!probed.readings.empty()) {
        answer["reading_median_second"] = seconds(probed.readings[probed.readings.size() / 2]);
        answer["reading_longest_second"] = seconds(probed.readings.back());
        answer["period_least_second"] = seconds(period_for(probed.readings));
    }
    json::array abilities;
    for (const std::string& ability : shown.abilities) {
        abilities.emplace_back(ability);
    }
    answer["abilities"] = std::move(abilities);
    return answer;
}

// A channel board tells by itself what a profile would say; it is opened, asked, and given no limits.
Result<Probed> probe_board(const std::string& port, std::uint32_t readings, std::vector<std::string>& abilities) {
    boost::asio::io_context io{1};
    channel::MachineTiming timing(io);
    channel::BoardChannelOptions options;
    options.port = {.path = std::filesystem::absolute(port).string(), .baud = 115'200};
    options.answer = 500_ms;
    channel::BoardLine line(io, timing, options, {});
    line.start([](channel::BoardLine::News) {});
    if (line.link().descriptor() < 0) {
        return fail(Failure::try_again, line.link().trouble());
    }
    Probed probed;
    constexpr Duration patience = 5_s;
    const auto ask = [&](const wire::BoardCommand& command) -> std::optional<wire::BoardReply> {
        std::optional<wire::BoardReply> reply;
        const auto script =
            line.run(channel::Urgency::apply,
                     {{command,
                       [&](const wire::BoardReply& came) {
                           reply = came;
                           return channel::Outcome{};
                       }}},
                     [&](const channel::Outcome& outcome) { probed.health.trouble = outcome ? outcome->text : ""; });
        (void)turn_until(io, patience, [&] { return script->over; });
        return reply;
    };
    probed.health.ready = false;
    (void)turn_until(io, patience, [&] { return line.link().up(); });
    const auto opened = ask(Demand{Open{}});
    const auto said = opened ? ask(wire::BoardQuestion::identity) : std::nullopt;
    const auto* const identity = said ? std::get_if<wire::BoardIdentity>(&*said) : nullptr;
    if (identity == nullptr) {
        return probed;
    }
    probed.health.identity = channel::describe(*identity);
    abilities = channel::abilities(*identity);
    for (std::uint32_t i = 0; i < readings; ++i) {
        const Time began = timing.steady();
        const auto came = ask(wire::BoardQuestion::state);
        probed.readings.push_back(timing.steady() - began);
        const auto* const state = came ? std::get_if<wire::BoardState>(&*came) : nullptr;
        const bool values = state != nullptr && state->sample.voltage.good() && state->sample.current.good();
        probed.without_value += values ? 0 : 1;
        if (state != nullptr) {
            probed.last = state->sample;
            probed.health.settings = state->has(wire::board::latched)
                                         ? "latched open: " + wire::describe_latch(state->flags)
                                         : "output open";
        }
    }
    std::sort(probed.readings.begin(), probed.readings.end());
    probed.health.ready = true;
    return probed;
}

Result<int> probe_the_board(const ProbeWords& words) {
    if (words.ports.size() != 1 || !words.profile.empty()) {
        return fail(Failure::usage, "a channel board hangs on one port and has no profile: probe PORT --board");
    }
    std::vector<std::string> abilities;
    const auto probed = probe_board(words.ports.front(), words.readings, abilities);
    if (!probed) {
        return tl::unexpected{probed.error()};
    }
    const Shown shown{"channel board", "config/board-link.md", abilities};
    if (auto put = put_answer(words.common, probe_json(shown, *probed), [&] { return probe_text(shown, *probed); });
        !put) {
        return tl::unexpected{put.error()};
    }
    return probed->health.ready && probed->without_value == 0 ? done : answer_is_no;
}

Result<int> probe(const ProbeWords& words) {
    if (words.board) {
        return probe_the_board(words);
    }
    if (words.profile.empty()) {
        return fail(Failure::usage,
                    "an instrument is probed by its profile: --profile FILE; a channel board with --board");
    }
    const auto options = options_of(words);
    if (!options) {
        return tl::unexpected{options.error()};
    }
    const auto probed = probe_channel(*options, words.readings);
    if (!probed) {
        return tl::unexpected{probed.error()};
    }
    const Shown shown{options->profile->title, options->profile->file, abilities_of(*options, *probed)};
    if (auto put = put_answer(words.common, probe_json(shown, *probed), [&] { return probe_text(shown, *probed); });
        !put) {
        return tl::unexpected{put.error()};
    }
    return probed->health.ready && probed->without_value == 0 ? done : answer_is_no;
}

}  // namespace

void add_instrument_verbs(Program& program) {
    const auto list = std::make_shared<ListWords>();
    CLI::App* const list_verb = add_verb(
        program, "instruments",
        "Lists the serial ports by their stable names; nothing is written to them unless asked.",
        "instruments --identify --profile config/instruments/two-quadrant-source.toml", list->common, Takes::nothing);
    list_verb->add_option("--in", list->folder, "the folder of the names; else " + std::string{stable_names})
        ->option_text("FOLDER");
    list_verb->add_flag("--identify", list->identify, "ask on every port that is free who is there");
    list_verb->add_option("--profile", list->profile, "how to ask")->option_text("FILE");
    list_verb->callback([&program, list] { program.action = [list] { return list_instruments(*list); }; });

    const auto words = std::make_shared<ProbeWords>();
    CLI::App* const verb =
        add_verb(program, "probe",
                 "Tries a profile on an instrument with its output off, and says what the two can "
                 "do. Take the cell out first.",
                 "probe /dev/serial/by-id/NAME --profile config/instruments/two-quadrant-source.toml", words->common,
                 Takes::nothing);
    verb->add_option("PORT", words->ports, "one for each instrument of the profile, in its order")
        ->required()
        ->option_text("PORT");
    verb->add_option("--profile", words->profile, "the instrument profile")->option_text("FILE");
    verb->add_flag("--board", words->board, "it is a channel board, which needs no profile");
    verb->add_option("--output-number", words->output, "what stands for {channel}")->option_text("1");
    verb->add_option("--load-output", words->load_output, "likewise of the load")->option_text("1");
    verb->add_option("--sense", words->sense, "how the cell is wired")
        ->check(CLI::IsMember({"four wire", "two wire"}))
        ->option_text("'four wire'|'two wire'");
    verb->add_option("--readings", words->readings, "how many times it is read")
        ->check(CLI::Range(1, 1000))
        ->option_text("20");
    verb->callback([&program, words] { program.action = [words] { return probe(*words); }; });
}

}  // namespace slowfilm::command
