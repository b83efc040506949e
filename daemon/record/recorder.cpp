#include "daemon/record/record.hpp"

#include <array>
#include <string_view>
#include <utility>

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

constexpr std::string_view acknowledged_needs =
    "the trip is acknowledged; the cell stays quarantined: take it off the channel, then remove";

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
    acknowledged_ = status.state == RunState::tripped && std::string_view{status.needs}.ends_with(acknowledged_needs);
}

std::string Recorder::needs(const engine::Run& run) const {
    return acknowledged(run) ? led_by_stuck(run, std::string{acknowledged_needs}) : record::needs(*plan_, run);
}

std::optional<ledger::SampleRecord> Recorder::sample_record(const Input& input, const engine::VisitTotals& totals,
                                                            bool begun, std::int64_t utc) {
    // A tick or a command may ask to keep what a sample has already left here, or what was before this daemon.
    if (seen_.sequence == 0 || seen_.sequence == kept_) {
        return std::nullopt;
    }
    ledger::SampleRecord record;
    record.run = number_;
    record.sequence = seen_.sequence;
    record.visit = totals.visit;
    record.cycle = totals.cycle;
    record.path = plan_->labels[totals.step].path;
    // Before the first step there is no visit to count from.
    record.step_time = begun && seen_.time > totals.started ? seen_.time - totals.started : Duration{};
    record.sample = seen_.sample;
    record.charge_in_ah = charge_in_ah_ + ampere_hours(totals.charge_in.whole);
    record.charge_out_ah = charge_out_ah_ + ampere_hours(totals.charge_out.whole);
    record.energy_in_wh = energy_in_wh_ + totals.energy_in / joule_per_watt_hour;
    record.energy_out_wh = energy_out_wh_ + totals.energy_out / joule_per_watt_hour;
    record.time = seen_.time;
    record.utc = utc - (input.time - seen_.time).count;
    kept_ = seen_.sequence;
    return record;
}

void Recorder::took(const engine::Run& run, const Input& input, const engine::Decision& decision, std::int64_t utc,
                    const Put& put) {
    saw(input);
    const std::array<const engine::VisitTotals*, 2> ended = ended_visits(run, decision);
    const engine::VisitTotals& totals = ended[0] != nullptr ? *ended[0] : run.totals;
    if (decision.keep) {
        if (auto sample = sample_record(input, totals, run.begun, utc)) {
            put(std::move(*sample));
        }
    }
    if (decision.mark) {
        put(mark_record(number_, *plan_, totals, run.last_mark));
    }
    for (const engine::VisitTotals* of : ended) {
        if (of == nullptr) {
            continue;
        }
        ledger::VisitRecord visit = visit_record(number_, *plan_, *of);
        charge_in_ah_ += visit.charge_in_ah;
        charge_out_ah_ += visit.charge_out_ah;
        energy_in_wh_ += visit.energy_in_wh;
        energy_out_wh_ += visit.energy_out_wh;
        put(std::move(visit));
    }
    for (const Event& event : decision.all_events()) {
        ledger::EventRecord record = event_record(number_, *plan_, input.sequence, event, utc);
        const bool tripped = event.kind == EventKind::tripped;
        const bool fires = tripped || event.kind == EventKind::idle_alarm;
        const bool of_cell = fires && guard_row(static_cast<GuardId>(event.code)).trip_class == TripClass::cell;
        if (of_cell && run.history.quarantined && quarantine_.empty()) {
            quarantine_ = record.text;
        }
        // What a cell shows after its run is no new trip to acknowledge.
        acknowledged_ = event.kind == EventKind::acknowledged || (acknowledged_ && !tripped);
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
    std::string now_needs = needs(run);
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
    status.needs = needs(run);
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
