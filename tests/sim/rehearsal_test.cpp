#include "sim/rehearsal/rehearsal.hpp"

#include "daemon/core/text.hpp"
#include "daemon/ledger/reader.hpp"
#include "daemon/ledger/tape.hpp"
#include "daemon/protocol/parse.hpp"
#include "rehearsal_protocols.hpp"

#include <filesystem>

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <unistd.h>

namespace slowfilm::sim {
namespace {

using ::testing::HasSubstr;
using testing::two_cycles;

protocol::Protocol parsed(const std::string& text) {
    protocol::Parsed result = protocol::parse_protocol("test.toml", text);
    EXPECT_TRUE(result.protocol) << render(result.diagnostics, text);
    return *result.protocol;
}

RehearsalOutcome rehearsed(const std::string& text, const RehearsalOptions& options) {
    Result<RehearsalOutcome> outcome = rehearse(parsed(text), text, options);
    EXPECT_TRUE(outcome) << outcome.error().message;
    return std::move(*outcome);
}

double net_of(const ledger::RunData& run) {
    double net = 0.0;
    for (const ledger::VisitRecord& visit : run.visits) {
        net += visit.charge_in_ah - visit.charge_out_ah;
    }
    return net;
}

// The input and the decision as text: equal texts are equal to the bit.
std::string line_of(const Input& input, const engine::Decision& decision) {
    ledger::TapeEncoder encoder;
    encoder.add(input);
    std::string line = encoder.take();
    line += decision.apply ? 'a' : '-';
    line += decision.record_first ? 'r' : '-';
    line += decision.commit ? 'c' : '-';
    line += decision.keep ? 'k' : '-';
    line += static_cast<char>('0' + decision.demand.index());
    for (const Event& event : decision.all_events()) {
        line += std::to_string(static_cast<int>(event.kind)) + "," + std::to_string(event.code) + "," +
                std::to_string(event.step) + "," + std::to_string(event.visit) + "," + std::to_string(event.value) +
                "," + std::to_string(event.limit) + ";";
    }
    return line;
}

// One hash over everything that went in and came out.
std::string digest_of(const std::string& text, RehearsalOptions options) {
    std::string digest;
    std::string all;
    options.on_input = [&](const Input& input, const engine::Decision& decision) {
        all += line_of(input, decision);
        if (all.size() > 1'000'000) {
            all = sha256_hex(all);
        }
    };
    rehearsed(text, options);
    return sha256_hex(all);
}

class TemporaryFile {
  public:
    TemporaryFile()
        : folder_{std::filesystem::temp_directory_path() / ("slowfilm-rehearsal-" + std::to_string(::getpid()))} {
        std::filesystem::create_directories(folder_);
    }
    ~TemporaryFile() { std::filesystem::remove_all(folder_); }
    TemporaryFile(const TemporaryFile&) = delete;
    TemporaryFile& operator=(const TemporaryFile&) = delete;
    [[nodiscard]] std::string path() const { return (folder_ / "rehearsal.ledger").string(); }

  private:
    std::filesystem::path folder_;
};

TEST(Rehearsal, runs_to_done_and_answers_its_ask_at_once) {
    const RehearsalOutcome outcome = rehearsed(two_cycles, {});
    EXPECT_EQ(outcome.run.status.state, RunState::done);
    EXPECT_EQ(outcome.confirms, 1U);
    ASSERT_EQ(outcome.run.visits.size(), 10U);
    EXPECT_EQ(outcome.run.visits[1].kind, "ask");
    EXPECT_EQ(outcome.run.visits[1].ended_by, "confirmed");
    EXPECT_EQ(outcome.run.visits[2].pass, "1");
    EXPECT_EQ(outcome.run.visits[9].pass, "2");
    EXPECT_EQ(outcome.run.visits[9].path, "3.4");
    EXPECT_EQ(outcome.run.visits[9].cycle, 2U);
    EXPECT_TRUE(outcome.run.visits[5].ends_cycle);
    EXPECT_TRUE(outcome.run.visits[9].ends_cycle);
    EXPECT_TRUE(outcome.run.header.rehearsal);
    EXPECT_EQ(outcome.run.header.protocol_text, two_cycles);
    EXPECT_EQ(outcome.run.header.protocol_sha256, sha256_hex(two_cycles));
}

// What the engine counted is what the model took up, by parts: film, leak and electrodes.
TEST(Rehearsal, charge_counted_is_charge_that_the_model_took) {
    const RehearsalOutcome outcome = rehearsed(two_cycles, {});
    const double model = outcome.model.film_charge_ah + outcome.model.leaked_ah + outcome.model.stored_ah;
    // A second's current at C/4 at each of the ten edges is 3.5 mAh; the integral is split at them, so less is left.
    EXPECT_NEAR(net_of(outcome.run), model, 0.0035);
    EXPECT_GT(outcome.model.film_charge_ah, 0.5);  // 12 % of a first charge of 5 Ah, and a little of the second
    EXPECT_LT(outcome.model.film_charge_ah, 0.7);
}

TEST(Rehearsal, the_same_seed_gives_the_same_bytes_and_another_does_not) {
    RehearsalOptions options;
    options.noise = true;
    options.seed = 7;
    const std::string first = digest_of(two_cycles, options);
    EXPECT_EQ(first, digest_of(two_cycles, options));
    options.seed = 8;
    EXPECT_NE(first, digest_of(two_cycles, options));
}

TEST(Rehearsal, noise_changes_readings_and_not_the_outcome) {
    RehearsalOptions noisy;
    noisy.noise = true;
    const RehearsalOutcome quiet = rehearsed(two_cycles, {});
    const RehearsalOutcome loud = rehearsed(two_cycles, noisy);
    EXPECT_EQ(loud.run.status.state, RunState::done);
    EXPECT_EQ(loud.run.visits.size(), quiet.run.visits.size());
    EXPECT_NEAR(net_of(loud.run), net_of(quiet.run), 0.01);
}

TEST(Rehearsal, a_tape_replayed_reaches_the_same_decisions_to_the_bit) {
    const TemporaryFile file;
    Result<std::unique_ptr<ledger::Writer>> writer = ledger::Writer::open({.path = file.path()});
    ASSERT_TRUE(writer) << writer.error().message;
    std::vector<std::string> decided;
    RehearsalOptions options;
    options.noise = true;
    options.ledger = writer->get();
    options.on_input = [&](const Input& input, const engine::Decision& decision) {
        decided.push_back(line_of(input, decision));
    };
    const RehearsalOutcome outcome = rehearsed(two_cycles, options);

    Result<std::unique_ptr<ledger::Reader>> reader = ledger::Reader::open(file.path());
    ASSERT_TRUE(reader) << reader.error().message;
    const Result<ledger::RunData> recorded = (*reader)->run(outcome.run.header.run);
    ASSERT_TRUE(recorded) << recorded.error().message;
    const ledger::RunHeader& header = recorded->header;
    const Result<engine::Plan> plan =
        engine::make_plan(parsed(header.protocol_text), header.capacity, header.traits, header.caps);
    ASSERT_TRUE(plan) << plan.error().message;
    engine::Run run = engine::new_run(*plan, header.history);
    std::size_t at = 0;
    const Result<void> read = (*reader)->tape(header.run, 0, [&](const Input& input) {
        const engine::Decision decision = engine::advance(*plan, run, input);
        if (at >= decided.size() || line_of(input, decision) != decided[at]) {
            ADD_FAILURE() << "decision " << at << " differs";
            return false;
        }
        ++at;
        return true;
    });
    ASSERT_TRUE(read) << read.error().message;
    EXPECT_EQ(at, decided.size());
    EXPECT_EQ(run.state, RunState::done);
}

TEST(Rehearsal, the_ledger_holds_what_the_outcome_tells) {
    const TemporaryFile file;
    Result<std::unique_ptr<ledger::Writer>> writer = ledger::Writer::open({.path = file.path()});
    ASSERT_TRUE(writer) << writer.error().message;
    RehearsalOptions options;
    options.ledger = writer->get();
    options.keep_samples = true;
    options.created_utc = 1'772'000'000'000'000;
    const RehearsalOutcome outcome = rehearsed(two_cycles, options);
    const RehearsalOutcome unrecorded = rehearsed(two_cycles, {});

    Result<std::unique_ptr<ledger::Reader>> reader = ledger::Reader::open(file.path());
    ASSERT_TRUE(reader) << reader.error().message;
    const Result<ledger::RunData> recorded = (*reader)->run(1);
    ASSERT_TRUE(recorded) << recorded.error().message;
    EXPECT_EQ(recorded->status.state, RunState::done);
    EXPECT_EQ(recorded->status.started_utc, 1'772'000'000'000'000);
    EXPECT_TRUE(recorded->header.rehearsal);
    ASSERT_EQ(recorded->visits.size(), outcome.run.visits.size());
    ASSERT_EQ(recorded->visits.size(), unrecorded.run.visits.size());
    for (std::size_t i = 0; i < recorded->visits.size(); ++i) {
        EXPECT_EQ(recorded->visits[i].path, outcome.run.visits[i].path);
        EXPECT_EQ(recorded->visits[i].ended, outcome.run.visits[i].ended);
        EXPECT_EQ(recorded->visits[i].charge_in_ah, outcome.run.visits[i].charge_in_ah);
        EXPECT_EQ(recorded->visits[i].charge_out_ah, unrecorded.run.visits[i].charge_out_ah);
    }
    EXPECT_EQ(recorded->events.size(), outcome.run.events.size());
    EXPECT_EQ(recorded->margins.rows.size(), outcome.run.margins.rows.size());
    std::size_t samples = 0;
    const Result<void> read = (*reader)->samples(1, [&](const ledger::SampleRecord& sample) {
        EXPECT_LT(samples, outcome.samples.size());
        EXPECT_EQ(sample.sequence, outcome.samples[samples].sequence);
        EXPECT_EQ(sample.sample.voltage, outcome.samples[samples].sample.voltage);
        ++samples;
        return samples < outcome.samples.size();
    });
    ASSERT_TRUE(read) << read.error().message;
    EXPECT_EQ(samples, outcome.samples.size());
    const auto cells = (*reader)->cells();
    ASSERT_TRUE(cells);
    EXPECT_TRUE(cells->empty()) << "a model's cell must not enter the cells' history";
    const auto verified = (*reader)->verify();
    ASSERT_TRUE(verified);
    EXPECT_TRUE(verified->good) << (verified->findings.empty() ? "" : verified->findings.front());
}

// What a kill at any moment would leave on the disk.
TEST(Rehearsal, half_way_its_samples_and_events_are_never_ahead_of_its_tape) {
    const TemporaryFile file;
    Result<std::unique_ptr<ledger::Writer>> writer = ledger::Writer::open({.path = file.path()});
    ASSERT_TRUE(writer) << writer.error().message;
    RehearsalOptions options;
    options.ledger = writer->get();
    std::uint64_t looks = 0;
    options.on_input = [&](const Input& input, const engine::Decision&) {
        if (input.sequence % 9'973 != 0) {
            return;
        }
        ASSERT_TRUE((*writer)->flush());
        Result<std::unique_ptr<ledger::Reader>> reader = ledger::Reader::open(file.path());
        ASSERT_TRUE(reader) << reader.error().message;
        const auto verified = (*reader)->verify();
        ASSERT_TRUE(verified);
        // The run's status is written at its end alone; all else must agree at any moment.
        EXPECT_TRUE(verified->good) << input.sequence << verified->findings.front();
        const Result<ledger::RunData> run = (*reader)->run(1);
        ASSERT_TRUE(run);
        std::uint64_t taped = 0;
        ASSERT_TRUE((*reader)->tape(1, 0, [&](const Input& one) {
            taped = one.sequence;
            return true;
        }));
        EXPECT_LE(run->events.empty() ? 0 : run->events.back().sequence, taped);
        looks += verified->samples > 0 ? 1 : 0;
    };
    rehearsed(two_cycles, options);
    EXPECT_GE(looks, 3U);
}

TEST(Rehearsal, kept_samples_never_go_back_in_time_and_their_charge_never_falls) {
    RehearsalOptions options;
    options.keep_samples = true;
    const RehearsalOutcome outcome = rehearsed(two_cycles, options);
    ASSERT_GT(outcome.samples.size(), 500U);
    for (std::size_t i = 1; i < outcome.samples.size(); ++i) {
        const ledger::SampleRecord& before = outcome.samples[i - 1];
        const ledger::SampleRecord& now = outcome.samples[i];
        EXPECT_GE(now.time, before.time);
        EXPECT_GE(now.sequence, before.sequence);
        EXPECT_GE(now.visit, before.visit);
        EXPECT_GE(now.cycle, before.cycle);
        EXPECT_GE(now.charge_in_ah, before.charge_in_ah - 1e-12);
        EXPECT_GE(now.charge_out_ah, before.charge_out_ah - 1e-12);
        EXPECT_LE(now.time - before.time, Duration{61'000'000});
    }
}

TEST(Rehearsal, a_hot_cell_trips_and_is_never_called_done) {
    RehearsalOptions options;
    options.faults.push_back({.kind = StageFaultKind::thermometer, .from = Duration{3'600'000'000}, .value = 80.0});
    const RehearsalOutcome outcome = rehearsed(two_cycles, options);
    EXPECT_EQ(outcome.run.status.state, RunState::tripped);
    EXPECT_THAT(outcome.run.status.needs, HasSubstr("quarantined"));
    ASSERT_EQ(outcome.run.visits.size(), 1U);
    EXPECT_EQ(outcome.run.visits[0].ended_by, "tripped");
    const auto trip = std::find_if(outcome.run.events.begin(), outcome.run.events.end(),
                                   [](const auto& e) { return e.event.kind == EventKind::tripped; });
    ASSERT_NE(trip, outcome.run.events.end());
    EXPECT_THAT(trip->text, HasSubstr("temperature"));
}

// The second step's end is already true when it begins: both visits end at one input, and both are in the record.
TEST(Rehearsal, a_step_that_is_already_so_leaves_the_record_of_the_one_before_whole) {
    std::string text = two_cycles;
    const std::string degas = "[[step]]\nname    = \"degas\"";
    const std::size_t at = text.find(degas);
    ASSERT_NE(at, std::string::npos);
    text.insert(at,
                "[[step]]\nname = \"to a third\"\ndo = \"charge\"\nrate = \"C/5\"\nends = { net = \"34.9 %\" }\n"
                "at_most = \"6 h\"\n\n");
    const RehearsalOutcome outcome = rehearsed(text, {});
    EXPECT_EQ(outcome.run.status.state, RunState::done);
    ASSERT_EQ(outcome.run.visits.size(), 11U);
    EXPECT_EQ(outcome.run.visits[0].ended_by, "net");
    EXPECT_NEAR(outcome.run.visits[0].charge_in_ah, 1.75, 0.001);  // 35 % of 5 Ah
    EXPECT_EQ(outcome.run.visits[1].ended_by, "already so");
    EXPECT_EQ(outcome.run.visits[1].charge_in_ah, 0.0);
    EXPECT_EQ(outcome.run.visits[0].ended, outcome.run.visits[1].ended);
}

TEST(Rehearsal, every_step_that_ends_is_a_visit_in_the_record) {
    const RehearsalOutcome outcome = rehearsed(two_cycles, {});
    std::vector<std::uint32_t> ended;
    for (const ledger::EventRecord& record : outcome.run.events) {
        if (record.event.kind == EventKind::step_ended) {
            ended.push_back(record.event.visit);
        }
    }
    ASSERT_EQ(ended.size(), outcome.run.visits.size());
    for (std::size_t i = 0; i < ended.size(); ++i) {
        EXPECT_EQ(outcome.run.visits[i].visit, ended[i]);
        EXPECT_EQ(outcome.run.visits[i].visit, i);
    }
}

TEST(Rehearsal, a_silent_instrument_ends_it_without_a_person) {
    RehearsalOptions options;
    options.faults.push_back({.kind = StageFaultKind::silent, .from = Duration{3'600'000'000}});
    const RehearsalOutcome outcome = rehearsed(two_cycles, options);
    EXPECT_EQ(outcome.run.status.state, RunState::tripped);
    EXPECT_THAT(outcome.run.status.needs, HasSubstr("acknowledge"));
}

TEST(Rehearsal, a_channel_that_cannot_discharge_is_refused_before_it_begins) {
    const protocol::Protocol protocol = parsed(two_cycles);
    RehearsalOptions options;
    options.traits = engine::bench_of_no_name(protocol);
    options.traits->sink_max = Current{};
    const Result<RehearsalOutcome> outcome = rehearse(protocol, two_cycles, options);
    ASSERT_FALSE(outcome);
    EXPECT_THAT(outcome.error().message, HasSubstr("discharge"));
}

TEST(Rehearsal, guards_come_no_closer_than_their_limits_in_a_good_run) {
    const RehearsalOutcome outcome = rehearsed(two_cycles, {});
    const auto& rows = outcome.run.margins.rows;
    const auto row = std::find_if(rows.begin(), rows.end(), [](const auto& r) { return r.name == "over_voltage"; });
    ASSERT_NE(row, rows.end());
    ASSERT_TRUE(row->closest && row->trip && row->closest_second);
    EXPECT_DOUBLE_EQ(*row->trip, 4.25);
    EXPECT_NEAR(*row->closest, 4.2, 0.002);
    EXPECT_GT(*row->closest_second, 0.0);
    EXPECT_TRUE(row->written);
    EXPECT_EQ(row->unit, "V");
}

}  // namespace
}  // namespace slowfilm::sim
