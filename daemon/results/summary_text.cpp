// A summary for people: the first line tells the state and the verdict, and a state other than done comes first.
#include "daemon/core/text.hpp"
#include "daemon/ledger/names.hpp"
#include "daemon/results/facts.hpp"
#include "daemon/results/summary.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <string>
#include <string_view>
#include <vector>

namespace slowfilm::results {

namespace {

// Of a long run only its two ends are listed; all of it is in the JSON.
constexpr std::size_t steps_head = 60;
constexpr std::size_t steps_tail = 20;

using Row = std::vector<std::string>;

// Characters as a terminal counts them, near enough: one for each code point.
std::size_t width_of(const std::string& text) {
    return static_cast<std::size_t>(std::count_if(
        text.begin(), text.end(), [](char c) { return (static_cast<unsigned char>(c) & 0xC0U) != 0x80U; }));
}

// Columns padded to the widest cell; the first `left` of them aligned left, numbers right.
std::string table(const std::vector<Row>& rows, std::size_t left) {
    std::vector<std::size_t> widths;
    for (const Row& row : rows) {
        widths.resize(std::max(widths.size(), row.size()));
        for (std::size_t i = 0; i < row.size(); ++i) {
            widths[i] = std::max(widths[i], width_of(row[i]));
        }
    }
    std::string text;
    for (const Row& row : rows) {
        std::string line = " ";
        for (std::size_t i = 0; i < row.size(); ++i) {
            const std::string padding(widths[i] - width_of(row[i]), ' ');
            line += ' ';
            line += i < left ? row[i] + padding : padding + row[i];
            line += ' ';
        }
        text += line.substr(0, line.find_last_not_of(' ') + 1) + '\n';
    }
    return text;
}

std::string number(std::optional<double> value, int decimals) {
    return value && std::isfinite(*value) ? print_fixed(*value, decimals) : "-";
}

std::string span_text(double second) {
    return print_span(Duration{std::llround(second) * 1'000'000});
}

std::string label(std::string_view text) {
    return escaped(text, 40);
}

// Why the checks before current did not let it begin, while it waits for that; "" otherwise.
std::string connection_text(const ledger::RunData& run) {
    if (run.status.state != RunState::waiting || run.status.wait != WaitReason::connection) {
        return "";
    }
    const auto failed = std::find_if(run.events.rbegin(), run.events.rend(), [](const ledger::EventRecord& one) {
        return one.event.kind == EventKind::connection_failed;
    });
    return failed == run.events.rend() ? "" : "  connection check: " + escaped(failed->text, 400) + '\n';
}

std::string first_lines(const Summary& summary) {
    const ledger::RunData& run = summary.run;
    const std::string state{ledger::word_of(run.status.state)};
    std::string text;
    std::string subject = "run " + std::to_string(run.header.run) + "  cell " + label(run.header.cell);
    subject += run.header.rehearsal ? "  (a rehearsal)" : "";
    if (run.status.state == RunState::done) {
        const bool ruled = summary.verdict.grade != "none";
        text = subject + "  done  " + (ruled ? summary.verdict.grade : std::string{"no verdict"}) + '\n';
    } else {
        text = state + ": " + subject + "  no verdict\n";
    }
    if (!run.status.needs.empty()) {
        text += "  needs a person: " + escaped(run.status.needs, 400) + '\n';
    }
    text += connection_text(run);
    text += "  " + escaped(run.header.protocol_title, 100) + ", on channel " + label(run.header.channel);
    text += run.header.tray != 0 ? ", tray " + label(run.header.tray_name) : "";
    text += ", rated " + number(ampere_hours(run.header.capacity), 3) + " Ah\n";
    if (run.status.started_utc) {
        text += "  started " + print_utc(*run.status.started_utc);
        text += run.status.ended_utc ? ", ended " + print_utc(*run.status.ended_utc) : ", not ended";
        text += ", lasted " + span_text(*duration_second(run));
        const double waited = waiting_second(run).value_or(0.0);
        text += waited >= 1.0 ? ", of it " + span_text(waited) + " waiting for people\n" : "\n";
    }
    return text;
}

Row step_row(const ledger::RunData& run, const ledger::VisitRecord& visit) {
    std::string path = visit.path;
    path += visit.pass.empty() ? "" : " pass " + visit.pass;
    const std::optional<double> started = run_second(run, visit.started);
    return {path,
            label(visit.name),
            visit.kind,
            visit.ended_by,
            started ? span_text(*started) : "-",
            span_text(seconds(visit.ended - visit.started)),
            number(visit.charge_in_ah, 4),
            number(visit.charge_out_ah, 4),
            number(visit.voltage_start, 3),
            number(visit.voltage_end, 3),
            number(visit.current_end, 3),
            number(visit.temperature_max, 1)};
}

std::string steps_text(const ledger::RunData& run) {
    if (run.visits.empty()) {
        return "\nsteps: none has ended\n";
    }
    std::vector<Row> rows{{"step", "name", "do", "ended by", "after", "lasted", "in Ah", "out Ah", "from V", "to V",
                           "end A", "max degC"}};
    const std::size_t count = run.visits.size();
    const bool cut = count > steps_head + steps_tail;
    for (std::size_t i = 0; i < count; ++i) {
        if (cut && i >= steps_head && i < count - steps_tail) {
            continue;
        }
        if (cut && i == count - steps_tail) {
            rows.push_back({"...", std::to_string(count - steps_head - steps_tail) + " more, all in --format json"});
        }
        rows.push_back(step_row(run, run.visits[i]));
    }
    std::string text = "\nsteps\n" + table(rows, 4);
    for (const std::string& sentence : repeats_of(run)) {
        text += "  " + sentence + "\n";
    }
    return text;
}

std::string cycles_text(const Summary& summary) {
    if (summary.cycles.empty()) {
        return "";
    }
    std::vector<Row> rows{{"cycle", "charge Ah", "discharge Ah", "coulombic efficiency", "energy efficiency", ""}};
    for (const Cycle& cycle : summary.cycles) {
        rows.push_back({std::to_string(cycle.number), number(cycle.charge_ah, 4), number(cycle.discharge_ah, 4),
                        number(cycle.coulombic_efficiency, 4), number(cycle.energy_efficiency, 4), cycle.reason});
    }
    return "\ncycles\n" + table(rows, 0);
}

std::string figures_text(const Summary& summary) {
    std::vector<Row> rows;
    for (const Figure& figure : summary.figures) {
        std::string value = value_text(figure);
        if (figure.uncertainty) {
            value += " +- " + number(figure.uncertainty, 4);
        }
        std::string note = figure.reason;
        if (note.empty() && figure.cycle && figure.name != "first_cycle_efficiency") {
            note = "of cycle " + std::to_string(*figure.cycle);
        }
        rows.push_back({figure.name, value, note.empty() ? "" : "(" + note + ")"});
    }
    return rows.empty() ? "" : "\nfigures\n" + table(rows, 3);
}

std::string marks_text(const ledger::RunData& run) {
    std::vector<Row> rows{{"mark", "at", "mean V", "deviation V", "degC", "readings"}};
    for (const ledger::MarkRecord& mark : run.marks) {
        rows.push_back({mark.of_run ? "run" : "step " + mark.path, print_span(mark.at), number(mark.mean, 6),
                        number(mark.deviation, 6), number(mark.temperature, 2), std::to_string(mark.readings)});
    }
    return rows.size() < 2 ? "" : "\nopen-circuit voltages\n" + table(rows, 2);
}

// What people entered and said, and where the run was put.
std::string people_text(const ledger::RunData& run) {
    std::string text;
    for (const ledger::HandReading& reading : run.entered) {
        text += "  " + print_utc(reading.utc) + "  " + escaped(reading.name, 64) + " " + escaped(reading.text, 120) +
                ", entered at step " + escaped(reading.path, 20) + " by " + escaped(reading.who, 80) + "\n";
    }
    for (const ledger::OperatorAction& note : notes_of(run)) {
        text += "  " + print_utc(note.utc) + "  " + escaped(note.detail, 1000) + "  (" + escaped(note.who, 80) + ")\n";
    }
    for (const ledger::MoveRecord& move : run.moves) {
        text += "  " + print_utc(move.utc) + "  moved from channel " + label(move.from) + " to channel " +
                label(move.to) + "\n";
    }
    return text.empty() ? "" : "\nwhat people said and did\n" + text;
}

std::string guards_text(const ledger::RunData& run) {
    std::vector<Row> rows{{"guard", "unit", "trips at", "closest", "after", ""}};
    for (const ledger::GuardMargins::Row& row : run.margins.rows) {
        if (!row.closest || row.name == guard_row(GuardId::not_plausible).name) {
            continue;
        }
        rows.push_back({row.name, row.unit, number(row.trip, 4), number(row.closest, 4),
                        row.closest_second ? span_text(*row.closest_second) : "-", row.written ? "" : "(default)"});
    }
    return rows.size() < 2 ? "" : "\nclosest approach to each guard\n" + table(rows, 2);
}

std::string troubles_text(const Summary& summary) {
    std::string text;
    if (const double bad = bad_readings_of(summary.run).value_or(0.0); bad > 0.0) {
        text += "\nsamples with a bad reading that were ridden out: " + print_fixed(bad, 0) + '\n';
    }
    const std::vector<Trip> trips = trips_of(summary);
    if (!trips.empty()) {
        text += "\ntrips\n";
    }
    for (const Trip& trip : trips) {
        text += "  after " + span_text(trip.second) + "  " + escaped(trip.text, 400);
        text += trip.acknowledged ? "  (acknowledged)\n" : "\n";
    }
    const std::vector<GapFact> gaps = gaps_of(summary);
    if (!gaps.empty()) {
        text += "\ngaps\n";
    }
    for (const GapFact& gap : gaps) {
        text += "  after " + span_text(gap.second) + "  nobody watched for " + span_text(gap.length);
        text += gap.path.empty() ? "\n" : ", in step " + gap.path + '\n';
    }
    return text;
}

}  // namespace

std::string value_text(const Figure& figure) {
    if (!figure.value) {
        return "-";
    }
    const std::string value = print_fixed(*figure.value, figure.unit == "ohm" ? 6 : 4);
    return figure.unit == "1" ? value : value + " " + figure.unit;
}

std::string to_text(const Summary& summary) {
    std::string text = first_lines(summary);
    text += steps_text(summary.run);
    text += cycles_text(summary);
    text += figures_text(summary);
    text += marks_text(summary.run);
    text += people_text(summary.run);
    text += guards_text(summary.run);
    text += troubles_text(summary);
    text += "\nverdict: " + summary.verdict.grade + '\n';
    for (const std::string& reason : summary.verdict.reasons) {
        text += "  " + escaped(reason, 400) + '\n';
    }
    return text;
}

}  // namespace slowfilm::results
