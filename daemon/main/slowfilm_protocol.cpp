// The verb that runs a protocol on a model before it meets a cell.
#include "daemon/main/slowfilm_protocol.hpp"

#include "daemon/core/text.hpp"
#include "daemon/main/slowfilm_output.hpp"
#include "daemon/main/slowfilm_program.hpp"
#include "daemon/protocol/bounds.hpp"
#include "daemon/protocol/toml_reader.hpp"
#include "daemon/results/summary.hpp"
#include "sim/rehearsal/rehearsal.hpp"
#include "sim/sets/particle_sets.hpp"

#include <CLI/CLI.hpp>
#include <array>
#include <boost/json/array.hpp>
#include <chrono>
#include <cstdlib>

namespace slowfilm::command {

namespace json = boost::json;

namespace {

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

Result<sim::RehearsalOptions> options_of(const RehearseWords& words) {
    sim::RehearsalOptions options;
    options.created_utc = now_utc();
    if (!words.capacity.empty()) {
        auto capacity = parse_quantity<Dimension::charge>(words.capacity);
        const std::optional<std::string> reason =
            capacity ? protocol::why_no_capacity(*capacity) : std::optional{capacity.error()};
        if (reason) {
            return fail(Failure::usage, "--capacity \"" + escaped(words.capacity, 64) + "\" " + *reason);
        }
        options.capacity = *capacity;
    }
    if (!words.cell.empty()) {
        auto set = sim::particle_set(words.cell);
        if (!set) {
            return fail(set.error().failure == Failure::no_input ? Failure::usage : set.error().failure,
                        "--cell: " + set.error().message);
        }
        options.set = std::move(*set);
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

// What the equations leave out, and by how much they are known to be off.
constexpr std::string_view left_out =
    "one particle stands for each electrode: no gradient through its depth, so plating above C/2 is seen too late; the "
    "positive electrode takes back more lithium than a real one; while lithium plates, the lowest graphite potential "
    "stays near 0 V and only the plated charge tells how much; no gas, no swelling, no reversible heat";

std::string known_to_be_off(const sim::ModelReport::Electrochemistry& cell) {
    return cell.compared.empty() ? "nobody has compared this set with measured cells" : cell.compared;
}

std::string electrochemistry_text(const sim::ModelReport& model) {
    if (!model.electrochemistry) {
        return "";
    }
    const sim::ModelReport::Electrochemistry& cell = *model.electrochemistry;
    std::string text = "  the film is " + print_fixed(cell.film_thickness_nm, 2) +
                       " nm thick; the graphite came down to " + print_fixed(1e3 * cell.lowest_graphite, 1) +
                       " mV against lithium" + (cell.lowest_graphite < 0.0 ? ", so lithium plated" : "") + "; " +
                       print_fixed(cell.plated_ah, 4) + " Ah of lithium metal at the end\n";
    if (cell.first_cycle_efficiency) {
        text += "  first-cycle efficiency to expect at C/10, 25 degC: " + print_fixed(*cell.first_cycle_efficiency, 4) +
                "\n";
    }
    text += "  left out: " + std::string{left_out} + "\n";
    return text + "  known to be off: " + escaped(known_to_be_off(cell), 400) + "\n";
}

std::string model_text(const sim::ModelReport& model) {
    return "\nmodel\n  " + escaped(model.name, 80) + ", " + print_fixed(model.ambient_celsius, 1) +
           " degC around it\n" + "  the film kept " + print_fixed(model.film_charge_ah, 4) + " Ah, " +
           print_fixed(model.leaked_ah, 4) + " Ah leaked, the cell ended at " +
           print_fixed(100.0 * model.charge_state_end, 1) + " % of its capacity\n" + electrochemistry_text(model);
}

json::object model_json(const sim::ModelReport& model) {
    json::object object;
    object["name"] = model.name;
    object["film_charge_ah"] = model.film_charge_ah;
    object["leaked_charge_ah"] = model.leaked_ah;
    object["charge_state_end"] = model.charge_state_end;
    object["ambient_temperature_celsius"] = model.ambient_celsius;
    if (model.electrochemistry) {
        const sim::ModelReport::Electrochemistry& cell = *model.electrochemistry;
        object["film_thickness_nm"] = cell.film_thickness_nm;
        object["lowest_graphite_potential_v"] = cell.lowest_graphite;
        object["plated_charge_ah"] = cell.plated_ah;
        if (cell.first_cycle_efficiency) {
            object["expected_first_cycle_efficiency"] = *cell.first_cycle_efficiency;
        }
        object["left_out"] = left_out;
        object["known_to_be_off"] = known_to_be_off(cell);
    }
    return object;
}

Result<sim::RehearsalOutcome> run_rehearsal(const RehearseWords& words, const Loaded& loaded) {
    auto options = options_of(words);
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

Result<Loaded> load(const std::string& file) {
    auto text = protocol::read_file_bounded(file, protocol::file_bytes_max);
    if (!text) {
        return tl::unexpected{text.error()};
    }
    protocol::Checked checked = protocol::check_protocol(file, *text);
    return Loaded{.text = std::move(*text), .checked = std::move(checked)};
}

void add_rehearse_verb(Program& program) {
    const auto words = std::make_shared<RehearseWords>();
    CLI::App* const verb = add_verb(program, "rehearse",
                                    "Runs a protocol on a model of a cell: how long, how much, how near each guard "
                                    "comes. Exit code 1: it does not end "
                                    "well.",
                                    "rehearse night.toml --ledger rehearsals.ledger", words->common, Takes::nothing);
    verb->add_option("PROTOCOL", words->protocol, "the recipe")->required()->option_text("PROTOCOL");
    verb->add_option("--cell", words->cell,
                     "the cell to rehearse with: a built-in set by name or chemistry, or a set's file")
        ->option_text("SET");
    verb->add_option("--capacity", words->capacity, "the cell's rated capacity; else the protocol's")
        ->option_text("CHARGE");
    verb->add_option("--seed", words->seed, "with the instrument's noise, drawn from this number")->option_text("N");
    verb->add_option("--ledger", words->ledger, "keep the run in this file, made where it is missing")
        ->option_text("FILE");
    verb->callback([&program, words] { program.action = [words] { return rehearse(*words); }; });
}

}  // namespace slowfilm::command
