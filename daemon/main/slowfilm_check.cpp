// The verb that reads a protocol and says all that is wrong with it, alone or against a bench.
#include "daemon/bench/config.hpp"
#include "daemon/core/text.hpp"
#include "daemon/engine/plan.hpp"
#include "daemon/main/slowfilm_guards.hpp"
#include "daemon/main/slowfilm_output.hpp"
#include "daemon/main/slowfilm_program.hpp"
#include "daemon/main/slowfilm_protocol.hpp"
#include "daemon/protocol/bounds.hpp"
#include "daemon/protocol/toml_reader.hpp"

#include <CLI/CLI.hpp>
#include <algorithm>
#include <array>
#include <boost/json/array.hpp>
#include <optional>
#include <vector>

namespace slowfilm::command {

namespace json = boost::json;

namespace {

struct CheckWords {
    Common common;
    std::string protocol, bench;
};

// What each channel of a bench says to the protocol; without a bench there is one channel, ideal and without a name.
struct Fit {
    std::string channel;
    Result<engine::Plan> plan;
};

std::vector<Fit> fits_of(const protocol::Protocol& protocol, const std::optional<bench::BenchConfig>& bench) {
    std::vector<Fit> fits;
    if (!bench) {
        fits.push_back({"", engine::make_plan(protocol, protocol.cell.capacity, engine::bench_of_no_name(protocol),
                                              engine::caps_of_no_name())});
        return fits;
    }
    for (const bench::ChannelConfig& channel : bench->channels) {
        fits.push_back(
            {channel.name, engine::make_plan(protocol, protocol.cell.capacity, channel.traits, bench->caps)});
    }
    return fits;
}

const Fit* first_that_fits(const std::vector<Fit>& fits) {
    for (const Fit& fit : fits) {
        if (fit.plan) {
            return &fit;
        }
    }
    return nullptr;
}

// The bench's own complaints are printed as the protocol's are; only then does the check stop.
Result<std::optional<bench::BenchConfig>> read_bench(const std::string& file) {
    if (file.empty()) {
        return std::optional<bench::BenchConfig>{};
    }
    const auto text = protocol::read_file_bounded(file);
    if (!text) {
        return tl::unexpected{text.error()};
    }
    bench::ParsedBench parsed = bench::parse_bench(file, *text);
    complain_text(render(parsed.diagnostics, *text));
    if (!parsed.config) {
        return fail(Failure::bad_config, "the bench file " + escaped(file) + " has errors");
    }
    return std::move(parsed.config);
}

// A limit that the bench does not allow is an error at the place where it is written.
void complain_of_caps(const protocol::Protocol& protocol, const BenchCaps& caps, Diagnostics& diagnostics) {
    const protocol::Limits& limits = protocol.limits;
    const auto compare = [&](std::string_view key, const auto& limit, auto value, auto cap) {
        if (limit.written && value > cap) {
            diagnostics.error(*limit.written, "'" + std::string{key} + "' is " + print(value) +
                                                  ", but this bench allows at most " + print(cap));
        }
    };
    if (limits.voltage_max.trip) {
        compare("voltage_max", limits.voltage_max, *limits.voltage_max.trip, caps.voltage_max);
    }
    if (limits.current_max.trip) {
        compare("current_max", limits.current_max, current_of(*limits.current_max.trip, protocol.cell.capacity),
                caps.current_max);
    }
    if (limits.temperature_max.trip) {
        compare("temperature_max", limits.temperature_max, *limits.temperature_max.trip, caps.temperature_max);
    }
    diagnostics.sort();
}

json::array diagnostics_json(const Diagnostics& diagnostics) {
    json::array list;
    for (const Diagnostic& item : diagnostics.items) {
        json::object object;
        object["severity"] = item.severity == Severity::error ? "error" : "warning";
        object["line"] = item.place.line;
        object["column"] = item.place.column;
        object["message"] = item.message;
        list.push_back(std::move(object));
    }
    return list;
}

json::object bench_json(const bench::BenchConfig& bench, const std::vector<Fit>& fits) {
    json::object object;
    object["name"] = bench.name;
    object["file"] = bench.file;
    json::array channels;
    for (const Fit& fit : fits) {
        json::object channel;
        channel["channel"] = fit.channel;
        channel["fits"] = fit.plan.has_value();
        channel["reason"] = fit.plan ? "" : fit.plan.error().message;
        channels.push_back(std::move(channel));
    }
    object["channels"] = std::move(channels);
    return object;
}

// What the channels that cannot run it say; those that say the same are named together.
std::vector<std::string> refusals_of(const std::vector<Fit>& fits) {
    std::vector<std::string> said;
    std::vector<std::string> sentences;
    for (const Fit& fit : fits) {
        if (fit.plan || std::find(said.begin(), said.end(), fit.plan.error().message) != said.end()) {
            continue;
        }
        const std::string& why = fit.plan.error().message;
        said.push_back(why);
        std::string names;
        for (const Fit& other : fits) {
            if (!other.plan && other.plan.error().message == why && names.size() < 200) {
                names += names.empty() ? "" : ", ";
                names += escaped(other.channel, 64);
            }
        }
        std::string sentence = names.empty() ? "" : "channel " + names + ": ";
        sentence += why;
        sentences.push_back(std::move(sentence));
    }
    return sentences;
}

json::object check_json(const CheckWords& words, const Loaded& loaded, const std::optional<bench::BenchConfig>& bench,
                        const std::vector<Fit>& fits) {
    const Fit* const fit = first_that_fits(fits);
    json::object answer = new_answer("check");
    answer["file"] = words.protocol;
    answer["good"] = fit != nullptr;
    Diagnostics diagnostics = loaded.checked.diagnostics;
    for (std::string& refusal : refusals_of(fits)) {
        // No line of the protocol is wrong by itself, so the place is the file as a whole.
        fit != nullptr ? diagnostics.warning({}, std::move(refusal)) : diagnostics.error({}, std::move(refusal));
    }
    answer["diagnostics"] = diagnostics_json(diagnostics);
    if (fit != nullptr) {
        answer["guards"] = guards_json(*fit->plan);
    } else {
        answer["guards"] = nullptr;
        answer["guards_reason"] =
            loaded.checked.protocol ? "no channel of this bench can run this protocol" : "the protocol has errors";
    }
    if (loaded.checked.protocol) {
        answer["bounds"] = protocol::bounds_json(loaded.checked.bounds);
    } else {
        answer["bounds"] = nullptr;
        answer["bounds_reason"] = "the protocol has errors";
    }
    if (bench) {
        answer["bench"] = bench_json(*bench, fits);
    }
    return answer;
}

std::string check_text(const CheckWords& words, const Loaded& loaded, const std::vector<Fit>& fits) {
    const Fit* const fit = first_that_fits(fits);
    if (fit == nullptr) {
        return "";
    }
    std::string text = escaped(words.protocol) + " is good: " + escaped(loaded.checked.protocol->title, 120) + "\n\n";
    text += "The guards as they will be judged";
    text += fit->channel.empty() ? ", on a channel without errors of its own:\n"
                                 : ", on channel '" + escaped(fit->channel, 64) + "':\n";
    text += guards_text(*fit->plan) + "\n" + protocol::bounds_text(loaded.checked.bounds);
    return text;
}

// Where there is nothing to read, the answer still is one, with the complaint at the file's beginning.
Result<int> check_of_no_text(const CheckWords& words, const Error& error) {
    Loaded nothing;
    nothing.checked.diagnostics.error({}, error.message);
    const std::array<std::string, 2> inputs{words.protocol, words.bench};
    auto put = put_answer(
        words.common, check_json(words, nothing, std::nullopt, {}), [] { return std::string{}; }, inputs);
    if (!put) {
        return tl::unexpected{put.error()};
    }
    return exit_code(error.failure);
}

Result<int> check(const CheckWords& words) {
    auto bench = read_bench(words.bench);
    if (!bench) {
        return tl::unexpected{bench.error()};
    }
    auto loaded = load(words.protocol);
    if (!loaded) {
        return words.common.json() ? check_of_no_text(words, loaded.error()) : tl::unexpected{loaded.error()};
    }
    std::vector<Fit> fits;
    if (loaded->checked.protocol && *bench) {
        complain_of_caps(*loaded->checked.protocol, (*bench)->caps, loaded->checked.diagnostics);
    }
    if (loaded->checked.protocol && !loaded->checked.diagnostics.has_errors()) {
        fits = fits_of(*loaded->checked.protocol, *bench);
    }
    if (!words.common.json()) {
        complain_text(render(loaded->checked.diagnostics, loaded->text));
        for (const std::string& refusal : refusals_of(fits)) {
            complain(refusal);
        }
    }
    const std::array<std::string, 2> inputs{words.protocol, words.bench};
    const bool good = first_that_fits(fits) != nullptr;
    if (good || words.common.json()) {
        auto put = put_answer(
            words.common, check_json(words, *loaded, *bench, fits), [&] { return check_text(words, *loaded, fits); },
            inputs);
        if (!put) {
            return tl::unexpected{put.error()};
        }
    }
    return good ? done : exit_code(Failure::bad_data);
}

}  // namespace

void add_check_verb(Program& program) {
    const auto check_words = std::make_shared<CheckWords>();
    CLI::App* const check_verb =
        add_verb(program, "check", "Reads a protocol, says all that is wrong with it, and what it can never exceed.",
                 "check night.toml --bench bench.toml", check_words->common, Takes::nothing);
    check_verb->add_option("PROTOCOL", check_words->protocol, "the recipe")->required()->option_text("PROTOCOL");
    check_verb->add_option("--bench", check_words->bench, "also check it against this bench's channels and caps")
        ->option_text("BENCH");
    check_verb->callback([&program, check_words] { program.action = [check_words] { return check(*check_words); }; });
}

}  // namespace slowfilm::command
