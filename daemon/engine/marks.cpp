// The means that `keep.at` asks for: of the readings in the span before each of its times.
#include "daemon/engine/machine.hpp"

namespace slowfilm::engine {

namespace {

void gather_up(MarkSum& sum, const Sample& sample) {
    if (sum.readings == 0) {
        sum.first = sample.voltage.value;
    }
    const std::int64_t off = (sample.voltage.value - sum.first).count;
    sum.sum += off;
    sum.squares += static_cast<double>(off) * static_cast<double>(off);
    ++sum.readings;
    if (sample.temperature.good()) {
        sum.temperature_sum += sample.temperature.value.count;
        ++sum.temperatures;
    }
}

// The whole part of a square root, by Newton from above.
std::int64_t root_of(std::int64_t square) {
    std::int64_t root = square;
    for (std::int64_t next = square / 2 + 1; next < root; next = (root + square / root) / 2) {
        root = next;
    }
    return root;
}

Voltage deviation_of(const MarkSum& sum) {
    if (sum.readings < 2) {
        return {};
    }
    const double n = static_cast<double>(sum.readings);
    const double mean = static_cast<double>(sum.sum) / n;
    const double variance = (sum.squares - n * mean * mean) / (n - 1.0);
    constexpr double most = 9e18;  // nV^2, three volts: no mean of a rest varies so
    return Voltage{variance >= 1.0 ? root_of(static_cast<std::int64_t>(variance < most ? variance : most)) : 0};
}

}  // namespace

void Machine::judge_marks(const Sample& sample) {
    const bool live = run_.state == RunState::forming || run_.state == RunState::resting;
    if (!live || !sample.voltage.good()) {
        return;
    }
    if (plan_.keep.mark_count > 0) {
        judge_mark(plan_.keep, run_.run_mark, now_ - run_.started - run_.aside, sample, true);
    }
    const std::int16_t own = run_.underway ? plan_.steps[run_.step].keep : std::int16_t{-1};
    if (own >= 0 && !run_.gathering) {
        judge_mark(plan_.step_keeps[static_cast<std::size_t>(own)], run_.step_mark, run_.visit_time, sample, false);
    }
}

// `age` counts as the mark's time does: since the step's start, or the run's, what nobody watched left out.
void Machine::judge_mark(const KeepPlan& keep, MarkSum& sum, Duration age, const Sample& sample, bool of_run) {
    if (sum.next >= keep.mark_count) {
        return;
    }
    const Duration at = plan_.marks[keep.first_mark + sum.next];
    if (age > at - keep.mean_of || age >= at) {
        gather_up(sum, sample);
    }
    if (age < at) {
        return;
    }
    Mark mark{.time = now_, .at = at, .readings = sum.readings, .of_run = of_run};
    mark.mean = sum.first + Voltage{sum.sum / static_cast<std::int64_t>(sum.readings)};
    mark.deviation = deviation_of(sum);
    mark.temperature_seen = sum.temperatures > 0;
    if (mark.temperature_seen) {
        mark.temperature = Temperature{sum.temperature_sum / static_cast<std::int64_t>(sum.temperatures)};
    }
    if (!of_run) {
        run_.mark_count = sum.next == 0 ? std::uint8_t{0} : run_.mark_count;
        if (run_.mark_count < run_.marks.size()) {
            run_.marks[run_.mark_count++] = mark;
        }
    }
    run_.last_mark = mark;
    const auto next = static_cast<std::uint8_t>(sum.next + 1);
    sum = MarkSum{.next = next};
    emit(EventKind::mark, 0, mark.mean.count, mark.readings);
    decision_.mark = true;
    decision_.keep = true;
    decision_.commit = true;
}

}  // namespace slowfilm::engine
