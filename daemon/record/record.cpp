#include "daemon/record/record.hpp"

#include "daemon/core/json.hpp"
#include "daemon/core/text.hpp"
#include "daemon/core/unit.hpp"
#include "daemon/engine/describe.hpp"
#include "daemon/protocol/guard_table.hpp"

#include <boost/json/array.hpp>
#include <boost/json/object.hpp>
#include <limits>
#include <string_view>
#include <utility>
#include <variant>

namespace slowfilm::record {

namespace {

constexpr double joule_per_watt_hour = 3600.0;

constexpr std::int64_t no_lower = std::numeric_limits<std::int64_t>::min();

// These are judged against their lower number alone.
bool judged_below(GuardId id) {
    return id == GuardId::reversed || id == GuardId::low_voltage || id == GuardId::discharge_floor ||
           id == GuardId::under_temperature;
}

bool judged_within(GuardId id) {
    return id == GuardId::charge_temperature || id == GuardId::discharge_temperature;
}

std::string_view origin_name(engine::Origin origin) {
    switch (origin) {
        case engine::Origin::by_default: return "default";
        case engine::Origin::written: return "written";
        case engine::Origin::off: return "off";
    }
    return "off";
}

// The limit that `value` is nearer to, where a guard has two.
std::int64_t limit_near(GuardId id, const engine::GuardSetting& setting, std::int64_t value) {
    if (judged_below(id)) {
        return setting.low;
    }
    if (judged_within(id) && setting.low != no_lower && value - setting.low < setting.trip - value) {
        return setting.low;
    }
    return setting.trip;
}

// Guards whose row in the plan holds no single number to trip at: what they compare with changes as the run goes on.
bool has_one_limit(GuardId id) {
    switch (id) {
        case GuardId::current_lost:
        case GuardId::climb:
        case GuardId::not_plausible:
        case GuardId::bench_cap:
        case GuardId::channel_fault:
        case GuardId::group:
        case GuardId::record_lost:
        case GuardId::charge_leg:
        case GuardId::stale: return false;
        case GuardId::over_voltage:
        case GuardId::reversed:
        case GuardId::low_voltage:
        case GuardId::voltage_fall:
        case GuardId::discharge_floor:
        case GuardId::over_current:
        case GuardId::current_error:
        case GuardId::leakage:
        case GuardId::hold_error:
        case GuardId::voltage_jump:
        case GuardId::lead_drop:
        case GuardId::stuck:
        case GuardId::over_temperature:
        case GuardId::under_temperature:
        case GuardId::charge_temperature:
        case GuardId::discharge_temperature:
        case GuardId::temperature_rise:
        case GuardId::above_ambient:
        case GuardId::charge_net:
        case GuardId::run_time: return true;
    }
    return false;
}

std::optional<std::int64_t> limit_of(const engine::Plan& plan, GuardId id, const engine::GuardFill& fill) {
    if (id == GuardId::charge_leg) {  // the first leg's bound or a later one's, whichever came nearest
        return fill.closest_known() ? fill.closest + fill.margin : plan.leg_max_first.count;
    }
    if (!has_one_limit(id)) {
        return std::nullopt;
    }
    const engine::GuardSetting& setting = plan.guards[static_cast<std::size_t>(id)];
    return limit_near(id, setting, fill.closest_known() ? fill.closest : setting.trip);
}

boost::json::object effective_guard(const engine::Plan& plan, const GuardRow& row) {
    const engine::GuardSetting& setting = plan.guards[static_cast<std::size_t>(row.id)];
    const Unit unit = unit_of(row.dimension);
    boost::json::object guard;
    guard["name"] = std::string{row.name};
    guard["unit"] = std::string{unit.name};
    guard["origin"] = std::string{origin_name(setting.origin)};
    if (setting.origin == engine::Origin::off) {
        return guard;
    }
    if (row.id == GuardId::charge_leg) {
        guard["trip_first"] = ampere_hours(plan.leg_max_first);
        guard["trip_later"] = ampere_hours(plan.leg_max_later);
        return guard;
    }
    if (row.id == GuardId::stale) {
        guard["voltage_second"] = seconds(plan.stale_voltage);
        guard["current_second"] = seconds(plan.stale_current);
        guard["temperature_second"] = seconds(plan.stale_temperature);
        return guard;
    }
    if (has_one_limit(row.id)) {
        if (judged_within(row.id)) {
            guard["min"] = unit.of(setting.low);
            guard["max"] = unit.of(setting.trip);
        } else {
            guard["trip"] = unit.of(judged_below(row.id) ? setting.low : setting.trip);
        }
        if (setting.has_warn) {
            guard["warn"] = unit.of(setting.warn);
        }
        guard["warn_only"] = setting.warn_only;
        guard["persistence_second"] = seconds(setting.persistence);
    }
    return guard;
}

// For people who open the ledger with a database browser: what the guards really were, whatever the protocol left
// unsaid.
std::string effective_text(const engine::Plan& plan) {
    boost::json::array guards;
    for (const GuardRow& row : guard_table()) {
        guards.push_back(effective_guard(plan, row));
    }
    boost::json::object effective;
    effective["capacity_ah"] = ampere_hours(plan.capacity);
    effective["guards"] = std::move(guards);
    if (!plan.climb.empty()) {
        boost::json::array climb;
        for (const engine::ClimbGate& gate : plan.climb) {
            climb.push_back(boost::json::object{{"by_ah", ampere_hours(gate.by)}, {"above_volt", volts(gate.above)}});
        }
        effective["climb"] = std::move(climb);
    }
    return to_json_text(effective);
}

}  // namespace

ledger::RunHeader header(const protocol::Protocol& protocol, const std::string& text, const engine::Plan& plan,
                         const CellHistory& history, const RunIdentity& identity) {
    ledger::RunHeader header;
    header.run = identity.run;
    header.cell = identity.cell;
    header.channel = identity.channel;
    header.tray = identity.tray;
    header.tray_name = identity.tray_name;
    header.protocol_title = protocol.title;
    header.protocol_text = text;
    header.protocol_sha256 = sha256_hex(text);
    header.capacity = plan.capacity;
    header.traits = plan.traits;
    header.caps = plan.caps;
    header.history = history;
    header.effective = effective_text(plan);
    header.software = SLOWFILM_VERSION;
    header.boot_id = identity.boot_id;
    header.rehearsal = identity.rehearsal;
    header.created = identity.created;
    header.created_utc = identity.created_utc;
    return header;
}

namespace {

std::string needs_of_waiting(const engine::Run& run) {
    switch (run.wait) {
        case WaitReason::none: return "look at the cell, then resume or stop";
        case WaitReason::overrun:
            return "a step reached its at_most; look at the cell, then resume to begin the next step (an ask asks "
                   "again), or stop";
        case WaitReason::gap: return "nobody watched the cell for a while; look at it, then resume --cell ID or stop";
        case WaitReason::record_lost:
            return "the ledger could take no more; make room on its disk, then resume or stop";
        case WaitReason::acknowledged:
            return "the trip is acknowledged; see that its cause is gone, then resume --cell ID or stop";
        case WaitReason::connection:
            return "a connection check failed; look at leads, polarity and cell, then resume --cell ID or stop";
        case WaitReason::restart:
            return "the daemon was restarted during this run; look at the cell, then resume --cell ID or stop";
        case WaitReason::already_so_twice:
            return "a step in a repeat found its end already true twice running; look at the protocol, then resume or "
                   "stop";
        case WaitReason::not_good_end:
            return "a step ended, but not by its good_end; look at the cell, then resume to begin the next step, or "
                   "stop";
        case WaitReason::no_figure:
            return "only_if asks for a figure that is not defined; resume passes over its step, stop ends the run";
        case WaitReason::not_measured:
            return "a step is a share of the measured capacity, and none is known of this cell; stop, and run a "
                   "protocol that measures it";
        case WaitReason::moved:
            return "the run was put on this channel; see that its cell is here, then resume --cell ID or stop";
    }
    return "";
}

// A run that ended without anyone's asking says why.
std::string needs_of_stopped(const engine::Run& run) {
    switch (run.wait) {
        case WaitReason::overrun:
            return "a step reached its at_most and the run was stopped; look at the cell and the protocol, then remove";
        case WaitReason::already_so_twice:
            return "a step in a repeat found its end already true twice running and the run was stopped; look at the "
                   "protocol, then remove";
        case WaitReason::not_good_end:
            return "a step ended, but not by its good_end, and the run was stopped; look at the cell, then remove";
        case WaitReason::none:
        case WaitReason::no_figure:
        case WaitReason::not_measured:
        case WaitReason::moved:
        case WaitReason::gap:
        case WaitReason::record_lost:
        case WaitReason::acknowledged:
        case WaitReason::connection:
        case WaitReason::restart: return "";
    }
    return "";
}

std::string needs_of_state(const engine::Plan& plan, const engine::Run& run) {
    switch (run.state) {
        case RunState::asking: {
            const std::string& prompt = plan.labels[run.step].prompt;
            return prompt.empty() ? "confirm with the cell's ID" : prompt;
        }
        case RunState::waiting: return needs_of_waiting(run);
        case RunState::tripped:
            return run.trip_class == TripClass::cell ? "the cell is quarantined: take it off the channel, then remove"
                                                     : "find the cause, then acknowledge with a reason";
        case RunState::stopped: return needs_of_stopped(run);
        case RunState::planned:
        case RunState::checking:
        case RunState::forming:
        case RunState::resting:
        case RunState::paused:
        case RunState::done: return "";
    }
    return "";
}

}  // namespace

std::string led_by_stuck(const engine::Run& run, std::string needs) {
    if (!engine::is_stuck(run)) {
        return needs;
    }
    const std::string first = "open this channel by hand now: its output was asked to open and is not seen open";
    return needs.empty() ? first : first + "; then: " + needs;
}

std::string needs(const engine::Plan& plan, const engine::Run& run) {
    return led_by_stuck(run, needs_of_state(plan, run));
}

std::string pass_text(std::span<const std::uint32_t> pass) {
    std::string text;
    for (const std::uint32_t count : pass) {
        if (count == 0) {
            break;
        }
        if (!text.empty()) {
            text += '.';
        }
        text += std::to_string(count);
    }
    return text;
}

ledger::VisitRecord visit_record(ledger::RunNumber number, const engine::Plan& plan,
                                 const engine::VisitTotals& totals) {
    const engine::StepLabel& label = plan.labels[totals.step];
    ledger::VisitRecord visit;
    visit.run = number;
    visit.visit = totals.visit;
    visit.path = label.path;
    visit.name = label.name;
    visit.pass = pass_text(totals.pass);
    visit.kind = engine::name(plan.steps[totals.step].kind);
    visit.cycle = totals.cycle;
    visit.ends_cycle = totals.ends_cycle;
    visit.started = totals.started;
    visit.ended = totals.ended;
    visit.charge_in_ah = ampere_hours(totals.charge_in.whole);
    visit.charge_out_ah = ampere_hours(totals.charge_out.whole);
    visit.energy_in_wh = totals.energy_in / joule_per_watt_hour;
    visit.energy_out_wh = totals.energy_out / joule_per_watt_hour;
    visit.net_at_start_ah = ampere_hours(totals.net_at_start);
    if (totals.voltage_seen) {
        visit.voltage_start = volts(totals.voltage_start);
        visit.voltage_end = volts(totals.voltage_end);
        visit.current_end = amperes(totals.current_end);
    }
    if (totals.temperature_seen) {
        visit.temperature_max = celsius(totals.temperature_max);
    }
    visit.ended_by = engine::name(totals.ended_by);
    if (plan.steps[totals.step].kind == engine::StepKind::pulse) {
        visit.no_resistance = name(totals.no_resistance);
        if (visit.no_resistance.empty()) {
            visit.resistance = unit_of(Dimension::resistance).of(totals.resistance.count);
        }
    }
    return visit;
}

std::string_view name(engine::NoResistance reason) {
    switch (reason) {
        case engine::NoResistance::none: return "";
        case engine::NoResistance::not_a_pulse: return "not through";
        case engine::NoResistance::window_reached: return "window reached";
        case engine::NoResistance::level_time: return "level time";
        case engine::NoResistance::no_reading: return "no reading";
        case engine::NoResistance::no_change: return "no change";
    }
    return "";
}

ledger::MarkRecord mark_record(ledger::RunNumber number, const engine::Plan& plan, const engine::VisitTotals& totals,
                               const engine::Mark& mark) {
    ledger::MarkRecord record;
    record.run = number;
    record.visit = totals.visit;
    record.path = plan.labels[totals.step].path;
    record.of_run = mark.of_run;
    record.at = mark.at;
    record.time = mark.time;
    record.mean = volts(mark.mean);
    record.deviation = volts(mark.deviation);
    if (mark.temperature_seen) {
        record.temperature = celsius(mark.temperature);
    }
    record.readings = mark.readings;
    return record;
}

ledger::EventRecord event_record(ledger::RunNumber number, const engine::Plan& plan, std::uint64_t sequence,
                                 const Event& event, std::int64_t utc) {
    ledger::EventRecord record;
    record.run = number;
    record.sequence = sequence;
    record.event = event;
    record.kind = engine::name(event.kind);
    record.text = engine::describe(event, plan);
    record.utc = utc;
    return record;
}

ledger::GuardMargins margins(ledger::RunNumber number, const engine::Plan& plan, const engine::Run& run) {
    ledger::GuardMargins margins;
    margins.run = number;
    margins.rows.reserve(guard_count);
    for (const GuardRow& row : guard_table()) {
        const engine::GuardSetting& setting = plan.guards[static_cast<std::size_t>(row.id)];
        if (setting.origin == engine::Origin::off) {
            continue;
        }
        const engine::GuardFill& fill = run.guards.fill[static_cast<std::size_t>(row.id)];
        const Unit unit = unit_of(row.dimension);
        ledger::GuardMargins::Row margin;
        margin.name = row.name;
        margin.unit = unit.name;
        margin.written = setting.origin == engine::Origin::written;
        if (const std::optional<std::int64_t> limit = limit_of(plan, row.id, fill)) {
            margin.trip = unit.of(*limit);
        }
        if (row.id == GuardId::not_plausible) {
            margin.closest = static_cast<double>(run.guards.bad_readings);  // a count: so many rode out
        } else if (fill.closest_known()) {
            margin.closest = unit.of(fill.closest);
            margin.closest_second = seconds(fill.closest_at - run.started);
        }
        margins.rows.push_back(std::move(margin));
    }
    return margins;
}

ledger::Checkpoint checkpoint(ledger::RunNumber number, const engine::Run& run) {
    return {.run = number, .sequence = run.sequence, .state = engine::serialise(run)};
}

std::optional<ledger::TapeChunk> tape_chunk(ledger::RunNumber number, ledger::TapeEncoder& encoder, std::int64_t utc) {
    if (encoder.empty()) {
        return std::nullopt;
    }
    ledger::TapeChunk chunk;
    chunk.run = number;
    chunk.first_sequence = encoder.first_sequence();
    chunk.last_sequence = encoder.last_sequence();
    chunk.bytes = encoder.take();
    chunk.utc = utc;
    return chunk;
}

}  // namespace slowfilm::record
