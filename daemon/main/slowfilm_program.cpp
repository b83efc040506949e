#include "daemon/main/slowfilm_program.hpp"

#include "daemon/core/json.hpp"
#include "daemon/core/text.hpp"
#include "daemon/main/slowfilm_output.hpp"

#include <CLI/CLI.hpp>
#include <charconv>
#include <cstdlib>
#include <limits>

namespace slowfilm::command {

namespace json = boost::json;

CLI::App* add_verb(Program& program, std::string_view name, std::string_view what, std::string_view example,
                   Common& common, Takes takes) {
    CLI::App* const verb = program.app.add_subcommand(std::string{name}, std::string{what});
    verb->footer("Example:\n  slowfilm " + std::string{example});
    verb->add_option("--format", common.format, "text for people, json for programs")
        ->option_text("text|json")
        ->check(CLI::IsMember({"text", "json"}));
    verb->add_option("-o,--output", common.output, "where the answer goes; else to standard output")
        ->option_text("FILE");
    if (takes != Takes::nothing) {
        verb->add_option("--socket", common.socket, "the daemon's control socket")->option_text("PATH");
    }
    if (takes == Takes::ledger) {
        verb->add_option("--ledger", common.ledger, "the ledger to read; else the running daemon's")
            ->option_text("FILE");
    }
    return verb;
}

std::string socket_path(const Common& common) {
    if (!common.socket.empty()) {
        return common.socket;
    }
    const auto variable = [](const char* name) {
        const char* const value = std::getenv(name);
        return std::string{value == nullptr ? "" : value};
    };
    if (std::string path = variable("SLOWFILM_SOCKET"); !path.empty()) {
        return path;
    }
    const std::string runtime = variable("XDG_RUNTIME_DIR");
    return (runtime.empty() ? "/run" : runtime) + "/slowfilm/control.sock";
}

Result<control::Client> daemon_of(const Common& common) {
    return control::Client::connect(socket_path(common));
}

Result<std::string> ledger_path(const Common& common) {
    if (!common.ledger.empty()) {
        return common.ledger;
    }
    auto client = daemon_of(common);
    if (!client) {
        Error error = client.error();
        if (error.failure == Failure::no_daemon) {
            error.message += "; or name a ledger with --ledger";
        }
        return tl::unexpected{error};
    }
    // What the daemon has told is on disk before it is looked up there. A ledger that can take no more is read as it
    // is.
    auto committed = client->call("commit");
    if (!committed) {
        return tl::unexpected{committed.error()};
    }
    std::string path = committed->is_object() ? text_in(committed->get_object(), "ledger") : "";
    if (path.empty()) {
        return fail(Failure::internal, "the daemon does not say which ledger it writes; name one with --ledger");
    }
    return path;
}

Result<OpenLedger> open_ledger(const Common& common) {
    auto path = ledger_path(common);
    if (!path) {
        return tl::unexpected{path.error()};
    }
    auto reader = ledger::Reader::open(*path);
    if (!reader) {
        return tl::unexpected{reader.error()};
    }
    return OpenLedger{.path = std::move(*path), .reader = std::move(*reader)};
}

Result<std::uint64_t> whole_number(std::string_view text, std::string_view what, std::uint64_t least) {
    std::uint64_t value = 0;
    const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
    if (error != std::errc{} || end != text.data() + text.size() || value < least) {
        return fail(Failure::usage, std::string{what} + " must be a whole number from " + std::to_string(least) +
                                        " on, not \"" + escaped(text, 64) + "\"");
    }
    return value;
}

Result<ledger::RunNumber> run_number(std::string_view text) {
    auto number = whole_number(text, "RUN", 1);
    if (!number) {
        return tl::unexpected{number.error()};
    }
    if (*number > std::numeric_limits<ledger::RunNumber>::max()) {
        return fail(Failure::no_input,
                    "there is no run " + escaped(text, 64) + "; slowfilm runs lists those there are");
    }
    return static_cast<ledger::RunNumber>(*number);
}

json::object new_answer(std::string_view kind) {
    json::object answer;
    answer["slowfilm"] = SLOWFILM_VERSION;
    answer["kind"] = kind;
    return answer;
}

json::object with_version(const json::object& answer) {
    json::object versioned;
    versioned["slowfilm"] = SLOWFILM_VERSION;
    for (const auto& member : answer) {
        versioned[member.key()] = member.value();
    }
    return versioned;
}

Result<void> put_answer(const Common& common, const json::object& json, const std::function<std::string()>& text,
                        std::span<const std::string> inputs) {
    return put_answer(common.output, common.json() ? to_json_pretty(json) : text(), inputs);
}

std::string text_in(const json::object& object, std::string_view key) {
    const json::value* const value = object.if_contains(key);
    return value != nullptr && value->is_string() ? std::string{std::string_view{value->get_string()}} : "";
}

std::optional<double> number_in(const json::object& object, std::string_view key) {
    const json::value* const value = object.if_contains(key);
    if (value == nullptr || !value->is_number()) {
        return std::nullopt;
    }
    return value->to_number<double>();
}

std::string whole_in(const json::object& object, std::string_view key) {
    const json::value* const value = object.if_contains(key);
    if (value == nullptr || !value->is_number()) {
        return "";
    }
    boost::system::error_code error;
    const auto number = value->to_number<std::int64_t>(error);
    return error ? "" : std::to_string(number);
}

}  // namespace slowfilm::command
