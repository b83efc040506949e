// The verbs that operate what runs: each is one question to the daemon, which alone decides and records who asked.
#include "daemon/core/text.hpp"
#include "daemon/main/slowfilm_ask.hpp"
#include "daemon/main/slowfilm_output.hpp"
#include "daemon/main/slowfilm_program.hpp"

#include <CLI/CLI.hpp>
#include <boost/json/array.hpp>
#include <optional>
#include <vector>

namespace slowfilm::command {

namespace json = boost::json;

namespace {

// --- pause, stop

struct SeveralWords {
    Common common;
    std::vector<std::string> channels;
    bool all{false};
};

Result<int> several(const SeveralWords& words, std::string_view method) {
    if (words.all != words.channels.empty()) {
        return fail(Failure::usage, std::string{method} + " takes one or more channels, or --all");
    }
    json::object params;
    if (words.all) {
        params["all"] = true;
    } else {
        json::array channels;
        for (const std::string& channel : words.channels) {
            channels.emplace_back(channel);
        }
        params["channels"] = std::move(channels);
    }
    return ask(words.common, method, params, [](const json::object& answer) {
        std::string text;
        const json::value* const channels = answer.if_contains("channels");
        if (channels != nullptr && channels->is_array()) {
            for (const json::value& line : channels->get_array()) {
                if (!line.is_object()) {
                    continue;
                }
                const bool empty = whole_in(line.get_object(), "run").empty();
                text += empty ? "channel " + quoted(line.get_object(), "channel") + ": empty\n"
                              : state_sentence(line.get_object());
            }
        }
        return text.empty() ? std::string{"there is no run under way\n"} : text;
    });
}

void add_several(Program& program, std::string_view method, std::string_view what, std::string_view example) {
    const auto words = std::make_shared<SeveralWords>();
    CLI::App* const verb = add_verb(program, method, what, example, words->common, Takes::socket);
    verb->add_option("CHANNEL", words->channels, "one or more channels")->option_text("CHANNEL...");
    verb->add_flag("--all", words->all, "every channel of the bench");
    verb->callback([&program, words, method] { program.action = [words, method] { return several(*words, method); }; });
}

// --- resume, confirm, acknowledge, remove

struct OneWords {
    Common common;
    std::string channel;
    std::vector<std::string> enter;           // of a confirm: NAME=VALUE
    std::optional<std::string> cell, reason;  // an empty one is sent too: the daemon says what is wrong with it
};

Result<json::object> entered_values(const std::vector<std::string>& pairs) {
    json::object entered;
    for (const std::string& pair : pairs) {
        const std::size_t equals = pair.find('=');
        if (equals == std::string::npos || equals == 0) {
            return fail(Failure::usage, "--enter \"" + escaped(pair, 64) + "\" must be NAME=VALUE, such as mass=68.31");
        }
        const std::string name = pair.substr(0, equals);
        if (entered.contains(name)) {
            return fail(Failure::usage, "--enter gives \"" + escaped(name, 64) + "\" twice");
        }
        entered[name] = pair.substr(equals + 1);
    }
    return entered;
}

CLI::App* add_one(Program& program, std::string_view method, std::string_view what, std::string_view example,
                  const Sentence& sentence, const std::shared_ptr<OneWords>& words) {
    CLI::App* const verb = add_verb(program, method, what, example, words->common, Takes::socket);
    verb->add_option("CHANNEL", words->channel, "the channel")->required()->option_text("CHANNEL");
    verb->callback([&program, words, method, sentence] {
        program.action = [words, method, sentence]() -> Result<int> {
            json::object params;
            params["channel"] = words->channel;
            if (words->cell) {
                params["cell"] = *words->cell;
            }
            if (words->reason) {
                params["reason"] = *words->reason;
            }
            if (!words->enter.empty()) {
                auto entered = entered_values(words->enter);
                if (!entered) {
                    return tl::unexpected{entered.error()};
                }
                params["enter"] = std::move(*entered);
            }
            return ask(words->common, method, params, sentence);
        };
    });
    return verb;
}

}  // namespace

void add_operate_verbs(Program& program) {
    add_several(program, "pause", "Opens the circuit and holds the run. Always accepted, from anyone who may speak.",
                "pause a1 a2");
    const auto resume = std::make_shared<OneWords>();
    add_one(program, "resume",
            "Goes on with a run that is paused or waits for a person. Where somebody may have had the cell in hand "
            "(after a minute, a restart, a gap, a trip, failed checks or a move) its ID is needed.",
            "resume a1\n  slowfilm resume --cell B7-0042 a1", state_sentence, resume)
        ->add_option("--cell", resume->cell, "the ID that stands on the cell in the fixture")
        ->option_text("ID");
    add_several(program, "stop", "Ends runs for good: open circuit, and the record says stopped.", "stop a1");
    const auto confirm = std::make_shared<OneWords>();
    CLI::App* const confirm_verb = add_one(
        program, "confirm", "Answers a step that asks for a person.",
        "confirm --cell B7-0042 a1\n  slowfilm confirm --cell B7-0042 --enter mass=68.31 a1", state_sentence, confirm);
    confirm_verb->add_option("--cell", confirm->cell, "the ID that stands on the cell in the fixture")
        ->required()
        ->option_text("ID");
    confirm_verb->add_option("--enter", confirm->enter, "a value that the step asks for; once for each")
        ->option_text("NAME=VALUE")
        ->expected(1)
        ->take_all();
    const auto acknowledge = std::make_shared<OneWords>();
    add_one(
        program, "acknowledge",
        "Takes note of a trip, and frees a latched channel. No current flows by this: resume or stop comes after.",
        "acknowledge --reason 'lead was loose, clamped again' a1",
        [](const json::object& answer) {
            const std::string why = text_in(answer, "stays_latched");
            const std::string stays = why.empty() ? "" : "the channel stays latched: " + escaped(why, 400) + "\n";
            return whole_in(answer, "run").empty() ? "channel " + quoted(answer, "channel") + " is free\n"
                                                   : state_sentence(answer) + stays;
        },
        acknowledge)
        ->add_option("--reason", acknowledge->reason, "what was found and done, for the record")
        ->required()
        ->option_text("TEXT");
    add_one(
        program, "remove", "Frees the channel of a run that is over.", "remove a1",
        [](const json::object& answer) {
            return "channel " + quoted(answer, "channel") + " is empty; cell " + quoted(answer, "cell") + " of run " +
                   whole_in(answer, "run") + " may be taken out\n";
        },
        std::make_shared<OneWords>());
}

}  // namespace slowfilm::command
