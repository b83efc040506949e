// The verbs about a protocol before it meets a cell: check, and rehearse on a model.
#include "daemon/bench/config.hpp"
#include "daemon/core/text.hpp"
#include "daemon/engine/plan.hpp"
#include "daemon/main/slowfilm_guards.hpp"
#include "daemon/main/slowfilm_output.hpp"
#include "daemon/main/slowfilm_program.hpp"
#include "daemon/protocol/bounds.hpp"
#include "daemon/protocol/check.hpp"
#include "daemon/protocol/toml_reader.hpp"
#include "daemon/results/summary.hpp"
#include "sim/rehearsal/rehearsal.hpp"

#include <CLI/CLI.hpp>
#include <array>
#include <boost/json/array.hpp>
#include <chrono>
#include <cstdlib>

namespace slowfilm::command {

namespace json = boost::json;

namespace {

struct Loaded {
    std::string text;
    protocol::Checked checked;
};

Result<Loaded> load(const std::string& file) {
    auto text = protocol::read_file_bounded(file, protocol::file_bytes_max);
    if (!text) {
        return tl::unexpected{text.error()};
    }
    protocol::Checked checked = protocol::check_protocol(file, *text);
    return Loaded{.text = std::move(*text), .checked = std::move(checked)};
}

// --- check

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

json::object check_json(const CheckWords& words, const Loaded& loaded, const std::optional<bench::BenchConfig>& bench,
                        const std::vector<Fit>& fits) {
    const Fit* const fit = first_that_fits(fits);
    json::object answer = new_answer("check");
    answer["file"] = words.protocol;
    answer["good"] = fit != nullptr;
    answer["diagnostics"] = diagnostics_json(loaded.checked.diagnostics);
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

// Channels that say the same are named together.
void complain_of_channels(const std::vector<Fit>& fits) {
    std::vector<std::string> said;
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
        const std::string prefix = names.empty() ? "" : "channel " + names + ": ";
        complain(prefix + why);
    }
}

Result<int> check(const CheckWords& words) {
    auto bench = read_bench(words.bench);
    if (!bench) {
        return tl::unexpected{bench.error()};
    }
    auto loaded = load(words.protocol);
    if (!loaded) {
        return tl::unexpected{loaded.error()};
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
        complain_of_channels(fits);
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

// --- rehearse

struct RehearseWords {
    Common common;
    std::string protocol, cell, capacity, seed, ledger;
};

// The rehearsed run begins now; SOURCE_DATE_EPOCH (seconds since 1970), where set, stands in for now, so that the same
// rehearsal can be told in the same bytes.
std::int64_t now_utc() {
    if (const char* const fixed = std::getenv("SOURCE_DATE_EPOCH")) {
        if (auto second = whole_number(fixed, "SOURCE_DATE_EPOCH", 0); second && *second < 10'000'000'000U) {
            return static_cast<std::int64_t>(*second) * 1'000'000;
        }
    }
    const auto now = std::chrono::system_clock::now().time_since_epoch();
    return std::chrono::duration_cast<std::chrono::microseconds>(now).count();
}

Result<sim::RehearsalOptions> options_of(const RehearseWords& words, const protocol::Protocol& protocol) {
    sim::RehearsalOptions options;
    options.created_utc = now_utc();
    if (!words.capacity.empty()) {
        auto capacity = parse_quantity<Dimension::charge>(words.capacity);
        if (!capacity || capacity->count <= 0) {
            return fail(Failure::usage, "--capacity \"" + escaped(words.capacity, 64) + "\" " +
                                            (capacity ? "must be above 0 Ah" : capacity.error()));
        }
        options.capacity = *capacity;
    }
    if (!words.cell.empty()) {
        auto cell = sim::circuit_parameters(words.cell);
        if (!cell) {
            return fail(Failure::usage, "--cell: " + cell.error().message);
        }
        options.cell = sim::scaled(std::move(*cell), ampere_hours(options.capacity.value_or(protocol.cell.capacity)));
    }
    if (!words.seed.empty()) {
        auto seed = whole_number(words.seed, "--seed", 0);
        if (!seed) {
            return tl::unexpected{seed.error()};
        }
        options.seed = *seed;
        options.noise = true;
    }
    return options;
}

std::string model_text(const sim::ModelReport& model) {
    return "\nmodel\n  " + escaped(model.name, 80) + ", " + print_fixed(model.ambient_celsius, 1) +
           " degC around it\n" + "  the film kept " + print_fixed(model.film_charge_ah, 4) + " Ah, " +
           print_fixed(model.leaked_ah, 4) + " Ah leaked, the cell ended at " +
           print_fixed(100.0 * model.charge_state_end, 1) + " % of its capacity\n";
}

json::object model_json(const sim::ModelReport& model) {
    json::object object;
    object["name"] = model.name;
    object["film_charge_ah"] = model.film_charge_ah;
    object["leaked_charge_ah"] = model.leaked_ah;
    object["charge_state_end"] = model.charge_state_end;
    object["ambient_temperature_celsius"] = model.ambient_celsius;
    return object;
}

Result<sim::RehearsalOutcome> run_rehearsal(const RehearseWords& words, const Loaded& loaded) {
    auto options = options_of(words, *loaded.checked.protocol);
    if (!options) {
        return tl::unexpected{options.error()};
    }
    std::unique_ptr<ledger::Writer> writer;
    if (!words.ledger.empty()) {
        auto opened = ledger::Writer::open({.path = words.ledger});
        if (!opened) {
            return tl::unexpected{opened.error()};
        }
        writer = std::move(*opened);
        options->ledger = writer.get();
    }
    auto outcome = sim::rehearse(*loaded.checked.protocol, loaded.text, *options);
    if (outcome && writer) {
        if (auto flushed = writer->flush(); !flushed) {
            return tl::unexpected{flushed.error()};
        }
    }
    return outcome;
}

Result<int> rehearse(const RehearseWords& words) {
    auto loaded = load(words.protocol);
    if (!loaded) {
        return tl::unexpected{loaded.error()};
    }
    complain_text(render(loaded->checked.diagnostics, loaded->text));
    if (!loaded->checked.protocol) {
        return fail(Failure::bad_data, "nothing was rehearsed: " + escaped(words.protocol) + " has errors");
    }
    auto outcome = run_rehearsal(words, *loaded);
    if (!outcome) {
        return tl::unexpected{outcome.error()};
    }
    const results::Summary summary = results::summarise(std::move(outcome->run));
    json::object answer = with_version(results::to_json(summary).as_object());
    answer["bounds"] = protocol::bounds_json(loaded->checked.bounds);
    answer["model"] = model_json(outcome->model);
    const std::array<std::string, 2> inputs{words.protocol, words.ledger};
    auto put = put_answer(
        words.common, answer, [&] { return results::to_text(summary) + model_text(outcome->model); }, inputs);
    if (!put) {
        return tl::unexpected{put.error()};
    }
    const bool well = summary.run.status.state == RunState::done && summary.verdict.grade != "reject";
    return well ? done : answer_is_no;
}

}  // namespace

void add_protocol_verbs(Program& program) {
    const auto check_words = std::make_shared<CheckWords>();
    CLI::App* const check_verb =
        add_verb(program, "check", "Reads a protocol, says all that is wrong with it, and what it can never exceed.",
                 "check night.toml --bench bench.toml", check_words->common, Takes::nothing);
    check_verb->add_option("PROTOCOL", check_words->protocol, "the recipe")->required()->option_text("PROTOCOL");
    check_verb->add_option("--bench", check_words->bench, "also check it against this bench's channels and caps")
        ->option_text("BENCH");
    check_verb->callback([&program, check_words] { program.action = [check_words] { return check(*check_words); }; });

    const auto words = std::make_shared<RehearseWords>();
    CLI::App* const verb = add_verb(program, "rehearse",
                                    "Runs a protocol on a model of a cell: how long, how much, how near each guard "
                                    "comes. Exit code 1: it does not end "
                                    "well.",
                                    "rehearse night.toml --ledger rehearsals.ledger", words->common, Takes::nothing);
    verb->add_option("PROTOCOL", words->protocol, "the recipe")->required()->option_text("PROTOCOL");
    verb->add_option("--cell", words->cell, "the model's parameter set; else the protocol's chemistry")
        ->option_text("SET");
    verb->add_option("--capacity", words->capacity, "the cell's rated capacity; else the protocol's")
        ->option_text("CHARGE");
    verb->add_option("--seed", words->seed, "with the instrument's noise, drawn from this number")->option_text("N");
    verb->add_option("--ledger", words->ledger, "keep the run in this file, made where it is missing")
        ->option_text("FILE");
    verb->callback([&program, words] { program.action = [words] { return rehearse(*words); }; });
}

}  // namespace slowfilm::command
