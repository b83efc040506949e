// A summary for machines: a value that is not defined is null with `<key>_reason` beside it.
#include "daemon/core/text.hpp"
#include "daemon/ledger/names.hpp"
#include "daemon/results/facts.hpp"
#include "daemon/results/json_parts.hpp"
#include "daemon/results/summary.hpp"

#include <boost/json/array.hpp>
#include <boost/json/object.hpp>
#include <string>
#include <string_view>

namespace slowfilm::results {

namespace {

namespace json = boost::json;

json::object to_json(const ledger::RunData& run, const ledger::VisitRecord& visit) {
    constexpr std::string_view no_reading = "no good reading in this step";
    json::object step;
    step["path"] = visit.path;
    step["name"] = visit.name;
    step["pass"] = visit.pass;
    step["do"] = visit.kind;
    step["cycle"] = visit.cycle;
    put(step, "started_second", run_second(run, visit.started), "the run has not started");
    put(step, "duration_second", seconds(visit.ended - visit.started), "");
    put(step, "charge_in_ah", visit.charge_in_ah, "");
    put(step, "charge_out_ah", visit.charge_out_ah, "");
    put(step, "energy_in_wh", visit.energy_in_wh, "");
    put(step, "energy_out_wh", visit.energy_out_wh, "");
    put(step, "voltage_start_volt", visit.voltage_start, no_reading);
    put(step, "voltage_end_volt", visit.voltage_end, no_reading);
    put(step, "current_end_ampere", visit.current_end, no_reading);
    put(step, "temperature_max_celsius", visit.temperature_max, no_reading);
    step["ended_by"] = visit.ended_by;
    if (visit.kind == "pulse") {
        put(step, "resistance_ohm", visit.resistance, visit.no_resistance);
    }
    return step;
}

json::object to_json(const Cycle& cycle) {
    json::object object;
    object["cycle"] = cycle.number;
    object["complete"] = cycle.complete;
    put(object, "charge_ah", cycle.charge_ah, "");
    put(object, "discharge_ah", cycle.discharge_ah, "");
    put(object, "charge_energy_wh", cycle.charge_wh, "");
    put(object, "discharge_energy_wh", cycle.discharge_wh, "");
    put(object, "coulombic_efficiency", cycle.coulombic_efficiency, cycle.reason);
    put(object, "energy_efficiency", cycle.energy_efficiency, cycle.reason);
    return object;
}

json::object to_json(const ledger::GuardMargins::Row& row) {
    json::object guard;
    guard["name"] = row.name;
    guard["unit"] = row.unit;
    put(guard, "trip", row.trip, "what it trips at is no single number");
    put(guard, "closest", row.closest, "not judged in this run");
    put(guard, "closest_second", row.closest_second, "not judged in this run");
    guard["written"] = row.written;
    return guard;
}

json::object to_json(const Trip& trip) {
    const GuardRow& row = guard_row(trip.guard);
    json::object object;
    object["guard"] = std::string{row.name};
    object["class"] = row.trip_class == TripClass::cell ? "cell" : "channel";
    put(object, "second", trip.second, "");
    put_text(object, "path", trip.path, "the record does not tell the step");
    put(object, "value", trip.value, "");
    put(object, "limit", trip.limit, "");
    object["unit"] = trip.unit;
    object["text"] = trip.text;
    object["acknowledged"] = trip.acknowledged;
    return object;
}

json::object to_json(const ledger::RunData& run, const ledger::MarkRecord& mark) {
    json::object object;
    put_text(object, "path", mark.of_run ? "" : mark.path, "it is the run's, not a step's");
    put(object, "at_second", seconds(mark.at), "");
    put(object, "second", run_second(run, mark.time), "the run has not started");
    put(object, "voltage_volt", mark.mean, "");
    put(object, "voltage_deviation_volt", mark.deviation, "");
    put(object, "temperature_celsius", mark.temperature, "no good reading of it");
    object["readings"] = mark.readings;
    return object;
}

json::object to_json(const ledger::OperatorAction& note) {
    return {{"text", note.detail}, {"utc", print_utc(note.utc)}, {"who", note.who}};
}

json::object to_json(const ledger::MoveRecord& move) {
    return {{"from", move.from}, {"to", move.to}, {"utc", print_utc(move.utc)}};
}

json::object to_json(const GapFact& gap) {
    json::object object;
    put(object, "second", gap.second, "");
    put(object, "duration_second", gap.length, "");
    put_text(object, "path", gap.path, "the record does not tell the step");
    return object;
}

template <class Items>
json::array array_of(const Items& items) {
    json::array array;
    for (const auto& item : items) {
        array.push_back(to_json(item));
    }
    return array;
}

json::object heading(const ledger::RunData& run) {
    const ledger::RunHeader& header = run.header;
    const ledger::RunStatus& status = run.status;
    json::object object;
    object["slowfilm"] = SLOWFILM_VERSION;
    object["kind"] = "summary";
    object["run"] = header.run;
    object["cell"] = header.cell;
    object["channel"] = header.channel;
    put_run(object, "tray", header.tray == 0 ? std::nullopt : std::optional{header.tray}, "it was started alone");
    object["tray_name"] = header.tray_name;
    object["rehearsal"] = header.rehearsal;
    object["capacity_ah"] = ampere_hours(header.capacity);
    object["protocol"] = json::object{{"title", header.protocol_title}, {"sha256", header.protocol_sha256}};
    object["state"] = std::string{ledger::word_of(status.state)};
    put_text(object, "needs", status.needs, "nothing is needed from a person");
    put_utc(object, "started", status.started_utc, "the run has not started");
    put_utc(object, "ended", status.ended_utc, "the run has not ended");
    put(object, "duration_second", duration_second(run), "the run has not started");
    put(object, "waiting_second", waiting_second(run), "the run has not started");
    return object;
}

}  // namespace

json::object to_json(const ledger::HandReading& reading) {
    json::object object;
    object["name"] = reading.name;
    put(object, "value", reading.value, "it is a word or a time");
    object["unit"] = reading.unit;
    object["text"] = reading.text;
    put_run(object, "run", reading.run, "it was not asked for by a step");
    object["path"] = reading.path;
    object["utc"] = print_utc(reading.utc);
    object["who"] = reading.who;
    return object;
}

json::object to_json(const Figure& figure) {
    json::object object;
    put(object, "value", figure.value, figure.reason);
    put(object, "uncertainty", figure.uncertainty, figure.uncertainty_reason);
    object["unit"] = figure.unit;
    if (figure.uncertainty) {
        object["uncertainty_means"] = figure.uncertainty_means;
    }
    if (figure.cycle) {
        object["cycle"] = *figure.cycle;
    }
    return object;
}

json::value to_json(const Summary& summary) {
    json::object object = heading(summary.run);
    json::array steps;
    for (const ledger::VisitRecord& visit : summary.run.visits) {
        steps.push_back(to_json(summary.run, visit));
    }
    object["steps"] = std::move(steps);
    json::array repeats;
    for (const std::string& sentence : repeats_of(summary.run)) {
        repeats.emplace_back(sentence);
    }
    object["repeats"] = std::move(repeats);
    object["cycles"] = array_of(summary.cycles);
    json::object figures;
    for (const Figure& figure : summary.figures) {
        figures[figure.name] = to_json(figure);
    }
    object["figures"] = std::move(figures);
    json::array marks;
    for (const ledger::MarkRecord& mark : summary.run.marks) {
        marks.push_back(to_json(summary.run, mark));
    }
    object["marks"] = std::move(marks);
    json::array entered;
    for (const ledger::HandReading& reading : summary.run.entered) {
        entered.push_back(to_json(reading));
    }
    object["entered"] = std::move(entered);
    object["notes"] = array_of(notes_of(summary.run));
    object["moves"] = array_of(summary.run.moves);
    put(object, "bad_readings", bad_readings_of(summary.run), "the run's margins are not recorded yet");
    object["guards"] = array_of(summary.run.margins.rows);
    object["trips"] = array_of(trips_of(summary));
    object["gaps"] = array_of(gaps_of(summary));
    json::array reasons;
    for (const std::string& reason : summary.verdict.reasons) {
        reasons.push_back(json::value(reason));
    }
    object["verdict"] = json::object{{"grade", summary.verdict.grade}, {"reasons", std::move(reasons)}};
    return object;
}

}  // namespace slowfilm::results
