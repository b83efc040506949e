// Whether a ledger is whole: as a database, as a set of runs, and each run as two records that agree.
#include "daemon/core/text.hpp"
#include "daemon/ledger/names.hpp"
#include "daemon/ledger/reader_state.hpp"
#include "daemon/ledger/rows.hpp"

#include <algorithm>
#include <optional>
#include <utility>

namespace slowfilm::ledger {
namespace {

constexpr std::size_t findings_max = 100;  // a file full of faults is told by its first hundred

class Verifier {
  public:
    Verifier(Reader& reader, Reader::State& state) : reader_(reader), state_(state) {}

    Verification verify() {
        structure();
        log();
        event_numbers();
        auto lines = reader_.runs();
        if (!lines) {
            find(lines.error().message);
            lines = std::vector<RunLine>();
        }
        for (const RunLine& line : *lines) {
            ++result_.runs;
            run(line);
        }
        if (const auto cells = reader_.cells(); !cells)
            find(cells.error().message);
        result_.good = result_.findings.empty();
        return std::move(result_);
    }

  private:
    void find(std::string sentence) {
        if (result_.findings.size() < findings_max)
            result_.findings.push_back(std::move(sentence));
    }

    // Each row of a checking pragma, up to the first error.
    template <class Visit>
    void check(std::string_view pragma, Visit visit) {
        auto statement = Statement::prepare(state_.connection, pragma);
        if (!statement)
            return find(statement.error().message);
        int code = statement->step();
        for (; code == SQLITE_ROW; code = statement->step()) visit(statement->text());
        if (code != SQLITE_DONE)
            find(state_.connection.error(Failure::bad_data, "check", code).message);
    }

    void structure() {
        check("PRAGMA integrity_check", [this](const std::string& words) {
            if (words != "ok")
                find("the database is damaged: " + words);
        });
        check("PRAGMA foreign_key_check", [this](const std::string& table) {
            find("a row of the table " + table + " belongs to a run that is not there");
        });
    }

    // What can be read; a finding and zero otherwise.
    std::uint64_t count(const std::string& sql) {
        const auto number = state_.connection.integer(sql);
        if (!number)
            find(number.error().message);
        return static_cast<std::uint64_t>(number.value_or(0));
    }

    // A writer marks the file itself while it has it open, and its log stands beside it until it closes.
    void log() {
        if (count("SELECT writing FROM ledger") == 0 || !state_.immutable)
            return;
        find("the file was copied while it was being written, and its log (" + state_.path +
             "-wal) is not beside it: what was written last is missing; copy both files, or stop the daemon first");
    }

    // Events are numbered from 1 without gaps in one file, whatever their runs.
    void event_numbers() {
        const std::uint64_t last = count("SELECT coalesce(max(number), 0) FROM event");
        if (last == 0 || count("SELECT count(*) FROM event WHERE number > 0") == last)
            return;
        const std::uint64_t missing = count(
            "SELECT coalesce(min(number + 1), 1) FROM (SELECT 0 AS number UNION ALL SELECT number FROM event) AS e "
            "WHERE NOT EXISTS (SELECT 1 FROM event AS next WHERE next.number = e.number + 1)");
        find("event " + std::to_string(missing) + " is missing, though the events go on to " + std::to_string(last));
    }

    // What a row says of itself, and what its events say of it.
    void told(const RunData& data, const std::string& name) {
        if (sha256_hex(data.header.protocol_text) != data.header.protocol_sha256) {
            find(name + ": its protocol's text is not the one whose SHA-256 is recorded beside it");
        }
        const RunState state = data.status.state;
        const auto has = [&](EventKind kind) {
            return std::any_of(data.events.begin(), data.events.end(),
                               [&](const EventRecord& record) { return record.event.kind == kind; });
        };
        // A run that no version could restore is stopped by a person's word alone.
        const bool by_hand = std::any_of(data.actions.begin(), data.actions.end(),
                                         [](const OperatorAction& action) { return action.verb == "stop"; });
        const std::string is = name + ": it is " + std::string(word_of(state));
        for (const RunState end : {RunState::done, RunState::stopped}) {
            const bool said = has(end == RunState::done ? EventKind::done : EventKind::stopped);
            const std::string word(word_of(end));
            if (state == end && !said && !(end == RunState::stopped && by_hand)) {
                find(is + ", and no event tells that it was " + word);
            } else if (state != end && said) {
                find(is + ", and an event tells that it was " + word);
            }
        }
        if (state == RunState::tripped && !has(EventKind::tripped)) {
            find(is + ", and no event tells of a trip");
        }
    }

    // What the tape must reach is read before the tape: a live ledger grows meanwhile, and both in the same
    // transaction.
    void run(const RunLine& line) {
        const std::string name = "run " + std::to_string(line.run);
        if (const auto data = reader_.run(line.run); !data)
            find(data.error().message);
        else
            told(*data, name);
        const std::string of_run = " WHERE run = " + std::to_string(line.run);
        result_.samples += count("SELECT count(*) FROM sample" + of_run);
        const std::uint64_t last_sample = count("SELECT coalesce(max(sequence), 0) FROM sample" + of_run);
        const auto checkpoint = reader_.last_checkpoint(line.run);
        if (!checkpoint)
            find(checkpoint.error().message);

        const std::uint64_t end = tape(line, name);
        const std::string tape_ends = ", its tape ends with input " + std::to_string(end);
        const std::uint64_t moved = count("SELECT coalesce(max(after_sequence), 0) FROM move" + of_run);
        if (moved > end)
            find(name + ": it was moved after input " + std::to_string(moved) + tape_ends);
        if (last_sample > end)
            find(name + ": its samples go on to input " + std::to_string(last_sample) + tape_ends);
        if (checkpoint && *checkpoint && (*checkpoint)->sequence > end) {
            find(name + ": its checkpoint is of input " + std::to_string((*checkpoint)->sequence) + tape_ends);
        }
    }

    // Returns the last input on the tape.
    std::uint64_t tape(const RunLine& line, const std::string& name) {
        std::uint64_t end = 0;
        const auto done = state_.chunks(line.run, 0, [&](const TapeChunk& chunk) {
            if (chunk.first_sequence != end + 1) {
                find(name + ": the tape goes on with input " + std::to_string(chunk.first_sequence) + " after input " +
                     std::to_string(end) + (chunk.first_sequence > end ? "; the ones between are missing" : ""));
            }
            end = std::max(end, chunk.last_sequence);
            const auto inputs = inputs_of(chunk);
            if (!inputs) {
                find(inputs.error().message);
                return true;
            }
            result_.tape_inputs += inputs->size();
            return compare(line.run, chunk, *inputs);
        });
        if (!done)
            find(name + ": " + done.error().message);
        if (line.state != RunState::planned && end == 0) {
            find(name + ": it is " + std::string(word_of(line.state)) + " and has no tape");
        }
        return end;
    }

    // Each kept sample must be the one on the tape.
    bool compare(RunNumber run, const TapeChunk& chunk, const std::vector<Input>& inputs) {
        auto statement =
            Statement::prepare(state_.connection, "SELECT " + std::string(sample_columns) +
                                                      " FROM sample WHERE run = ? AND sequence BETWEEN ? AND ?");
        if (!statement) {
            find(statement.error().message);
            return false;
        }
        statement->bind(std::int64_t{run});
        statement->bind(static_cast<std::int64_t>(chunk.first_sequence));
        statement->bind(static_cast<std::int64_t>(chunk.last_sequence));
        int code = statement->step();
        for (; code == SQLITE_ROW; code = statement->step()) {
            SampleRecord kept;
            if (const auto done = read(*statement, kept); !done) {
                find(done.error().message);
                continue;
            }
            const auto place = static_cast<std::size_t>(kept.sequence - chunk.first_sequence);
            const auto* taped = std::get_if<Sample>(&inputs[place].body);
            if (taped != nullptr && *taped == kept.sample)
                continue;
            find("run " + std::to_string(run) + ": sample " + std::to_string(kept.sequence) +
                 " is not the one that its tape holds at that input");
        }
        if (code == SQLITE_DONE)
            return true;
        find(state_.connection.error(Failure::bad_data, "read", code).message);
        return false;
    }

    Reader& reader_;
    Reader::State& state_;
    Verification result_;
};

}  // namespace

Result<Verification> Reader::verify() {
    if (auto done = state_->refresh(); !done)
        return tl::unexpected(std::move(done.error()));
    return Verifier(*this, *state_).verify();
}

}  // namespace slowfilm::ledger
