// The verbs that operate a bench: each is one question to the daemon, which alone decides and records who asked.
#include "daemon/core/diagnostic.hpp"
#include "daemon/core/quantity.hpp"
#include "daemon/core/text.hpp"
#include "daemon/main/slowfilm_output.hpp"
#include "daemon/main/slowfilm_program.hpp"
#include "daemon/protocol/check.hpp"
#include "daemon/protocol/toml_reader.hpp"

#include <CLI/CLI.hpp>
#include <boost/json/array.hpp>
#include <optional>
#include <vector>

namespace slowfilm::command {

namespace json = boost::json;

namespace {

using Sentence = std::function<std::string(const json::object& answer)>;

// An ID that cannot be sent as it is must not be sent as another one.
Result<void> all_utf8(const json::value& value) {
    if (value.is_string() && valid_utf8(std::string_view{value.get_string()}) != std::string_view{value.get_string()}) {
        return fail(Failure::bad_data,
                    "\"" + escaped(std::string_view{value.get_string()}, 64) + "\" is not UTF-8 text; write it anew");
    }
    if (const json::array* list = value.if_array()) {
        for (const json::value& element : *list) {
            if (auto good = all_utf8(element); !good) {
                return good;
            }
        }
    }
    return {};
}

Result<int> ask(const Common& common, std::string_view method, const json::object& params, const Sentence& sentence) {
    for (const auto& param : params) {
        if (auto good = all_utf8(param.value()); !good) {
            return tl::unexpected{good.error()};
        }
    }
    auto client = daemon_of(common);
    if (!client) {
        return tl::unexpected{client.error()};
    }
    auto answer = client->call(method, params);
    if (!answer) {
        return tl::unexpected{answer.error()};
    }
    if (!answer->is_object()) {
        return fail(Failure::internal, "the daemon's answer to " + std::string{method} + " is no object");
    }
    const json::object& object = answer->get_object();
    if (auto put = put_answer(common, with_version(object), [&] { return sentence(object); }); !put) {
        return tl::unexpected{put.error()};
    }
    return done;
}

std::string quoted(const json::object& answer, std::string_view key) {
    return "'" + escaped(text_in(answer, key)) + "'";
}

// "channel 'a1': run 3 is paused"
std::string state_sentence(const json::object& answer) {
    return "channel " + quoted(answer, "channel") + ": run " + whole_in(answer, "run") + " is " +
           escaped(text_in(answer, "state")) + "\n";
}

// --- start

struct StartWords {
    Common common;
    std::string channel, protocol, cell, capacity;
};

// The daemon judges the protocol too; here its complaints come with the file's own lines before anything is asked.
Result<std::string> checked_text(const std::string& file) {
    auto text = protocol::read_file_bounded(file, protocol::file_bytes_max);
    if (!text) {
        return text;
    }
    const protocol::Checked checked = protocol::check_protocol(file, *text);
    complain_text(render(checked.diagnostics, *text));
    if (!checked.protocol) {
        return fail(Failure::bad_data, "nothing was started: " + escaped(file) + " has errors");
    }
    return text;
}

Result<int> start(const StartWords& words) {
    json::object params;
    params["channel"] = words.channel;
    params["cell"] = words.cell;
    if (!words.capacity.empty()) {
        if (auto capacity = parse_quantity<Dimension::charge>(words.capacity); !capacity) {
            return fail(Failure::usage, "--capacity \"" + escaped(words.capacity, 64) + "\" " + capacity.error());
        }
        params["capacity"] = words.capacity;
    }
    auto text = checked_text(words.protocol);
    if (!text) {
        return tl::unexpected{text.error()};
    }
    params["protocol_file"] = valid_utf8(words.protocol);
    params["protocol_text"] = *text;
    return ask(words.common, "start", params, [](const json::object& answer) {
        return "run " + whole_in(answer, "run") + " has started: cell " + quoted(answer, "cell") + " on channel " +
               quoted(answer, "channel") + "\n";
    });
}

void add_start(Program& program) {
    const auto words = std::make_shared<StartWords>();
    CLI::App* const verb = add_verb(program, "start", "Starts a protocol on a cell.",
                                    "start --channel a1 --protocol night.toml --cell B7-0042 --capacity '5 Ah'",
                                    words->common, Takes::socket);
    verb->add_option("--channel", words->channel, "where the cell is connected")->required()->option_text("CHANNEL");
    verb->add_option("--protocol", words->protocol, "the recipe")->required()->option_text("FILE");
    verb->add_option("--cell", words->cell, "the cell's ID, as it stands on the cell")->required()->option_text("ID");
    verb->add_option("--capacity", words->capacity, "this cell's rated capacity; else the protocol's")
        ->option_text("CHARGE");
    verb->callback([&program, words] { program.action = [words] { return start(*words); }; });
}

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
    std::optional<std::string> cell, reason;  // an empty one is sent too: the daemon says what is wrong with it
};

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
            return ask(words->common, method, params, sentence);
        };
    });
    return verb;
}

}  // namespace

void add_operate_verbs(Program& program) {
    add_start(program);
    add_several(program, "pause", "Opens the circuit and holds the run. Always accepted, from anyone who may speak.",
                "pause a1 a2");
    add_one(program, "resume", "Goes on with a run that is paused or waits for a person.", "resume a1", state_sentence,
            std::make_shared<OneWords>());
    add_several(program, "stop", "Ends runs for good: open circuit, and the record says stopped.", "stop a1");
    const auto confirm = std::make_shared<OneWords>();
    add_one(program, "confirm", "Answers a step that asks for a person.", "confirm --cell B7-0042 a1", state_sentence,
            confirm)
        ->add_option("--cell", confirm->cell, "the ID that stands on the cell in the fixture")
        ->required()
        ->option_text("ID");
    const auto acknowledge = std::make_shared<OneWords>();
    add_one(program, "acknowledge", "Takes note of a trip. No current flows by this: resume or stop comes after.",
            "acknowledge --reason 'lead was loose, clamped again' a1", state_sentence, acknowledge)
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
