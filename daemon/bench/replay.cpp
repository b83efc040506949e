#include "daemon/bench/replay.hpp"

#include "daemon/bench/moving.hpp"
#include "daemon/core/text.hpp"
#include "daemon/engine/describe.hpp"
#include "daemon/protocol/check.hpp"
#include "daemon/record/record.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <optional>
#include <utility>
#include <variant>

namespace slowfilm::bench {
namespace {

std::string named(ledger::RunNumber run) {
    return "run " + std::to_string(run);
}

// The same number, or none in both: what is not finite stands in no column.
bool same(double a, double b) {
    return a == b || (!std::isfinite(a) && !std::isfinite(b));
}
bool same(const std::optional<double>& a, const std::optional<double>& b) {
    const double none = std::numeric_limits<double>::quiet_NaN();
    return same(a.value_or(none), b.value_or(none));
}

// The first thing in which two records of a visit differ, "" when they are the same.
std::string_view difference_of(const ledger::VisitRecord& a, const ledger::VisitRecord& b) {
    const std::array<std::pair<std::string_view, bool>, 17> same_things{{
        {"number", a.visit == b.visit},
        {"path", a.path == b.path},
        {"name", a.name == b.name},
        {"pass", a.pass == b.pass},
        {"kind", a.kind == b.kind},
        {"cycle", a.cycle == b.cycle && a.ends_cycle == b.ends_cycle},
        {"time", a.started == b.started && a.ended == b.ended},
        {"charge in", same(a.charge_in_ah, b.charge_in_ah)},
        {"charge out", same(a.charge_out_ah, b.charge_out_ah)},
        {"energy in", same(a.energy_in_wh, b.energy_in_wh)},
        {"energy out", same(a.energy_out_wh, b.energy_out_wh)},
        {"net charge", same(a.net_at_start_ah, b.net_at_start_ah)},
        {"voltage", same(a.voltage_start, b.voltage_start) && same(a.voltage_end, b.voltage_end)},
        {"current", same(a.current_end, b.current_end)},
        {"temperature", same(a.temperature_max, b.temperature_max)},
        {"end", a.ended_by == b.ended_by},
        {"resistance", same(a.resistance, b.resistance) && a.no_resistance == b.no_resistance},
    }};
    const auto differing =
        std::find_if(same_things.begin(), same_things.end(), [](const auto& one) { return !one.second; });
    return differing == same_things.end() ? std::string_view{} : differing->first;
}

// Compares what the fold makes with what was recorded, as it goes.
class Comparison {
  public:
    Comparison(const ledger::RunData& data, std::optional<ledger::Checkpoint> checkpoint, const engine::Plan& plan)
        : data_(data),
          checkpoint_(std::move(checkpoint)),
          plan_(&plan),
          recorder_(plan, data.header.run, data.header.cell) {
        report_.run = data.header.run;
    }

    // The run was moved: what comes is judged by this plan.
    void go_on_with(const engine::Plan& plan) {
        plan_ = &plan;
        recorder_.go_on_with(plan);
    }

    // False once a difference is found.
    [[nodiscard]] bool took(const engine::Run& run, const Input& input, const engine::Decision& decision) {
        ++report_.inputs;
        if (run.sequence != input.sequence) {
            return differ("the tape's input " + std::to_string(input.sequence) + " does not follow input " +
                          std::to_string(run.sequence));
        }
        for (const Event& event : decision.all_events()) {
            if (!compare(input, event)) {
                return false;
            }
        }
        bool agree = true;
        recorder_.saw(input);
        if (!record::Recorder::has_records(decision)) {
            return true;
        }
        recorder_.took(run, input, decision, 0, [&](const ledger::Record& record) {
            if (const auto* visit = std::get_if<ledger::VisitRecord>(&record)) {
                agree = agree && compare(*visit);
            } else if (const auto* mark = std::get_if<ledger::MarkRecord>(&record)) {
                agree = agree && compare(*mark);
            }
        });
        return agree;
    }

    // After each input, once the run stands where it stood then.
    [[nodiscard]] bool stands(const engine::Run& run) {
        if (checkpoint_ && checkpoint_->sequence == run.sequence) {
            report_.checkpoint_compared = true;
            if (engine::serialise(run) != checkpoint_->state) {
                return differ("the state after input " + std::to_string(run.sequence) +
                              " is not the one that the last checkpoint holds");
            }
        }
        return true;
    }

    [[nodiscard]] ReplayReport finish(const engine::Run& run) {
        report_.state = run.state;
        if (report_.difference.empty() && report_.events < data_.events.size()) {
            const ledger::EventRecord& extra = data_.events[report_.events];
            differ("the record has '" + extra.text + "' at input " + std::to_string(extra.sequence) +
                   ", which the replay does not make");
        }
        if (report_.difference.empty() && checkpoint_ && !report_.checkpoint_compared) {
            differ("the last checkpoint stands at input " + std::to_string(checkpoint_->sequence) +
                   ", the tape ends at " + std::to_string(run.sequence));
        }
        if (report_.difference.empty() && visits_ < data_.visits.size()) {
            differ("the record has a visit " + std::to_string(data_.visits[visits_].visit) + " of step " +
                   data_.visits[visits_].path + ", which the replay does not make");
        }
        if (report_.difference.empty() && marks_ < data_.marks.size()) {
            differ("the record has " + name_of(data_.marks[marks_]) + ", which the replay does not make");
        }
        if (report_.difference.empty() && !state_agrees(run)) {
            differ("the replay ends " + std::string(engine::name(run.state)) + ", the record says " +
                   std::string(engine::name(data_.status.state)));
        }
        report_.same = report_.difference.empty();
        return report_;
    }

  private:
    // The daemon itself writes two things over the fold's own state: that a run under way waits since a restart, and
    // that one which could not be restored was stopped by a person's word.
    [[nodiscard]] bool state_agrees(const engine::Run& run) const {
        const ledger::RunStatus& status = data_.status;
        if (status.state == run.state) {
            return true;
        }
        const bool stopped_by_hand = std::any_of(data_.actions.begin(), data_.actions.end(),
                                                 [](const auto& action) { return action.verb == "stop"; });
        return !engine::is_over(run) && ((status.state == RunState::waiting && status.wait == WaitReason::restart) ||
                                         (status.state == RunState::stopped && stopped_by_hand));
    }

    bool compare(const ledger::VisitRecord& visit) {
        const std::string named = "visit " + std::to_string(visit.visit) + " of step " + visit.path;
        if (visits_ >= data_.visits.size()) {
            return differ("the replay makes " + named + ", which is not recorded");
        }
        const std::string_view what = difference_of(visit, data_.visits[visits_]);
        ++visits_;
        return what.empty() || differ("the " + std::string(what) + " of " + named + " is not the one recorded");
    }

    static std::string name_of(const ledger::MarkRecord& mark) {
        return "a mark at " + print_span(mark.at) + " of " + (mark.of_run ? "the run" : "step " + mark.path);
    }

    bool compare(const ledger::MarkRecord& mark) {
        if (marks_ >= data_.marks.size()) {
            return differ("the replay makes " + name_of(mark) + ", which is not recorded");
        }
        const ledger::MarkRecord& recorded = data_.marks[marks_];
        ++marks_;
        const bool agree = mark.visit == recorded.visit && mark.path == recorded.path &&
                           mark.of_run == recorded.of_run && mark.at == recorded.at && mark.time == recorded.time &&
                           same(mark.mean, recorded.mean) && same(mark.deviation, recorded.deviation) &&
                           same(mark.temperature, recorded.temperature) && mark.readings == recorded.readings;
        return agree || differ(name_of(mark) + " is not the one recorded");
    }

    bool differ(std::string sentence) {
        report_.difference = std::move(sentence);
        return false;
    }

    bool compare(const Input& input, const Event& event) {
        const std::string text = engine::describe(event, *plan_);
        if (report_.events >= data_.events.size()) {
            return differ("at input " + std::to_string(input.sequence) + " the replay makes '" + text +
                          "', which is not recorded");
        }
        const ledger::EventRecord& recorded = data_.events[report_.events];
        ++report_.events;
        if (recorded.sequence != input.sequence || recorded.event != event) {
            return differ("at input " + std::to_string(input.sequence) + " the replay makes '" + text +
                          "', the record has '" + recorded.text + "' at input " + std::to_string(recorded.sequence));
        }
        return true;
    }

    const ledger::RunData& data_;
    std::optional<ledger::Checkpoint> checkpoint_;
    const engine::Plan* plan_;
    record::Recorder recorder_;
    std::size_t visits_{0}, marks_{0};  // compared so far
    ReplayReport report_;
};

}  // namespace

Result<ReplayReport> replay(ledger::Reader& reader, ledger::RunNumber number) {
    const Result<ledger::RunData> data = reader.run(number);
    if (!data) {
        return tl::unexpected(data.error());
    }
    const Result<std::vector<Stretch>> stretches = stretches_of(*data);
    if (!stretches) {
        return tl::unexpected(stretches.error());
    }
    Result<std::optional<ledger::Checkpoint>> checkpoint = reader.last_checkpoint(number);
    if (!checkpoint) {
        return tl::unexpected(checkpoint.error());
    }
    if (sha256_hex(data->header.protocol_text) != data->header.protocol_sha256) {
        return fail(Failure::bad_data, "the protocol of " + named(number) +
                                           " is not the text whose SHA-256 is recorded beside it; take the ledger from "
                                           "a good copy");
    }
    engine::Run run = engine::new_run(*stretches->front().plan, data->header.history);
    Stretches on(*stretches, run);
    Comparison comparison(*data, std::move(*checkpoint), on.plan());
    const Result<void> read = reader.tape(number, 0, [&](const Input& input) {
        const engine::Decision decision = engine::advance(on.plan(), run, input);
        if (!comparison.took(run, input, decision)) {
            return false;
        }
        if (on.follow(run)) {
            comparison.go_on_with(on.plan());
        }
        return comparison.stands(run);
    });
    if (!read) {
        return tl::unexpected(read.error());
    }
    return comparison.finish(run);
}

Result<RestoredRun> restore_run(ledger::Reader& reader, const ledger::RunData& data) {
    Result<std::vector<Stretch>> stretches = stretches_of(data);
    if (!stretches) {
        return tl::unexpected(stretches.error());
    }
    RestoredRun restored;
    restored.run = engine::new_run(*stretches->front().plan, data.header.history);
    const Result<std::optional<ledger::Checkpoint>> checkpoint = reader.last_checkpoint(data.header.run);
    if (!checkpoint) {
        return tl::unexpected(checkpoint.error());
    }
    if (*checkpoint) {
        const Result<engine::Run> run = engine::restore((*checkpoint)->state);
        if (!run) {
            return tl::unexpected(run.error());
        }
        restored.run = *run;
        if (restored.run.step >= stretches->front().plan->steps.size()) {
            return fail(Failure::bad_data,
                        "the state of " + named(data.header.run) + " is at a step that its protocol does not have");
        }
    }
    Stretches on(*stretches, restored.run);
    bool gapless = true;
    const Result<void> read = reader.tape(data.header.run, restored.run.sequence, [&](const Input& input) {
        gapless = input.sequence == restored.run.sequence + 1;
        if (gapless) {
            (void)engine::advance(on.plan(), restored.run, input);
            (void)on.follow(restored.run);
        }
        return gapless;
    });
    if (!read) {
        return tl::unexpected(read.error());
    }
    if (!gapless) {
        return fail(Failure::bad_data, "the tape of " + named(data.header.run) + " has a hole after input " +
                                           std::to_string(restored.run.sequence));
    }
    restored.plan = std::move(stretches->back().plan);
    return restored;
}

namespace {

std::string chemistry_of(const ledger::RunHeader& header) {
    const protocol::Checked checked = protocol::check_protocol("the recorded protocol", header.protocol_text);
    return std::string(
        protocol::word(checked.protocol ? checked.protocol->cell.chemistry : protocol::Chemistry::other));
}

}  // namespace

Result<bool> rebuild_simulated_cell(ledger::Reader& reader, const std::string& cell, channel::Channel& channel) {
    const Result<std::vector<ledger::RunLine>> lines = reader.runs();
    if (!lines) {
        return tl::unexpected(lines.error());
    }
    bool loaded = false;
    for (const ledger::RunLine& line : *lines) {
        if (line.cell != cell) {
            continue;
        }
        const Result<ledger::RunData> data = reader.run(line.run);
        if (!data) {
            return tl::unexpected(data.error());
        }
        const ledger::RunHeader& header = data->header;
        if (header.rehearsal) {
            continue;
        }
        Time last = header.created;
        bool begun = false;
        std::optional<Temperature> around;
        const Result<void> read = reader.tape(header.run, 0, [&](const Input& input) {
            if (!begun && !loaded) {
                const Result<std::vector<Stretch>> plans = stretches_of(*data);
                const CellState state = plans ? engine::new_run(*plans->front().plan, header.history).history.furthest
                                              : header.history.furthest;
                channel.load_cell({header.cell, chemistry_of(header), header.capacity, state}, header.created);
                loaded = true;
            }
            begun = true;
            last = input.time;
            const Sample* const sample = std::get_if<Sample>(&input.body);
            if (sample != nullptr && sample->ambient.good()) {
                around = sample->ambient.value;
            }
            if (around) {
                channel.ambient_was(*around, input.time);
            }
            if (const Applied* applied = std::get_if<Applied>(&input.body)) {
                channel.apply(applied->demand, input.time, [](const Result<Demand, FaultKind>&) {});
            } else if (sample != nullptr) {
                channel.sample(input.time, [](const Sample&) {});
            }
            return true;
        });
        if (!read) {
            return tl::unexpected(read.error());
        }
        if (begun) {
            channel.apply(Open{}, last, [](const Result<Demand, FaultKind>&) {});
        }
    }
    return loaded;
}

}  // namespace slowfilm::bench
