// The verbs that read a ledger: which runs and cells there are, what a run came to, its samples for other programs.
#include "daemon/core/text.hpp"
#include "daemon/engine/describe.hpp"
#include "daemon/main/slowfilm_output.hpp"
#include "daemon/main/slowfilm_program.hpp"
#include "daemon/main/slowfilm_table.hpp"
#include "daemon/results/cell_summary.hpp"
#include "daemon/results/export.hpp"
#include "daemon/results/summary.hpp"

#include <CLI/CLI.hpp>
#include <algorithm>
#include <array>
#include <boost/json/array.hpp>
#include <map>

namespace slowfilm::command {

namespace json = boost::json;

namespace {

struct ReadWords {
    Common common;
    std::string run;
    std::string cell;  // of a summary: of this cell and not of a run
};

void put_utc(json::object& object, std::string_view key, std::optional<std::int64_t> utc, std::string_view reason) {
    if (utc) {
        object[key] = print_utc(*utc);
    } else {
        object[key] = nullptr;
        object[std::string{key} + "_reason"] = reason;
    }
}

// The files an answer must never replace.
std::array<std::string, 3> inputs_of(const OpenLedger& ledger) {
    return {ledger.path, ledger.path + "-wal", ledger.path + "-shm"};
}

Result<int> put(const Common& common, const OpenLedger& ledger, const json::object& answer,
                const std::function<std::string()>& text) {
    if (auto written = put_answer(common, answer, text, inputs_of(ledger)); !written) {
        return tl::unexpected{written.error()};
    }
    return done;
}

// --- runs

// Why a run waits, or was stopped by its own protocol; "" otherwise.
std::string_view why_of(const ledger::RunLine& line) {
    const bool says = line.state == RunState::waiting || line.state == RunState::stopped;
    return says && line.wait != WaitReason::none ? engine::name(line.wait) : std::string_view{};
}

std::string state_text(const ledger::RunLine& line) {
    const std::string_view why = why_of(line);
    std::string text{engine::name(line.state)};
    text += why.empty() ? "" : ": " + std::string{why};
    return text;
}

json::object run_json(const ledger::RunLine& line) {
    json::object run;
    run["run"] = line.run;
    run["cell"] = line.cell;
    run["channel"] = line.channel;
    run["title"] = line.title;
    run["state"] = engine::name(line.state);
    if (const std::string_view why = why_of(line); !why.empty()) {
        run["why"] = why;
    } else {
        run["why"] = nullptr;
        run["why_reason"] = "the state speaks for itself";
    }
    put_utc(run, "started", line.started_utc, "the run has not started");
    put_utc(run, "ended", line.ended_utc, "the run has not ended");
    run["duration_second"] = seconds(line.length);
    return run;
}

std::string runs_text(const std::vector<ledger::RunLine>& lines) {
    if (lines.empty()) {
        return "there is no run in this ledger\n";
    }
    std::vector<TableRow> rows{{{"run", "state", "cell", "channel", "started", "lasted", "protocol"}}};
    for (const ledger::RunLine& line : lines) {
        rows.push_back({.cells = {std::to_string(line.run), state_text(line), escaped(line.cell, 40),
                                  escaped(line.channel, 40), line.started_utc ? print_utc(*line.started_utc) : "-",
                                  print_span(line.length), escaped(line.title, 60)},
                        .colour = line.state == RunState::tripped ? Colour::alarm : Colour::none});
    }
    return table(rows, {0});
}

Result<int> runs(const ReadWords& words) {
    auto ledger = open_ledger(words.common);
    if (!ledger) {
        return tl::unexpected{ledger.error()};
    }
    const auto lines = ledger->reader->runs();
    if (!lines) {
        return tl::unexpected{lines.error()};
    }
    json::object answer = new_answer("runs");
    answer["ledger"] = ledger->path;
    json::array list;
    for (const ledger::RunLine& line : *lines) {
        list.push_back(run_json(line));
    }
    answer["runs"] = std::move(list);
    return put(words.common, *ledger, answer, [&] { return runs_text(*lines); });
}

// --- cells

struct KnownCell {
    ledger::CellRecord record;
    std::string lot, filled;  // as entered, or ""
};

json::object cell_json(const KnownCell& known) {
    const ledger::CellRecord& record = known.record;
    json::object cell;
    cell["cell"] = record.id;
    cell["lot"] = known.lot;
    cell["filled"] = known.filled;
    cell["furthest"] = name(record.history.furthest);
    cell["known"] = record.history.known;  // current has flowed: `furthest` is more than a claim
    cell["quarantined"] = record.history.quarantined;
    cell["quarantine"] = record.quarantine;
    cell["armed"] = record.history.armed;
    cell["net_charge_ah"] = ampere_hours(record.history.net);
    cell["leg_charge_ah"] = ampere_hours(record.history.leg);
    cell["net_unseen_charge_ah"] = ampere_hours(record.history.net_unseen);
    cell["leg_unseen_charge_ah"] = ampere_hours(record.history.leg_unseen);
    cell["highest_voltage_volt"] = volts(record.history.highest);
    if (record.history.measured.count > 0) {
        cell["measured_charge_ah"] = ampere_hours(record.history.measured);
    } else {
        cell["measured_charge_ah"] = nullptr;
        cell["measured_charge_ah_reason"] = "no step has measured its capacity yet";
    }
    cell["updated"] = print_utc(record.updated_utc);
    return cell;
}

std::string cells_text(const std::vector<KnownCell>& cells) {
    if (cells.empty()) {
        return "there is no cell in this ledger\n";
    }
    std::vector<TableRow> rows{
        {{"cell", "furthest", "net Ah", "highest V", "measured Ah", "lot", "filled", "updated", "quarantine"}}};
    for (const KnownCell& cell : cells) {
        const ledger::CellRecord& record = cell.record;
        const Charge measured = record.history.measured;
        rows.push_back(
            {.cells = {escaped(record.id, 64), std::string{record.history.known ? name(record.history.furthest) : "-"},
                       print_fixed(ampere_hours(record.history.net), 4), print_fixed(volts(record.history.highest), 4),
                       measured.count > 0 ? print_fixed(ampere_hours(measured), 4) : "-",
                       cell.lot.empty() ? "-" : escaped(cell.lot, 40),
                       cell.filled.empty() ? "-" : escaped(cell.filled, 40), print_utc(record.updated_utc),
                       record.history.quarantined
                           ? (record.quarantine.empty() ? "yes" : escaped(record.quarantine, 120))
                           : "-"},
             .colour = record.history.quarantined ? Colour::alarm : Colour::none});
    }
    return table(rows, {2, 3, 4});
}

Result<int> cells(const ReadWords& words) {
    auto ledger = open_ledger(words.common);
    if (!ledger) {
        return tl::unexpected{ledger.error()};
    }
    const auto records = ledger->reader->cells();
    if (!records) {
        return tl::unexpected{records.error()};
    }
    const auto entered = ledger->reader->hand_readings();
    if (!entered) {
        return tl::unexpected{entered.error()};
    }
    std::map<std::string, std::vector<ledger::HandReading>, std::less<>> by_cell;
    for (const ledger::HandReading& reading : *entered) {
        by_cell[reading.cell].push_back(reading);
    }
    std::vector<KnownCell> known;
    for (const ledger::CellRecord& record : *records) {
        const std::vector<ledger::HandReading>& of_cell = by_cell[record.id];
        known.push_back({record, results::latest(of_cell, "lot"), results::latest(of_cell, "filled")});
    }
    json::object answer = new_answer("cells");
    answer["ledger"] = ledger->path;
    json::array list;
    for (const KnownCell& cell : known) {
        list.push_back(cell_json(cell));
    }
    answer["cells"] = std::move(list);
    return put(words.common, *ledger, answer, [&] { return cells_text(known); });
}

// --- summary

Result<int> summary_of_cell(const ReadWords& words) {
    auto ledger = open_ledger(words.common);
    if (!ledger) {
        return tl::unexpected{ledger.error()};
    }
    const auto cell = results::summarise_cell(*ledger->reader, words.cell);
    if (!cell) {
        return tl::unexpected{cell.error()};
    }
    return put(words.common, *ledger, results::to_json(*cell), [&] { return results::to_text(*cell); });
}

Result<int> summary(const ReadWords& words) {
    if (words.run.empty() == words.cell.empty()) {
        return fail(Failure::usage, "summary takes a RUN, or --cell ID; see slowfilm summary --help");
    }
    if (!words.cell.empty()) {
        return summary_of_cell(words);
    }
    const auto number = run_number(words.run);
    if (!number) {
        return tl::unexpected{number.error()};
    }
    auto ledger = open_ledger(words.common);
    if (!ledger) {
        return tl::unexpected{ledger.error()};
    }
    const auto summed = results::summarise(*ledger->reader, *number);
    if (!summed) {
        return tl::unexpected{summed.error()};
    }
    const json::value answer = results::to_json(*summed);
    return put(words.common, *ledger, with_version(answer.as_object()), [&] { return results::to_text(*summed); });
}

// --- export

Result<int> export_run(const ReadWords& words) {
    const auto number = run_number(words.run);
    if (!number) {
        return tl::unexpected{number.error()};
    }
    if (words.common.json() && words.common.output.empty()) {
        return fail(Failure::usage, "export --format json says what was exported; name the file with -o FILE");
    }
    auto ledger = open_ledger(words.common);
    if (!ledger) {
        return tl::unexpected{ledger.error()};
    }
    auto output = Output::open(words.common.output, inputs_of(*ledger));
    if (!output) {
        return tl::unexpected{output.error()};
    }
    Result<void> written;
    std::uint64_t lines = 0;
    std::uint64_t bytes = 0;
    auto exported = results::export_csv(*ledger->reader, *number, [&](std::string_view piece) {
        lines += static_cast<std::uint64_t>(std::count(piece.begin(), piece.end(), '\n'));
        bytes += piece.size();
        written = output->write(piece);
        return written.has_value();
    });
    if (!written) {
        return tl::unexpected{written.error()};
    }
    if (exported) {
        exported = output->finish();
    }
    if (!exported) {
        return tl::unexpected{exported.error()};
    }
    if (words.common.json()) {
        json::object answer = new_answer("export");
        answer["run"] = *number;
        answer["file"] = words.common.output;
        answer["rows"] = lines == 0 ? 0 : lines - 1;
        answer["bytes"] = bytes;
        Common to_stdout = words.common;
        to_stdout.output.clear();
        if (auto put = put_answer(to_stdout, answer, [] { return std::string{}; }); !put) {
            return tl::unexpected{put.error()};
        }
    }
    return done;
}

template <class Action>
void add(Program& program, std::string_view name, std::string_view what, std::string_view example, bool of_a_run,
         Action action) {
    const auto words = std::make_shared<ReadWords>();
    CLI::App* const verb = add_verb(program, name, what, example, words->common, Takes::ledger);
    if (of_a_run) {
        verb->add_option("RUN", words->run, "the number that runs prints")->required()->option_text("RUN");
    }
    verb->callback([&program, words, action] { program.action = [words, action] { return action(*words); }; });
}

}  // namespace

void add_read_verbs(Program& program) {
    add(program, "runs", "Lists the runs of a ledger.", "runs --ledger bench.ledger", false, runs);
    add(program, "cells", "Lists the cells a ledger knows, how far each has come, and which are in quarantine.",
        "cells --format json", false, cells);
    const auto words = std::make_shared<ReadWords>();
    CLI::App* const verb =
        add_verb(program, "summary",
                 "Says what a run came to: steps, cycles, figures, how near each guard came, the verdict. Or what a "
                 "cell came to "
                 "over all its runs.",
                 "summary 3 --ledger bench.ledger\n  slowfilm summary --cell B7-0042", words->common, Takes::ledger);
    verb->add_option("RUN", words->run, "the number that runs prints")->option_text("RUN");
    verb->add_option("--cell", words->cell, "of this cell, over all its runs")->option_text("ID");
    verb->callback([&program, words] { program.action = [words] { return summary(*words); }; });
    add(program, "export",
        "Writes a run's kept samples as CSV under the column labels of the open Battery Data Format.",
        "export 3 -o run3.csv", true, export_run);
}

}  // namespace slowfilm::command
