// The verbs by which people tell the ledger what they know: of a cell, of a run, and where a run goes on.
#include "daemon/core/text.hpp"
#include "daemon/main/slowfilm_ask.hpp"
#include "daemon/main/slowfilm_program.hpp"

#include <CLI/CLI.hpp>

namespace slowfilm::command {

namespace json = boost::json;

namespace {

struct EnterWords {
    Common common;
    std::string cell, name, value;
    bool is_new{false};
};

void add_enter(Program& program) {
    const auto words = std::make_shared<EnterWords>();
    CLI::App* const verb = add_verb(program, "enter",
                                    "Enters what was measured by hand or is known of a cell: a number with its unit, "
                                    "when it was filled, its lot.",
                                    "enter B7-0042 mass '68.31 g'\n  slowfilm enter B7-0042 filled "
                                    "2026-11-24T18:00:00Z\n  slowfilm enter --new B7-0043 lot 2026-47",
                                    words->common, Takes::socket);
    verb->add_option("CELL", words->cell, "the ID that stands on the cell")->required()->option_text("CELL");
    verb->add_option("NAME", words->name, "mass, thickness, resistance, filled, lot or another")
        ->required()
        ->option_text("NAME");
    verb->add_option("VALUE", words->value, "a number and its unit; of filled a time (RFC 3339), of lot a word")
        ->required()
        ->option_text("VALUE");
    verb->add_flag("--new", words->is_new, "a cell that the ledger does not know yet");
    verb->callback([&program, words] {
        program.action = [words] {
            json::object params;
            params["cell"] = words->cell;
            params["name"] = words->name;
            params["value"] = words->value;
            params["new"] = words->is_new;
            return ask(words->common, "enter", params, [](const json::object& answer) {
                return "cell " + quoted(answer, "cell") + ": " + escaped(text_in(answer, "name")) + " is " +
                       escaped(text_in(answer, "text")) + "\n";
            });
        };
    });
}

struct RunWords {
    Common common;
    std::string run;
    std::string more;  // what the verb needs besides
};

// The daemon's method has the verb's name; `key` is what it calls words->more.
void ask_of_run(Program& program, CLI::App& verb, const std::shared_ptr<RunWords>& words, const char* key,
                const Sentence& sentence) {
    verb.callback([&program, words, method = verb.get_name(), key, sentence] {
        program.action = [words, method, key, sentence]() -> Result<int> {
            const auto run = run_number(words->run);
            if (!run) {
                return tl::unexpected{run.error()};
            }
            json::object params;
            params["run"] = *run;
            params[key] = words->more;
            return ask(words->common, method, params, sentence);
        };
    });
}

void add_note(Program& program) {
    const auto words = std::make_shared<RunWords>();
    CLI::App* const verb = add_verb(program, "note", "Puts a sentence into a run's record, with time and who.",
                                    "note 3 'pouch looks swollen at the seam'", words->common, Takes::socket);
    verb->add_option("RUN", words->run, "the number that runs prints")->required()->option_text("RUN");
    verb->add_option("TEXT", words->more, "what there is to say, one line")->required()->option_text("TEXT");
    ask_of_run(program, *verb, words, "text",
               [](const json::object& answer) { return "noted on run " + whole_in(answer, "run") + "\n"; });
}

void add_move(Program& program) {
    const auto words = std::make_shared<RunWords>();
    CLI::App* const verb =
        add_verb(program, "move",
                 "Puts a run that waits or is paused on an empty channel. Take the cell there, then resume --cell ID.",
                 "move 3 --to a2", words->common, Takes::socket);
    verb->add_option("RUN", words->run, "the number that runs prints")->required()->option_text("RUN");
    verb->add_option("--to", words->more, "the channel on which it goes on")->required()->option_text("CHANNEL");
    ask_of_run(program, *verb, words, "channel", [](const json::object& answer) {
        return "run " + whole_in(answer, "run") + " is on channel " + quoted(answer, "channel") +
               " now, and waits: take cell " + quoted(answer, "cell") + " there from channel " +
               quoted(answer, "from") + ", then resume --cell ID\n";
    });
}

struct ReleaseWords {
    Common common;
    std::string cell, reason;
};

void add_release(Program& program) {
    const auto words = std::make_shared<ReleaseWords>();
    CLI::App* const verb =
        add_verb(program, "release", "Lifts the quarantine of a cell. Nothing starts by this.",
                 "release B7-0042 --reason 'thermometer was loose, cell looked at'", words->common, Takes::socket);
    verb->add_option("CELL", words->cell, "the ID that stands on the cell")->required()->option_text("CELL");
    verb->add_option("--reason", words->reason, "why it may see current again, for the record")
        ->required()
        ->option_text("TEXT");
    verb->callback([&program, words] {
        program.action = [words] {
            json::object params;
            params["cell"] = words->cell;
            params["reason"] = words->reason;
            return ask(words->common, "release", params, [](const json::object& answer) {
                return "cell " + quoted(answer, "cell") +
                       " is no longer quarantined; it was for: " + escaped(text_in(answer, "quarantine"), 400) + "\n";
            });
        };
    });
}

}  // namespace

void add_cell_verbs(Program& program) {
    add_enter(program);
    add_note(program);
    add_move(program);
    add_release(program);
}

}  // namespace slowfilm::command
