// The verb that starts: one cell, or those of a tray.
#include "daemon/bench/tray.hpp"
#include "daemon/core/diagnostic.hpp"
#include "daemon/core/quantity.hpp"
#include "daemon/core/text.hpp"
#include "daemon/main/slowfilm_ask.hpp"
#include "daemon/main/slowfilm_output.hpp"
#include "daemon/main/slowfilm_program.hpp"
#include "daemon/main/slowfilm_protocol.hpp"

#include <CLI/CLI.hpp>
#include <boost/json/array.hpp>
#include <optional>
#include <utility>

namespace slowfilm::command {

namespace json = boost::json;

namespace {

struct StartWords {
    Common common;
    std::optional<std::string> channel, protocol, cell, capacity, tray;
    bool good{false}, all_or_none{false};
};

// The daemon judges the protocol too; here its complaints come with the file's own lines before anything is asked.
Result<std::string> checked_text(const std::string& file) {
    auto loaded = load(file);
    if (!loaded) {
        return tl::unexpected{loaded.error()};
    }
    complain_text(render(loaded->checked.diagnostics, loaded->text));
    if (!loaded->checked.protocol) {
        return fail(Failure::bad_data, "nothing was started: " + escaped(file) + " has errors");
    }
    return std::move(loaded->text);
}

Result<json::object> protocol_params(const std::string& file) {
    auto text = checked_text(file);
    if (!text) {
        return tl::unexpected{text.error()};
    }
    json::object params;
    params["protocol_file"] = valid_utf8(file);
    params["protocol_text"] = std::move(*text);
    return params;
}

Result<int> start_one(const StartWords& words) {
    if (!words.channel || !words.protocol || !words.cell) {
        return fail(Failure::usage,
                    "start needs --channel, --protocol and --cell, or a --tray; see slowfilm start --help");
    }
    if (words.good || words.all_or_none) {
        return fail(Failure::usage, "--good and --all-or-none go with a --tray");
    }
    if (words.capacity) {
        if (auto capacity = parse_quantity<Dimension::charge>(*words.capacity); !capacity) {
            return fail(Failure::usage, "--capacity \"" + escaped(*words.capacity, 64) + "\" " + capacity.error());
        }
    }
    auto params = protocol_params(*words.protocol);
    if (!params) {
        return tl::unexpected{params.error()};
    }
    (*params)["channel"] = *words.channel;
    (*params)["cell"] = *words.cell;
    if (words.capacity) {
        (*params)["capacity"] = *words.capacity;
    }
    return ask(words.common, "start", *params, [](const json::object& answer) {
        return "run " + whole_in(answer, "run") + " has started: cell " + quoted(answer, "cell") + " on channel " +
               quoted(answer, "channel") + "\n";
    });
}

std::string tray_text(const json::object& answer) {
    std::string text = "tray " + quoted(answer, "name") + ": " + whole_in(answer, "started") + " started, " +
                       whole_in(answer, "refused") + " not\n";
    const json::value* const cells = answer.if_contains("cells");
    if (cells == nullptr || !cells->is_array()) {
        return text;
    }
    for (const json::value& value : cells->get_array()) {
        if (!value.is_object()) {
            continue;
        }
        const json::object& cell = value.get_object();
        const std::string run = whole_in(cell, "run");
        text += "  channel " + quoted(cell, "channel") + ", cell " + quoted(cell, "cell") + ": ";
        text += run.empty() ? "not started: " + escaped(text_in(cell, "why"), 1000) + "\n" : "run " + run + "\n";
    }
    return text;
}

Result<int> start_tray(const StartWords& words) {
    if (words.good == words.all_or_none) {
        return fail(Failure::usage,
                    "a tray needs --good (start those that can) or --all-or-none (start all of them, or nothing)");
    }
    if (words.channel || words.protocol || words.cell || words.capacity) {
        return fail(Failure::usage, "a --tray names channels, cells and protocol itself; leave the other words out");
    }
    const auto tray = bench::load_tray(*words.tray);
    if (!tray) {
        if (tray.error().failure == Failure::bad_data && tray.error().message.ends_with('\n')) {
            complain_text(tray.error().message);
            return fail(Failure::bad_data, "nothing was started: " + escaped(*words.tray) + " has errors");
        }
        return tl::unexpected{tray.error()};
    }
    auto params = protocol_params(tray->protocol);
    if (!params) {
        return tl::unexpected{params.error()};
    }
    (*params)["name"] = tray->name;
    (*params)["all_or_none"] = words.all_or_none;
    json::array cells;
    for (const bench::TrayCell& cell : tray->cells) {
        json::object one;
        one["channel"] = cell.channel;
        one["cell"] = cell.id;
        if (cell.capacity) {
            one["capacity"] = print(*cell.capacity);
        }
        cells.push_back(std::move(one));
    }
    (*params)["cells"] = std::move(cells);
    const auto answer = question(words.common, "start_tray", *params);
    if (!answer) {
        return tl::unexpected{answer.error()};
    }
    if (auto put = put_answer(words.common, with_version(*answer), [&] { return tray_text(*answer); }); !put) {
        return tl::unexpected{put.error()};
    }
    return whole_in(*answer, "refused") == "0" ? done : answer_is_no;
}

}  // namespace

void add_start_verb(Program& program) {
    const auto words = std::make_shared<StartWords>();
    CLI::App* const verb = add_verb(
        program, "start", "Starts a protocol on a cell, or on the cells of a tray. Exit code 1: not all of them.",
        "start --channel a1 --protocol night.toml --cell B7-0042 --capacity '5 Ah'\n  slowfilm start --tray "
        "shelf2.toml --good",
        words->common, Takes::socket);
    verb->add_option("--channel", words->channel, "where the cell is connected")->option_text("CHANNEL");
    verb->add_option("--protocol", words->protocol, "the recipe")->option_text("FILE");
    verb->add_option("--cell", words->cell, "the cell's ID, as it stands on the cell")->option_text("ID");
    verb->add_option("--capacity", words->capacity, "this cell's rated capacity; else the protocol's")
        ->option_text("CHARGE");
    verb->add_option("--tray", words->tray, "a file that says which cells lie in which channels, and the recipe")
        ->option_text("FILE");
    verb->add_flag("--good", words->good, "of a tray: start those that can, and say why the others cannot");
    verb->add_flag("--all-or-none", words->all_or_none, "of a tray: start all of them, or nothing");
    verb->callback([&program, words] {
        program.action = [words] { return words->tray ? start_tray(*words) : start_one(*words); };
    });
}

}  // namespace slowfilm::command
