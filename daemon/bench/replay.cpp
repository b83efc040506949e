#include "daemon/bench/replay.hpp"

#include "daemon/engine/describe.hpp"
#include "daemon/protocol/check.hpp"
#include "daemon/record/record.hpp"

#include <optional>
#include <utility>
#include <variant>

namespace slowfilm::bench {
namespace {

std::string named(ledger::RunNumber run) {
    return "run " + std::to_string(run);
}

Result<std::unique_ptr<const engine::Plan>> plan_of(const ledger::RunHeader& header) {
    const protocol::Checked checked = protocol::check_protocol("the recorded protocol", header.protocol_text);
    if (!checked.protocol) {
        return fail(Failure::bad_data, "this version cannot read the protocol of " + named(header.run) + ":\n" +
                                           render(checked.diagnostics, header.protocol_text));
    }
    Result<engine::Plan> plan = engine::make_plan(*checked.protocol, header.capacity, header.traits, header.caps);
    if (!plan) {
        return fail(Failure::bad_data, "this version cannot plan " + named(header.run) + ": " + plan.error().message);
    }
    return std::make_unique<const engine::Plan>(std::move(*plan));
}

// Compares what the fold makes with what was recorded, as it goes.
class Comparison {
  public:
    Comparison(const ledger::RunData& data, std::optional<ledger::Checkpoint> checkpoint, const engine::Plan& plan)
        : data_(data), checkpoint_(std::move(checkpoint)), plan_(plan) {
        report_.run = data.header.run;
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
        if (checkpoint_ && checkpoint_->sequence == input.sequence) {
            report_.checkpoint_compared = true;
            if (engine::serialise(run) != checkpoint_->state) {
                return differ("the state after input " + std::to_string(input.sequence) +
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
        report_.same = report_.difference.empty();
        return report_;
    }

  private:
    bool differ(std::string sentence) {
        report_.difference = std::move(sentence);
        return false;
    }

    bool compare(const Input& input, const Event& event) {
        const std::string text = engine::describe(event, plan_);
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
    const engine::Plan& plan_;
    ReplayReport report_;
};

}  // namespace

Result<ReplayReport> replay(ledger::Reader& reader, ledger::RunNumber number) {
    const Result<ledger::RunData> data = reader.run(number);
    if (!data) {
        return tl::unexpected(data.error());
    }
    const Result<std::unique_ptr<const engine::Plan>> plan = plan_of(data->header);
    if (!plan) {
        return tl::unexpected(plan.error());
    }
    Result<std::optional<ledger::Checkpoint>> checkpoint = reader.last_checkpoint(number);
    if (!checkpoint) {
        return tl::unexpected(checkpoint.error());
    }
    Comparison comparison(*data, std::move(*checkpoint), **plan);
    engine::Run run = engine::new_run(**plan, data->header.history);
    const Result<void> read = reader.tape(number, 0, [&](const Input& input) {
        const engine::Decision decision = engine::advance(**plan, run, input);
        return comparison.took(run, input, decision);
    });
    if (!read) {
        return tl::unexpected(read.error());
    }
    return comparison.finish(run);
}

Result<RestoredRun> restore_run(ledger::Reader& reader, const ledger::RunData& data) {
    RestoredRun restored;
    Result<std::unique_ptr<const engine::Plan>> plan = plan_of(data.header);
    if (!plan) {
        return tl::unexpected(plan.error());
    }
    restored.plan = std::move(*plan);
    restored.run = engine::new_run(*restored.plan, data.header.history);
    const Result<std::optional<ledger::Checkpoint>> checkpoint = reader.last_checkpoint(data.header.run);
    if (!checkpoint) {
        return tl::unexpected(checkpoint.error());
    }
    if (*checkpoint) {
        Result<engine::Run> run = engine::restore((*checkpoint)->state);
        if (!run) {
            return tl::unexpected(run.error());
        }
        restored.run = std::move(*run);
    }
    bool gapless = true;
    const Result<void> read = reader.tape(data.header.run, restored.run.sequence, [&](const Input& input) {
        gapless = input.sequence == restored.run.sequence + 1;
        if (gapless) {
            (void)engine::advance(*restored.plan, restored.run, input);
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
    return restored;
}

Result<void> rebuild_simulated_cell(ledger::Reader& reader, const ledger::RunData& data, channel::Channel& channel) {
    const ledger::RunHeader& header = data.header;
    channel.load_cell(header.cell, header.capacity, header.history.furthest, header.created);
    Time last = header.created;
    const Result<void> read = reader.tape(header.run, 0, [&](const Input& input) {
        last = input.time;
        if (const Applied* applied = std::get_if<Applied>(&input.body)) {
            channel.apply(applied->demand, input.time, [](const Result<Demand, FaultKind>&) {});
        } else if (std::holds_alternative<Sample>(input.body)) {
            channel.sample(input.time, [](const Sample&) {});
        }
        return true;
    });
    channel.apply(Open{}, last, [](const Result<Demand, FaultKind>&) {});
    return read;
}

}  // namespace slowfilm::bench
