#include "daemon/results/summary.hpp"

#include "daemon/core/text.hpp"
#include "daemon/protocol/parse.hpp"
#include "daemon/results/accept.hpp"
#include "daemon/results/figures.hpp"

#include <algorithm>
#include <utility>

namespace slowfilm::results {

namespace {

Beginning beginning_of(const ledger::RunHeader& header, const std::optional<protocol::Protocol>& protocol) {
    const Charge unseen = header.history.net_unseen;
    const std::string doubt = unseen.count > 0 ? "up to " + print_fixed(ampere_hours(unseen), 4) +
                                                     " Ah may have flowed unseen before this run"
                                               : "";
    if (header.history.known) {
        return {.state = header.history.furthest, .net_before = header.history.net, .unknown = doubt};
    }
    if (!protocol) {
        return {.state = CellState::pristine,
                .net_before = {},
                .unknown = "the recorded protocol cannot be read by this version, so what the cell was is not known"};
    }
    Beginning beginning{.state = protocol->cell.state, .net_before = {}, .unknown = doubt};
    if (beginning.state == CellState::tapped) {
        beginning.unknown = "how much charge went into the tapped cell before this run is not known";
    }
    return beginning;
}

bool was_removed(const ledger::RunData& run) {
    return std::any_of(run.actions.begin(), run.actions.end(),
                       [](const ledger::OperatorAction& action) { return action.verb == "remove"; });
}

// In the order of the file, what stands inside a repeat after it: the order in which the engine counts steps.
void note_paths(const std::vector<protocol::Step>& steps, std::vector<std::string>& paths) {
    for (const protocol::Step& step : steps) {
        paths.push_back(step.path);
        note_paths(step.steps, paths);
    }
}

protocol::Parsed protocol_of(const ledger::RunData& run) {
    return protocol::parse_protocol("the recorded protocol", run.header.protocol_text);
}

Judged judged(ledger::RunData run, const std::optional<protocol::Protocol>& protocol) {
    Judged ready{std::move(run), {}, {}};
    ready.beginning = beginning_of(ready.run.header, protocol);
    ready.cycles = cycles_of(ready.run, ready.beginning);
    return ready;
}

Summary summarise(ledger::RunData run, const protocol::Parsed& parsed, std::span<const Judged> batch) {
    Judged ready = judged(std::move(run), parsed.protocol);
    if (was_removed(ready.run)) {
        ready.run.status.needs.clear();  // what a person had to do has been done
    }
    Summary summary;
    for (const FigureDefinition& definition : figure_definitions()) {
        summary.figures.push_back(compute(definition, ready.input(), {}));
    }
    if (parsed.protocol) {
        note_paths(parsed.protocol->steps, summary.step_paths);
        summary.verdict = judge(parsed.protocol->accept, ready.input(), batch);
    } else {
        summary.verdict = judge({}, ready.input());
        if (ready.run.status.state == RunState::done) {
            summary.verdict.reasons = {
                "the recorded protocol cannot be read by this version, so its [accept] is not known"};
        }
    }
    summary.run = std::move(ready.run);
    summary.cycles = std::move(ready.cycles);
    return summary;
}

// The finished runs of that very protocol, rehearsals left out.
Result<std::vector<Judged>> batch_of(ledger::Reader& reader, const std::string& sha256,
                                     const std::optional<protocol::Protocol>& protocol) {
    auto lines = reader.runs();
    if (!lines) {
        return tl::unexpected{lines.error()};
    }
    std::vector<Judged> batch;
    for (const ledger::RunLine& line : *lines) {
        if (line.protocol_sha256 != sha256 || line.state != RunState::done || line.rehearsal) {
            continue;
        }
        auto run = reader.run(line.run);
        if (!run) {
            return tl::unexpected{run.error()};
        }
        batch.push_back(judged(std::move(*run), protocol));
    }
    return batch;
}

}  // namespace

Summary summarise(ledger::RunData run) {
    const protocol::Parsed parsed = protocol_of(run);
    return summarise(std::move(run), parsed, {});
}

Result<Summary> summarise(ledger::Reader& reader, ledger::RunNumber number) {
    auto run = reader.run(number);
    if (!run) {
        return tl::unexpected{run.error()};
    }
    const protocol::Parsed parsed = protocol_of(*run);
    std::vector<Judged> batch;
    if (parsed.protocol && needs_batch(parsed.protocol->accept)) {
        auto found = batch_of(reader, run->header.protocol_sha256, parsed.protocol);
        if (!found) {
            return tl::unexpected{found.error()};
        }
        batch = std::move(*found);
    }
    return summarise(std::move(*run), parsed, batch);
}

}  // namespace slowfilm::results
