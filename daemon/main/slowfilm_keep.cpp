// The verbs that prove a ledger: its structure, and that a run's tape leads to the recorded decisions again.
#include "daemon/bench/replay.hpp"
#include "daemon/core/text.hpp"
#include "daemon/engine/describe.hpp"
#include "daemon/main/slowfilm_output.hpp"
#include "daemon/main/slowfilm_program.hpp"

#include <CLI/CLI.hpp>
#include <array>
#include <boost/json/array.hpp>

namespace slowfilm::command {

namespace json = boost::json;

namespace {

// --- verify

struct VerifyWords {
    Common common;
    std::string ledger;
};

std::string counted(std::uint64_t count, std::string_view one, std::string_view many) {
    return std::to_string(count) + " " + std::string{count == 1 ? one : many};
}

std::string verify_text(const std::string& path, const ledger::Verification& found) {
    std::string text = escaped(path) + " is " + (found.good ? "good" : "not good") + ": " +
                       counted(found.runs, "run", "runs") + ", " + counted(found.samples, "sample", "samples") + ", " +
                       counted(found.tape_inputs, "input", "inputs") + " on tape\n";
    for (const std::string& finding : found.findings) {
        text += "  " + escaped(finding, 400) + "\n";
    }
    return text;
}

Result<int> verify(const VerifyWords& words) {
    auto reader = ledger::Reader::open(words.ledger);
    if (!reader) {
        return tl::unexpected{reader.error()};
    }
    const auto found = (*reader)->verify();
    if (!found) {
        return tl::unexpected{found.error()};
    }
    json::object answer = new_answer("verify");
    answer["ledger"] = words.ledger;
    answer["good"] = found->good;
    json::array findings;
    for (const std::string& finding : found->findings) {
        findings.emplace_back(finding);
    }
    answer["findings"] = std::move(findings);
    answer["runs"] = found->runs;
    answer["samples"] = found->samples;
    answer["tape_inputs"] = found->tape_inputs;
    const std::array<std::string, 1> inputs{words.ledger};
    if (auto put = put_answer(
            words.common, answer, [&] { return verify_text(words.ledger, *found); }, inputs);
        !put) {
        return tl::unexpected{put.error()};
    }
    return found->good ? done : answer_is_no;
}

// --- replay

struct ReplayWords {
    Common common;
    std::string run;
};

std::string replay_text(const bench::ReplayReport& report) {
    std::string text = "run " + std::to_string(report.run) + ": " + counted(report.inputs, "input", "inputs") +
                       " fed to the engine again, " + counted(report.events, "event", "events") + " compared; ";
    text += report.same ? "every decision is the same" : "the decisions differ: " + escaped(report.difference, 400);
    text += "\n";
    if (report.same && !report.checkpoint_compared) {
        text += "  the record has no checkpoint, so the state itself was not compared\n";
    }
    return text;
}

Result<int> replay(const ReplayWords& words) {
    const auto number = run_number(words.run);
    if (!number) {
        return tl::unexpected{number.error()};
    }
    auto ledger = open_ledger(words.common);
    if (!ledger) {
        return tl::unexpected{ledger.error()};
    }
    const auto report = bench::replay(*ledger->reader, *number);
    if (!report) {
        return tl::unexpected{report.error()};
    }
    json::object answer = new_answer("replay");
    answer["run"] = report->run;
    answer["same"] = report->same;
    answer["difference"] = report->difference;
    answer["inputs"] = report->inputs;
    answer["events"] = report->events;
    answer["checkpoint_compared"] = report->checkpoint_compared;
    answer["state"] = engine::name(report->state);
    const std::array<std::string, 1> inputs{ledger->path};
    if (auto put = put_answer(
            words.common, answer, [&] { return replay_text(*report); }, inputs);
        !put) {
        return tl::unexpected{put.error()};
    }
    return report->same ? done : answer_is_no;
}

}  // namespace

void add_keep_verbs(Program& program) {
    const auto verify_words = std::make_shared<VerifyWords>();
    CLI::App* const verify_verb =
        add_verb(program, "verify", "Proves a ledger: its structure, its tapes, and that nothing of it is missing.",
                 "verify bench.ledger", verify_words->common, Takes::nothing);
    verify_verb->add_option("LEDGER", verify_words->ledger, "the file")->required()->option_text("LEDGER");
    verify_verb->callback(
        [&program, verify_words] { program.action = [verify_words] { return verify(*verify_words); }; });

    const auto words = std::make_shared<ReplayWords>();
    CLI::App* const verb =
        add_verb(program, "replay",
                 "Feeds a run's recorded inputs to the engine again and says whether every decision is the same.",
                 "replay 3 --ledger bench.ledger", words->common, Takes::ledger);
    verb->add_option("RUN", words->run, "the number that runs prints")->required()->option_text("RUN");
    verb->callback([&program, words] { program.action = [words] { return replay(*words); }; });
}

}  // namespace slowfilm::command
