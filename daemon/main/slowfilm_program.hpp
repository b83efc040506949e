// What all verbs share: how one is declared, what it takes, whom it asks, and how its answer goes out.
#pragma once

#include "daemon/control/client.hpp"
#include "daemon/core/result.hpp"
#include "daemon/ledger/reader.hpp"

#include <CLI/App.hpp>
#include <boost/json/object.hpp>
#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <string_view>

namespace slowfilm::command {

// Done, and the answer is no: a rehearsal that trips, a cell that fails its acceptance, a replay that differs.
inline constexpr int done = 0;
inline constexpr int answer_is_no = 1;

// What a verb does once its words are read: its exit code, or why not.
using Action = std::function<Result<int>()>;

struct Program {
    CLI::App app;
    Action action;  // of the verb that was named
};

// The words that every verb takes, those that some take left empty by the others.
struct Common {
    std::string format{"text"};
    std::string output;  // -o
    std::string socket;  // --socket
    std::string ledger;  // --ledger
    [[nodiscard]] bool json() const { return format == "json"; }
};

enum class Takes : unsigned char { nothing, socket, ledger };

// Declares a verb: `what` it does in a sentence, an `example` for its help, and the common words it takes.
CLI::App* add_verb(Program& program, std::string_view name, std::string_view what, std::string_view example,
                   Common& common, Takes takes);

// The verbs, one function for each group, each in a file of its own.
void add_check_verb(Program& program);
void add_rehearse_verb(Program& program);
void add_start_verb(Program& program);
void add_cell_verbs(Program& program);        // enter, note, move, release
void add_operate_verbs(Program& program);     // pause, resume, stop, confirm, acknowledge, remove
void add_watch_verbs(Program& program);       // status, follow
void add_read_verbs(Program& program);        // runs, cells, summary, export
void add_keep_verbs(Program& program);        // verify, replay
void add_instrument_verbs(Program& program);  // instruments, probe

// --socket, else $SLOWFILM_SOCKET, else $XDG_RUNTIME_DIR/slowfilm/control.sock, else /run/slowfilm/control.sock.
[[nodiscard]] std::string socket_path(const Common& common);
[[nodiscard]] Result<control::Client> daemon_of(const Common& common);
// --ledger, else the one that the running daemon writes.
[[nodiscard]] Result<std::string> ledger_path(const Common& common);

struct OpenLedger {
    std::string path;
    std::unique_ptr<ledger::Reader> reader;
};
[[nodiscard]] Result<OpenLedger> open_ledger(const Common& common);

// A whole number in decimal digits, from 0 or 1 on; `what` names it in the complaint.
[[nodiscard]] Result<std::uint64_t> whole_number(std::string_view text, std::string_view what, std::uint64_t least);
[[nodiscard]] Result<ledger::RunNumber> run_number(std::string_view text);

// {"slowfilm": version, "kind": kind}, to be filled.
[[nodiscard]] boost::json::object new_answer(std::string_view kind);
// The same members with the version in front.
[[nodiscard]] boost::json::object with_version(const boost::json::object& answer);
// Prints one of the two, as --format says; the text is made only where it is wanted.
[[nodiscard]] Result<void> put_answer(const Common& common, const boost::json::object& json,
                                      const std::function<std::string()>& text,
                                      std::span<const std::string> inputs = {});

// Members of an answer that came over the socket: what is missing or of another kind is "" or nothing.
[[nodiscard]] std::string text_in(const boost::json::object& object, std::string_view key);
[[nodiscard]] std::optional<double> number_in(const boost::json::object& object, std::string_view key);
[[nodiscard]] std::string whole_in(const boost::json::object& object, std::string_view key);  // "" or digits

}  // namespace slowfilm::command
