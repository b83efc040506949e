// slowfilm: the command. Everything a person or a script may ask of a bench, a protocol or a ledger.
#include "daemon/core/text.hpp"
#include "daemon/main/slowfilm_output.hpp"
#include "daemon/main/slowfilm_program.hpp"

#include <CLI/CLI.hpp>
#include <exception>
#include <optional>
#include <sstream>
#include <string>
#include <vector>

namespace slowfilm::command {
namespace {

void declare(Program& program) {
    program.app.name("slowfilm");
    program.app.description("slowfilm " SLOWFILM_VERSION
                            ": grows the protective film of lithium-ion cells on their first charge.\n"
                            "Numbers and times mean the same in every locale; slowfilm VERB --help has an example.");
    program.app.set_version_flag("--version", "slowfilm " SLOWFILM_VERSION);
    program.app.require_subcommand(0, 1);
    add_check_verb(program);
    add_rehearse_verb(program);
    add_start_verb(program);
    add_operate_verbs(program);
    add_cell_verbs(program);
    add_watch_verbs(program);
    add_read_verbs(program);
    add_keep_verbs(program);
    add_instrument_verbs(program);
    program.app.footer(
        "Exit codes: 0 done, 1 the answer is no, 64 wrong words, 65 bad data, 66 no such input, 69 no daemon, 70 our "
        "fault,\n73 and 74 cannot write, 75 try again, 77 not allowed, 78 bad bench configuration.");
}

Error wrong_words(const CLI::App& app, std::string_view why) {
    std::string verb;
    for (const CLI::App* chosen : app.get_subcommands()) {
        verb = chosen->get_name();
    }
    const std::string prefix = verb.empty() ? "" : verb + ": ";
    const std::string help = "slowfilm " + (verb.empty() ? "" : verb + " ") + "--help";
    return {Failure::usage, prefix + escaped(why, 400) + "; see " + help};
}

// A first word that is no verb gets a sentence of its own, for it is what is most often mistyped.
std::optional<Error> unknown_verb(const CLI::App& app, int argc, char** argv) {
    if (argc < 2) {
        return Error{Failure::usage, "name a verb; slowfilm --help lists them"};
    }
    const std::string_view word = argv[1];
    if (!word.empty() && word.front() == '-') {
        return std::nullopt;
    }
    std::vector<std::string> names;
    for (const CLI::App* verb : app.get_subcommands([](const CLI::App*) { return true; })) {
        names.push_back(verb->get_name());
    }
    std::vector<std::string_view> known{names.begin(), names.end()};
    for (const std::string_view name : known) {
        if (name == word) {
            return std::nullopt;
        }
    }
    const std::string_view near = nearest(word, known);
    return Error{Failure::usage, "there is no verb \"" + escaped(word, 64) + "\"" +
                                     (near.empty() ? "" : "; did you mean \"" + std::string{near} + "\"?") +
                                     (near.empty() ? "; slowfilm --help lists them" : "")};
}

// Nothing where the verb's action is ready; else what is over already: help, version, wrong words.
std::optional<Result<int>> read_words(Program& program, int argc, char** argv) {
    if (auto error = unknown_verb(program.app, argc, argv)) {
        return tl::unexpected{*error};
    }
    try {
        program.app.parse(argc, argv);
    } catch (const CLI::Success& asked) {
        std::ostringstream out;
        std::ostringstream err;
        program.app.exit(asked, out, err);
        if (auto written = put_answer("", out.str()); !written) {
            return tl::unexpected{written.error()};
        }
        return done;
    } catch (const CLI::ParseError& error) {
        return tl::unexpected{wrong_words(program.app, error.what())};
    }
    if (!program.action) {
        return tl::unexpected{wrong_words(program.app, "name a verb")};
    }
    return std::nullopt;
}

int finish(const Result<int>& outcome) {
    if (outcome) {
        return *outcome;
    }
    if (!outcome.error().message.empty()) {
        complain(outcome.error().message);
    }
    return exit_code(outcome.error().failure);
}

}  // namespace
}  // namespace slowfilm::command

int main(int argc, char** argv) {
    using namespace slowfilm;
    command::prepare_streams();
    try {
        command::Program program;
        command::declare(program);
        if (const auto over = command::read_words(program, argc, argv)) {
            return command::finish(*over);
        }
        return command::finish(program.action());
    } catch (const std::exception& error) {
        command::complain("this is our fault: " + escaped(error.what()));
        return exit_code(Failure::internal);
    }
}
