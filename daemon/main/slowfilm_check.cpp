// The verb that reads a protocol and says all that is wrong with it, alone or against a bench.
#include "daemon/bench/config.hpp"
#include "daemon/channel/profile.hpp"
#include "daemon/core/text.hpp"
#include "daemon/engine/plan.hpp"
#include "daemon/main/slowfilm_bench_fit.hpp"
#include "daemon/main/slowfilm_guards.hpp"
#include "daemon/main/slowfilm_output.hpp"
#include "daemon/main/slowfilm_program.hpp"
#include "daemon/main/slowfilm_protocol.hpp"
#include "daemon/protocol/bounds.hpp"
#include "daemon/protocol/toml_reader.hpp"
#include "sim/sets/particle_sets.hpp"

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
    tl::expected<engine::Plan, engine::Refusals> plan;
    std::vector<std::string> not_protected;  // where it fits: what a person has to know before it runs there
};

std::vector<std::string> remarks_of(const bench::ChannelConfig& channel) {
    if (!channel.serial()) {
        return {};
    }
    std::vector<std::string> all =
        channel.board ? channel::remarks(*channel.board) : channel::remarks(*channel.instrument->profile);
    if (!(channel.board ? channel.board->four_wire : channel.instrument->four_wire)) {
        all.push_back(
            "it is wired with two wires: voltages carry the drop along the leads, and an open circuit can "
            "pass for the end of a charge");
    }
    return all;
}

std::vector<Fit> fits_of(const protocol::Protocol& protocol, const std::optional<bench::BenchConfig>& bench) {
    std::vector<Fit> fits;
    if (!bench) {
        fits.push_back({"",
                        engine::try_plan(protocol, protocol.cell.capacity, engine::bench_of_no_name(protocol),
                                         engine::caps_of_no_name()),
                        {}});
        return fits;
    }
    for (const bench::ChannelConfig& channel : bench->channels) {
        auto plan = engine::try_plan(protocol, protocol.cell.capacity, channel.traits, bench->caps);
        std::vector<std::string> notes;
        if (plan) {
            notes = not_protected(protocol, channel.traits);
            const bench::ChamberConfig* const chamber = bench::find_chamber(*bench, channel.chamber);
            if (chamber != nullptr && chamber->unit &&
                !std::get<channel::ChamberProfile>(chamber->unit->profile->unit).power) {
                notes.push_back("its chamber cannot be switched off by its profile: after heat in it, it is set to " +
                                print(bench::safe_ambient) + " and stays on");
            }
            for (std::string& remark : remarks_of(channel)) {
                notes.push_back(std::move(remark));
            }
        }
        fits.push_back({channel.name, std::move(plan), std::move(notes)});
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

// A bench that was read, or what is wrong with it.
struct ReadBench {
    std::string text;
    bench::ParsedBench parsed;
};

Result<std::optional<ReadBench>> read_bench(const std::string& file) {
    if (file.empty()) {
        return std::optional<ReadBench>{};
    }
    auto text = protocol::read_file_bounded(file);
    if (!text) {
        return tl::unexpected{text.error()};
    }
    bench::ParsedBench parsed = bench::parse_bench(file, *text, sim::chemistry_of_set_in);
    return std::optional{ReadBench{std::move(*text), std::move(parsed)}};
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
        json::array reasons;
        for (const Error& refusal : fit.plan ? engine::Refusals{} : fit.plan.error()) {
            reasons.emplace_back(refusal.message);
        }
        channel["reasons"] = std::move(reasons);
        json::array notes;
        for (const std::string& note : fit.not_protected) {
            notes.emplace_back(note);
        }
        channel["not_protected"] = std::move(notes);
        channels.push_back(std::move(channel));
    }
    object["channels"] = std::move(channels);
    return object;
}

// A sentence about channels, once for all that it holds for.
struct Said {
    std::string names, sentence;
    Place place;
};

void say(std::vector<Said>& all, const std::string& channel, const std::string& sentence, Place place = {}) {
    auto at = std::find_if(all.begin(), all.end(), [&](const Said& said) { return said.sentence == sentence; });
    if (at == all.end()) {
        at = all.insert(all.end(), {"", sentence, place});
    }
    if (!channel.empty() && at->names.size() < 200) {
        at->names += (at->names.empty() ? "channel " : ", ") + escaped(channel, 64);
    }
}

std::string sentence_of(const Said& said) {
    return said.names + (said.names.empty() ? "" : ": ") + said.sentence;
}

// What is wrong with the protocol, and what the channels say that cannot run it: errors where none can.
Diagnostics all_of(const Loaded& loaded, const std::vector<Fit>& fits) {
    std::vector<Said> all;
    for (const Fit& fit : fits) {
        for (const Error& refusal : fit.plan ? engine::Refusals{} : fit.plan.error()) {
            say(all, fit.channel, refusal.message, refusal.place);
        }
    }
    Diagnostics diagnostics = loaded.checked.diagnostics;
    for (const Said& said : all) {
        first_that_fits(fits) != nullptr ? diagnostics.warning(said.place, sentence_of(said))
                                         : diagnostics.error(said.place, sentence_of(said));
    }
    diagnostics.sort();
    return diagnostics;
}

// What those that can do not protect.
std::vector<std::string> notes_of(const std::vector<Fit>& fits) {
    std::vector<Said> all;
    for (const Fit& fit : fits) {
        for (const std::string& note : fit.not_protected) {
            say(all, fit.channel, note);
        }
    }
    std::vector<std::string> sentences;
    for (const Said& said : all) {
        sentences.push_back(sentence_of(said));
    }
    return sentences;
}

json::object check_json(const CheckWords& words, const Loaded& loaded, const std::optional<bench::BenchConfig>& bench,
                        const std::vector<Fit>& fits) {
    const Fit* const fit = first_that_fits(fits);
    json::object answer = new_answer("check");
    answer["file"] = words.protocol;
    answer["good"] = fit != nullptr;
    answer["diagnostics"] = diagnostics_json(all_of(loaded, fits));
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

// Where there is no protocol to judge, the answer still is one, with the complaints about `file`.
Result<int> answer_without(const CheckWords& words, const std::string& file, Diagnostics diagnostics, Failure failure) {
    Loaded nothing;
    nothing.checked.diagnostics = std::move(diagnostics);
    json::object answer = check_json(words, nothing, std::nullopt, {});
    answer["file"] = file;
    answer["guards_reason"] = answer["bounds_reason"] = "no protocol was judged";
    const std::array<std::string, 2> inputs{words.protocol, words.bench};
    auto put = put_answer(
        words.common, answer, [] { return std::string{}; }, inputs);
    if (!put) {
        return tl::unexpected{put.error()};
    }
    return exit_code(failure);
}

// The complaint stands at the file's beginning, for nothing of it could be read.
Result<int> answer_without(const CheckWords& words, const std::string& file, const Error& error) {
    Diagnostics diagnostics;
    diagnostics.error({}, error.message);
    return answer_without(words, file, std::move(diagnostics), error.failure);
}

Result<int> refuse_bench(const CheckWords& words, ReadBench bench) {
    if (words.common.json()) {
        return answer_without(words, words.bench, std::move(bench.parsed.diagnostics), Failure::bad_config);
    }
    return fail(Failure::bad_config, "the bench file " + escaped(words.bench) + " has errors");
}

void complain_of(const Loaded& loaded, const std::vector<Fit>& fits) {
    complain_text(render(all_of(loaded, fits), loaded.text));
    for (const std::string& note : notes_of(fits)) {
        complain("not protected: " + note);
    }
}

Result<int> check(const CheckWords& words) {
    auto bench = read_bench(words.bench);
    if (!bench) {
        return words.common.json() ? answer_without(words, words.bench, bench.error()) : tl::unexpected{bench.error()};
    }
    std::optional<bench::BenchConfig> config;
    if (*bench) {
        if (!words.common.json()) {
            complain_text(bench::render((*bench)->parsed, (*bench)->text));
        }
        config = std::move((*bench)->parsed.config);
        if (!config) {
            return refuse_bench(words, std::move(**bench));
        }
    }
    auto loaded = load(words.protocol);
    if (!loaded) {
        return words.common.json() ? answer_without(words, words.protocol, loaded.error())
                                   : tl::unexpected{loaded.error()};
    }
    std::vector<Fit> fits;
    if (loaded->checked.protocol && config) {
        complain_of_caps(*loaded->checked.protocol, config->caps, loaded->checked.diagnostics);
    }
    if (loaded->checked.protocol && !loaded->checked.diagnostics.has_errors()) {
        fits = fits_of(*loaded->checked.protocol, config);
    }
    if (!words.common.json()) {
        complain_of(*loaded, fits);
    }
    const std::array<std::string, 2> inputs{words.protocol, words.bench};
    const bool good = first_that_fits(fits) != nullptr;
    if (good || words.common.json()) {
        auto put = put_answer(
            words.common, check_json(words, *loaded, config, fits), [&] { return check_text(words, *loaded, fits); },
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
