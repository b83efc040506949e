#include "daemon/results/cell_summary.hpp"

#include "daemon/core/text.hpp"
#include "daemon/core/unit.hpp"
#include "daemon/ledger/names.hpp"
#include "daemon/results/facts.hpp"
#include "daemon/results/figures.hpp"
#include "daemon/results/json_parts.hpp"

#include <algorithm>
#include <boost/json/array.hpp>
#include <utility>

namespace slowfilm::results {

namespace json = boost::json;

namespace {

std::vector<CellFigure> figures_across(const std::vector<Summary>& runs) {
    std::vector<CellFigure> figures;
    for (const FigureDefinition& definition : figure_definitions()) {
        CellFigure chosen{undefined(definition, "no run of this cell defines it"), std::nullopt};
        const bool first_counts = definition.id == FigureId::first_cycle_efficiency;
        for (const Summary& run : runs) {
            const auto figure = std::find_if(run.figures.begin(), run.figures.end(), [&](const Figure& one) {
                return one.name == definition.name && one.value.has_value();
            });
            if (figure != run.figures.end() && !(first_counts && chosen.run)) {
                chosen = {*figure, run.run.header.run};
            }
        }
        figures.push_back(std::move(chosen));
    }
    return figures;
}

json::object history_json(const CellHistory& history) {
    json::object object;
    object["furthest"] = name(history.furthest);
    object["known"] = history.known;
    object["armed"] = history.armed;
    object["first_leg_over"] = history.first_leg_over;
    object["net_charge_ah"] = ampere_hours(history.net);
    object["leg_charge_ah"] = ampere_hours(history.leg);
    object["net_unseen_charge_ah"] = ampere_hours(history.net_unseen);
    object["leg_unseen_charge_ah"] = ampere_hours(history.leg_unseen);
    object["highest_voltage_volt"] = volts(history.highest);
    put(object, "measured_charge_ah",
        history.measured.count > 0 ? std::optional{ampere_hours(history.measured)} : std::nullopt,
        "no step has measured its capacity yet");
    return object;
}

json::object run_json(const Summary& run) {
    const ledger::RunData& data = run.run;
    json::object object;
    object["run"] = data.header.run;
    object["channel"] = data.header.channel;
    object["title"] = data.header.protocol_title;
    object["state"] = ledger::word_of(data.status.state);
    put_utc(object, "started", data.status.started_utc, "the run has not started");
    put_utc(object, "ended", data.status.ended_utc, "the run has not ended");
    object["grade"] = run.verdict.grade;
    return object;
}

std::string run_line(const Summary& run) {
    const ledger::RunData& data = run.run;
    return "  run " + std::to_string(data.header.run) + "  " + std::string{ledger::word_of(data.status.state)} + "  " +
           run.verdict.grade + "  " + (data.status.started_utc ? print_utc(*data.status.started_utc) : "-") +
           "  channel " + escaped(data.header.channel, 40) + "  " + escaped(data.header.protocol_title, 60) + "\n";
}

std::string history_text(const ledger::CellRecord& cell) {
    const CellHistory& history = cell.history;
    std::string text = "  " + (history.known ? std::string{name(history.furthest)} : std::string{"no current yet"});
    text += ", net charge " + print_fixed(ampere_hours(history.net), 4) + " Ah";
    text += history.net_unseen.count > 0
                ? ", " + print_fixed(ampere_hours(history.net_unseen), 4) + " Ah more may have flowed unseen"
                : "";
    text += history.known ? ", highest " + print_fixed(volts(history.highest), 4) + " V" : "";
    text += history.measured.count > 0 ? ", measured " + print_fixed(ampere_hours(history.measured), 4) + " Ah" : "";
    return text + "\n";
}

}  // namespace

std::string latest(const std::vector<ledger::HandReading>& entered, std::string_view name) {
    const auto found = std::find_if(entered.rbegin(), entered.rend(),
                                    [&](const ledger::HandReading& reading) { return reading.name == name; });
    return found == entered.rend() ? "" : found->text;
}

Result<CellSummary> summarise_cell(ledger::Reader& reader, std::string_view id) {
    auto cell = reader.cell(id);
    auto entered = reader.hand_readings(id);
    auto lifted = reader.lifted(id);
    const auto lines = reader.runs();
    if (!cell || !entered || !lifted || !lines) {
        return tl::unexpected<Error>{!cell      ? cell.error()
                                     : !entered ? entered.error()
                                     : !lifted  ? lifted.error()
                                                : lines.error()};
    }
    if (!*cell) {
        return fail(Failure::no_input,
                    "the ledger knows no cell '" + escaped(id, 80) + "'; slowfilm cells lists those it knows");
    }
    CellSummary summary{std::move(**cell), std::move(*entered), std::move(*lifted), {}, {}};
    for (const ledger::RunLine& line : *lines) {
        if (line.cell != id || line.rehearsal) {
            continue;
        }
        auto run = summarise(reader, line.run);
        if (!run) {
            return tl::unexpected<Error>{run.error()};
        }
        summary.runs.push_back(std::move(*run));
    }
    summary.figures = figures_across(summary.runs);
    return summary;
}

json::object to_json(const CellSummary& summary) {
    json::object object;
    object["slowfilm"] = SLOWFILM_VERSION;
    object["kind"] = "cell";
    object["cell"] = summary.cell.id;
    object["lot"] = latest(summary.entered, "lot");
    object["filled"] = latest(summary.entered, "filled");
    object["quarantined"] = summary.cell.history.quarantined;
    object["quarantine"] = summary.cell.quarantine;
    object["history"] = history_json(summary.cell.history);
    json::object figures;
    for (const CellFigure& figure : summary.figures) {
        json::object one = to_json(figure.figure);
        put_run(one, "run", figure.run, figure.figure.reason);
        figures[figure.figure.name] = std::move(one);
    }
    object["figures"] = std::move(figures);
    json::array entered;
    for (const ledger::HandReading& reading : summary.entered) {
        entered.push_back(to_json(reading));
    }
    object["entered"] = std::move(entered);
    json::array lifted;
    for (const ledger::QuarantineLifted& one : summary.lifted) {
        lifted.push_back(json::object{
            {"quarantine", one.quarantine}, {"reason", one.reason}, {"utc", print_utc(one.utc)}, {"who", one.who}});
    }
    object["quarantines_lifted"] = std::move(lifted);
    json::array runs;
    json::array notes;
    for (const Summary& run : summary.runs) {
        runs.push_back(run_json(run));
        for (const ledger::OperatorAction& note : notes_of(run.run)) {
            notes.push_back(json::object{
                {"run", run.run.header.run}, {"text", note.detail}, {"utc", print_utc(note.utc)}, {"who", note.who}});
        }
    }
    object["runs"] = std::move(runs);
    object["notes"] = std::move(notes);
    return object;
}

std::string to_text(const CellSummary& summary) {
    const ledger::CellRecord& cell = summary.cell;
    std::string text = (cell.history.quarantined ? "quarantined: cell " : "cell ") + escaped(cell.id, 80) + "\n";
    text += history_text(cell);
    text += cell.history.quarantined ? "  quarantined: " + escaped(cell.quarantine, 400) + "\n" : "";
    for (const ledger::QuarantineLifted& one : summary.lifted) {
        text += "  " + print_utc(one.utc) + "  quarantine lifted: " + escaped(one.reason, 400) +
                "; it was for: " + escaped(one.quarantine, 400) + "  (" + escaped(one.who, 80) + ")\n";
    }
    text += summary.entered.empty() ? "" : "\nentered by hand\n";
    for (const ledger::HandReading& reading : summary.entered) {
        text += "  " + print_utc(reading.utc) + "  " + escaped(reading.name, 64) + " " + escaped(reading.text, 120);
        text += reading.run ? ", at step " + escaped(reading.path, 20) + " of run " + std::to_string(*reading.run) : "";
        text += "  (" + escaped(reading.who, 80) + ")\n";
    }
    text += summary.runs.empty() ? "\nit has had no run\n" : "\nruns\n";
    for (const Summary& run : summary.runs) {
        text += run_line(run);
        for (const ledger::OperatorAction& note : notes_of(run.run)) {
            text += "    " + print_utc(note.utc) + "  " + escaped(note.detail, 1000) + "  (" + escaped(note.who, 80) +
                    ")\n";
        }
    }
    text += "\nfigures\n";
    for (const CellFigure& one : summary.figures) {
        text += "  " + one.figure.name + "  " + value_text(one.figure);
        text += one.run ? "  (run " + std::to_string(*one.run) + ")\n" : "  (" + one.figure.reason + ")\n";
    }
    return text;
}

}  // namespace slowfilm::results
