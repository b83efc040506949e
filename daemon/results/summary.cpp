#include "daemon/results/summary.hpp"

#include "daemon/protocol/parse.hpp"
#include "daemon/results/accept.hpp"
#include "daemon/results/figures.hpp"

#include <algorithm>
#include <utility>

namespace slowfilm::results {

namespace {

Beginning beginning_of(const ledger::RunHeader& header, const std::optional<protocol::Protocol>& protocol) {
    if (header.history.known) {
        return {.state = header.history.furthest, .net_before = header.history.net, .unknown = ""};
    }
    if (!protocol) {
        return {.state = CellState::pristine,
                .net_before = {},
                .unknown = "the recorded protocol cannot be read by this version, so what the cell was is not known"};
    }
    Beginning beginning{.state = protocol->cell.state, .net_before = {}, .unknown = ""};
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

}  // namespace

Summary summarise(ledger::RunData run) {
    Summary summary;
    summary.run = std::move(run);
    if (was_removed(summary.run)) {
        summary.run.status.needs.clear();  // what a person had to do has been done
    }
    const protocol::Parsed parsed = protocol::parse_protocol("the recorded protocol", summary.run.header.protocol_text);
    const Beginning beginning = beginning_of(summary.run.header, parsed.protocol);
    summary.cycles = cycles_of(summary.run, beginning);
    const FigureInput input{.run = summary.run, .cycles = summary.cycles, .beginning = beginning};
    for (const FigureDefinition& definition : figure_definitions()) {
        summary.figures.push_back(compute(definition, input, {}));
    }
    if (parsed.protocol) {
        note_paths(parsed.protocol->steps, summary.step_paths);
        summary.verdict = judge(parsed.protocol->accept, input);
        return summary;
    }
    summary.verdict = judge({}, input);
    if (summary.run.status.state == RunState::done) {
        summary.verdict.reasons = {
            "the recorded protocol cannot be read by this version, so its [accept] is not known"};
    }
    return summary;
}

}  // namespace slowfilm::results
