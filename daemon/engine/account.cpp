// Time, charge, energy and what is remembered of the cell.
#include "daemon/engine/machine.hpp"

#include <algorithm>
#include <limits>

namespace slowfilm::engine {

namespace {

using namespace literals;

constexpr Voltage leap = 50_mV;  // from one reading to the next; common practice

// Joule; SI doubles, with + and * only, so that every processor gets the same bits.
double energy_of(Voltage first_v, Current first_i, Voltage second_v, Current second_i, Duration span) {
    constexpr double joule_per_count = 1e-9 * 1e-9 * 1e-6 * 0.5;
    const double first = static_cast<double>(first_v.count) * static_cast<double>(first_i.count);
    const double second = static_cast<double>(second_v.count) * static_cast<double>(second_i.count);
    return (first + second) * static_cast<double>(span.count) * joule_per_count;
}

template <class Q>
bool changed_by(const Reading<Q>& now, const Reading<Q>& before, const Maybe<Q>& step) {
    if (!step.set || !now.good()) {
        return false;
    }
    return !before.good() || magnitude(now.value - before.value) >= step.value;
}

}  // namespace

void Machine::count_time(Duration span) {
    // No interval longer than what counts as stale is taken for time under watch.
    const Duration watched = std::min(span, plan_.stale_voltage);
    bool counts = false;
    switch (run_.state) {
        case RunState::forming: counts = run_.in_visit && run_.taken; break;
        case RunState::resting:
            if (run_.gathering) {
                run_.aside += span;  // for the others of the tray, and the people they may wait for
                return;
            }
            counts = run_.in_visit && run_.opening.verified;
            break;
        case RunState::asking:
            run_.visit_time += span;
            run_.aside += span;
            return;
        case RunState::checking:
        case RunState::paused:
        case RunState::waiting:
        case RunState::tripped: run_.aside += span; return;
        case RunState::planned:
        case RunState::stopped:
        case RunState::done: return;
    }
    if (!counts) {
        return;
    }
    if (run_.shape.rest_left.count > 0) {  // the rest that a pulse must have again is none of its own time
        run_.shape.rest_left = std::max(run_.shape.rest_left - watched, Duration{});
        return;
    }
    run_.visit_time += watched;
    run_.shape.done += watched;
    for (std::size_t i = 0; i < plan_.steps[run_.step].depth; ++i) {
        run_.repeat_time[i] += watched;
    }
}

void Machine::integrate(const Reading<Current>& current) {
    if (!current.good() || run_.state == RunState::planned || current.time <= run_.charge_mark) {
        return;
    }
    const Current leakage{plan_.guards[static_cast<std::size_t>(GuardId::leakage)].trip};
    if (is_open(run_.demand) && run_.opening.verified && magnitude(current.value) <= leakage) {
        run_.charge_mark = current.time;
        run_.charge_last = current.value;
        run_.charge_running = false;
        return;
    }
    const Duration span = current.time - run_.charge_mark;
    if (run_.charge_running && span <= plan_.stale_current) {
        const Current first = run_.charge_edge ? current.value : run_.charge_last;
        add_charge(first, current.value, span, run_.last.voltage.value);
    } else if (run_.charge_running) {
        note_unseen(std::max(magnitude(run_.charge_last), magnitude(current.value)), span);
    }
    run_.charge_mark = current.time;
    run_.charge_last = current.value;
    run_.charge_running = true;
    run_.charge_edge = false;
}

// What may have flowed while nobody looked. It saturates: a weekend at 28 A must not come out as a negative charge.
void Machine::note_unseen(Current level, Duration span) {
    constexpr Charge most{std::numeric_limits<std::int64_t>::max() / 4};
    __extension__ using Wide = __int128;
    constexpr Wide femto_per_pico = 1000;
    const Wide moved = static_cast<Wide>(level.count) * span.count / femto_per_pico;
    const Charge unseen = moved > most.count ? most : Charge{static_cast<std::int64_t>(moved)};
    CellHistory& cell = run_.history;
    for (Charge* account : {&run_.uncertain, &run_.uncertain_visit, &cell.leg_unseen, &cell.net_unseen}) {
        *account = std::min(*account + unseen, most);
    }
}

void Machine::add_charge(Current first, Current second, Duration span, Voltage voltage) {
    const std::int64_t twice = first.count + second.count;
    const Charge net_before = run_.net.whole;
    run_.net.add(first, second, span);
    run_.history.net += run_.net.whole - net_before;
    const double energy = energy_of(voltage, first, voltage, second, span);
    if (twice >= 0) {
        run_.totals.charge_in.add(first, second, span);
        run_.totals.energy_in += energy;
        run_.leg_rest.add(first, second, span);
        run_.history.leg += run_.leg_rest.whole;
        run_.leg_rest.whole = Charge{};
        run_.discharged.add(-first, -second, span);
        if (run_.discharged.whole.count < 0) {
            run_.discharged = ChargeCount{};
        }
        return;
    }
    run_.totals.charge_out.add(-first, -second, span);
    run_.totals.energy_out -= energy;
    run_.discharged.add(-first, -second, span);
    if (run_.discharged.whole > plan_.capacity / 10) {
        run_.discharged = ChargeCount{.whole = plan_.capacity / 10};  // or its surplus would end the next leg as well
        run_.history.first_leg_over = true;
        run_.history.leg = Charge{};
        run_.history.leg_unseen = Charge{};
        run_.leg_rest = ChargeCount{};
    }
}

// A spurious reading must not arm a guard or pass a gate: the lower of two readings in a row counts.
void Machine::note_cell(const Reading<Voltage>& voltage) {
    const bool watched = run_.state == RunState::forming || run_.state == RunState::resting;
    if (!watched || !voltage.good() || !run_.last.voltage.good()) {
        return;
    }
    const Voltage seen = std::min(voltage.value, run_.last.voltage.value);
    CellHistory& history = run_.history;
    history.known = true;
    history.highest = std::max(history.highest, seen);
    history.armed = history.armed || seen >= plan_.armed_above;
    if (seen >= plan_.formed_above) {
        history.furthest = CellState::formed;
    } else if (seen >= tapped_from && history.furthest == CellState::pristine) {
        history.furthest = CellState::tapped;
    }
}

// What the cell is told by once it has been out of sight. A reading that leaps, or stands while a guard is out of its
// limit, may be a lead that has let go: the last one before it counts.
void Machine::note_same_cell(const Sample& sample) {
    const Reading<Voltage>& voltage = sample.voltage;
    SameCell& cell = run_.same_cell;
    if (run_.state == RunState::paused || run_.state == RunState::waiting) {
        run_.in_hand = run_.in_hand || voltage.quality == Quality::bad ||
                       (voltage.good() && !may_be_same_cell(plan_, run_, voltage.value));
        return;
    }
    const bool watched = run_.state == RunState::forming || run_.state == RunState::resting;
    if (!watched || !voltage.good() || !run_.last.voltage.good() || run_.guards.out != 0 ||
        magnitude(voltage.value - run_.last.voltage.value) > leap) {
        return;
    }
    const Reading<Current>& current = newest(sample.current, run_.last.current);
    const Current leakage{plan_.guards[index_of(GuardId::leakage)].trip};
    const bool flows = !is_open(run_.demand) && current.good() && magnitude(current.value) > leakage;
    cell.voltage = voltage.value;
    cell.current = flows ? current.value : Current{};
    cell.known = true;
    cell.discharged = flows ? current.value.count < 0 : cell.discharged;
}

void Machine::note_totals(const Sample& sample) {
    VisitTotals& totals = run_.totals;
    if (!run_.in_visit) {
        return;
    }
    if (sample.voltage.good()) {
        if (!totals.voltage_seen) {
            totals.voltage_start = sample.voltage.value;
        }
        totals.voltage_seen = true;
        totals.voltage_end = sample.voltage.value;
    }
    if (sample.current.good()) {
        totals.current_end = sample.current.value;
    }
    if (sample.temperature.good()) {
        totals.temperature_max = totals.temperature_seen ? std::max(totals.temperature_max, sample.temperature.value)
                                                         : sample.temperature.value;
        totals.temperature_seen = true;
    }
}

void Machine::judge_keep(const Sample& sample) {
    if (run_.state == RunState::planned || is_over(run_)) {
        return;
    }
    const std::int16_t own = run_.underway ? plan_.steps[run_.step].keep : std::int16_t{-1};
    const KeepPlan& keep = own < 0 ? plan_.keep : plan_.step_keeps[static_cast<std::size_t>(own)];
    const bool due = !run_.kept_any || now_ - run_.kept_at >= keep.every ||
                     changed_by(sample.voltage, run_.kept.voltage, keep.voltage) ||
                     changed_by(sample.current, run_.kept.current, keep.current);
    bool warmer = false;
    if (keep.temperature.set && sample.temperature.good()) {
        const std::int64_t change = sample.temperature.value.count - run_.kept.temperature.value.count;
        warmer = !run_.kept.temperature.good() || (change < 0 ? -change : change) >= keep.temperature.value.count;
    }
    if (!due && !warmer && !decision_.keep) {
        return;
    }
    decision_.keep = true;
    run_.kept = sample;
    run_.kept_at = now_;
    run_.kept_any = true;
}

}  // namespace slowfilm::engine
