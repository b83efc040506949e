#include "daemon/record/record.hpp"

#include <array>
#include <utility>
#include <variant>

namespace slowfilm::record {

namespace {

constexpr double joule_per_watt_hour = 3600.0;

// The visits that a decision ended, the earlier first: none, one, or two where the next step's end was already so.
std::array<const engine::VisitTotals*, 2> ended_visits(const engine::Run& run, const engine::Decision& decision) {
    std::array<const engine::VisitTotals*, 2> ended{};
    std::size_t count = 0;
    for (const Event& event : decision.all_events()) {
        if (event.kind != EventKind::step_ended || count == ended.size()) {
            continue;
        }
        if (event.visit == run.last_visit.visit) {
            ended[count++] = &run.last_visit;
        } else if (event.visit == run.visit_before_last.visit) {
            ended[count++] = &run.visit_before_last;
        }
    }
    return ended;
}

// When the newest reading of a sample was taken.
Time time_of(const Sample& sample, Time otherwise) {
    if (sample.voltage.quality != Quality::absent) {
        return sample.voltage.time;
    }
    if (sample.current.quality != Quality::absent) {
        return sample.current.time;
    }
    if (sample.temperature.quality != Quality::absent) {
        return sample.temperature.time;
    }
    return otherwise;
}

}  // namespace

Recorder::Recorder(const engine::Plan& plan, ledger::RunNumber number, std::string cell)
    : plan_{&plan}, number_{number}, cell_{std::move(cell)} {}

void Recorder::resume_from(std::span<const ledger::VisitRecord> visits, const ledger::RunStatus& status) {
    charge_in_ah_ = charge_out_ah_ = energy_in_wh_ = energy_out_wh_ = 0.0;
    for (const ledger::VisitRecord& visit : visits) {
        charge_in_ah_ += visit.charge_in_ah;
        charge_out_ah_ += visit.charge_out_ah;
        energy_in_wh_ += visit.energy_in_wh;
        energy_out_wh_ += visit.energy_out_wh;
    }
    started_utc_ = status.started_utc;
    ended_utc_ = status.ended_utc;
    ended_ = status.ended;
    state_ = status.state;
    wait_ = status.wait;
    needs_ = status.needs;
}

std::optional<ledger::SampleRecord> Recorder::sample_record(const engine::Run& run, const Input& input,
                                                            const engine::VisitTotals& totals, std::int64_t utc) {
    const Sample* fresh = std::get_if<Sample>(&input.body);
    const Sample& sample = fresh != nullptr ? *fresh : run.last;
    const Time at = fresh != nullptr ? input.time : time_of(run.last, input.time);
    // A tick may ask to keep what a sample has already left here.
    if (fresh == nullptr && at <= kept_to_) {
        return std::nullopt;
    }
    ledger::SampleRecord record;
    record.run = number_;
    record.sequence = input.sequence;
    record.visit = totals.visit;
    record.cycle = totals.cycle;
    record.path = plan_->labels[totals.step].path;
    record.step_time = at > totals.started ? at - totals.started : Duration{};
    record.sample = sample;
    record.charge_in_ah = charge_in_ah_ + ampere_hours(totals.charge_in.whole);
    record.charge_out_ah = charge_out_ah_ + ampere_hours(totals.charge_out.whole);
    record.energy_in_wh = energy_in_wh_ + totals.energy_in / joule_per_watt_hour;
    record.energy_out_wh = energy_out_wh_ + totals.energy_out / joule_per_watt_hour;
    record.time = at;
    record.utc = utc - (input.time - at).count;
    kept_to_ = at;
    return record;
}

void Recorder::took(const engine::Run& run, const Input& input, const engine::Decision& decision, std::int64_t utc,
                    const Put& put) {
    const std::array<const engine::VisitTotals*, 2> ended = ended_visits(run, decision);
    if (decision.keep) {
        if (auto sample = sample_record(run, input, ended[0] != nullptr ? *ended[0] : run.totals, utc)) {
            put(std::move(*sample));
        }
    }
    for (const engine::VisitTotals* totals : ended) {
        if (totals == nullptr) {
            continue;
        }
        ledger::VisitRecord visit = visit_record(number_, *plan_, *totals);
        charge_in_ah_ += visit.charge_in_ah;
        charge_out_ah_ += visit.charge_out_ah;
        energy_in_wh_ += visit.energy_in_wh;
        energy_out_wh_ += visit.energy_out_wh;
        put(std::move(visit));
    }
    for (const Event& event : decision.all_events()) {
        ledger::EventRecord record = event_record(number_, *plan_, input.sequence, event, utc);
        if (event.kind == EventKind::tripped && run.trip_class == TripClass::cell) {
            quarantine_ = record.text;
        }
        put(std::move(record));
    }
    note_state(run, utc, put);
}

void Recorder::note_state(const engine::Run& run, std::int64_t utc, const Put& put) {
    if (!started_utc_ && run.state != RunState::planned) {
        started_utc_ = utc;
    }
    if (!ended_utc_ && engine::is_over(run)) {
        ended_utc_ = utc;
        ended_ = run.now;
    }
    std::string now_needs = needs(*plan_, run);
    if (run.state != state_ || run.wait != wait_ || now_needs != needs_) {
        state_ = run.state;
        wait_ = run.wait;
        needs_ = std::move(now_needs);
        put(status(run));
    }
    if (const CellHistory& history = engine::cell_history(run); !history_known_ || history != history_) {
        history_ = history;
        history_known_ = true;
        put(cell(run, utc));
    }
}

ledger::RunStatus Recorder::status(const engine::Run& run) const {
    ledger::RunStatus status;
    status.run = number_;
    status.state = run.state;
    status.wait = run.wait;
    status.needs = needs(*plan_, run);
    status.started_utc = started_utc_;
    status.ended_utc = ended_utc_;
    status.started = run.started;
    status.ended = ended_utc_ ? ended_ : run.now;
    return status;
}

ledger::CellRecord Recorder::cell(const engine::Run& run, std::int64_t utc) const {
    ledger::CellRecord record;
    record.id = cell_;
    record.history = engine::cell_history(run);
    if (record.history.quarantined) {
        record.quarantine =
            !quarantine_.empty() ? quarantine_ : "tripped by " + std::string{guard_row(run.tripped_by).name};
    }
    record.updated_utc = utc;
    return record;
}

}  // namespace slowfilm::record
