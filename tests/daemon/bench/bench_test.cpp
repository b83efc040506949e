#include "daemon/bench/bench.hpp"

#include "daemon/bench/replay.hpp"
#include "tests/daemon/bench/world.hpp"

#include <algorithm>

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace slowfilm::bench {
namespace {

using namespace literals;
using testing::HasSubstr;

constexpr uid_t stranger = 54'321;

bool drives(const std::vector<Demand>& demands) {
    return std::any_of(demands.begin(), demands.end(), [](const Demand& demand) { return !is_open(demand); });
}

TEST(Bench, opens_every_output_before_it_is_ready) {
    World world(3);
    for (const WilfulChannel* channel : world.channels) {
        ASSERT_FALSE(channel->demands.empty());
        EXPECT_TRUE(is_open(channel->demands.front()));
    }
    EXPECT_EQ(world.state("a1"), "empty");
}

TEST(Bench, names_an_output_that_does_not_open) {
    World world;
    // Welded with the first current.
    world.channels[0]->on_demand = [&](const Demand& demand) { world.channels[0]->stuck |= !is_open(demand); };
    ASSERT_TRUE(world.start("a1", "C-1", unattended_protocol()));
    world.until([&] { return world.happened("output_stuck"); });
    std::optional<Bench::Ending> ending;
    world.bench->shut_down("test", std::chrono::seconds(2), [&](const Bench::Ending& how) { ending = how; });
    world.until([&] { return ending.has_value(); });
    EXPECT_EQ(ending->not_open, std::vector<std::string>{"a1"});
    EXPECT_FALSE(ending->good());
}

TEST(Bench, a_run_goes_from_start_to_done_and_its_record_replays) {
    World world;
    const Result<boost::json::value> started = world.start("a1", "C-1", unattended_protocol());
    ASSERT_TRUE(started) << started.error().message;
    EXPECT_EQ(started->at("kind").as_string(), "started");
    EXPECT_EQ(started->at("run").to_number<int>(), 1);
    world.until_state("a1", "done");
    const boost::json::object status = world.channel("a1");
    // 10 % and 5 % of 5 Ah; a step ends at the sample that shows it, at most one period late.
    EXPECT_NEAR(status.at("charge_in_ah").to_number<double>(), 0.5, 0.002);
    EXPECT_NEAR(status.at("charge_out_ah").to_number<double>(), 0.25, 0.002);
    EXPECT_EQ(world.ask("remove", {{"channel", "a1"}}).at("state").as_string(), "empty");
    const std::string ledger = world.options().config.ledger;
    world.close();

    const auto reader = ledger::Reader::open(ledger);
    ASSERT_TRUE(reader) << reader.error().message;
    const Result<ledger::RunData> run = (*reader)->run(1);
    ASSERT_TRUE(run) << run.error().message;
    EXPECT_EQ(run->status.state, RunState::done);
    ASSERT_EQ(run->visits.size(), 3U);
    EXPECT_EQ(run->visits[1].ended_by, "amount");
    const Result<ReplayReport> report = replay(**reader, 1);
    ASSERT_TRUE(report) << report.error().message;
    EXPECT_TRUE(report->same) << report->difference;
    EXPECT_TRUE(report->checkpoint_compared);
    EXPECT_EQ(report->state, RunState::done);
    EXPECT_EQ(report->events, run->events.size());
    EXPECT_GT(report->inputs, 1000U);
}

TEST(Bench, what_has_been_told_is_in_the_ledger_once_a_reader_has_asked_for_it) {
    World world;
    ASSERT_TRUE(world.start("a1", "C-1", unattended_protocol()));
    world.until([&] { return world.happened("done"); });  // told, perhaps before the disk has it
    const boost::json::value committed = world.ask("commit");
    EXPECT_EQ(committed.at("kind").as_string(), "committed");
    EXPECT_TRUE(committed.at("on_disk").as_bool());
    const auto reader = ledger::Reader::open(std::string(committed.at("ledger").as_string()));
    ASSERT_TRUE(reader) << reader.error().message;
    const Result<ledger::RunData> run = (*reader)->run(1);
    ASSERT_TRUE(run) << run.error().message;
    EXPECT_EQ(run->status.state, RunState::done);
}

TEST(Bench, energises_only_once_the_record_is_on_disk) {
    World world;
    const std::string ledger = world.options().config.ledger;
    int seen = 0;  // the connection test's current, then the step's
    world.channels[0]->on_demand = [&](const Demand& demand) {
        if (is_open(demand) || seen == 2) {
            return;
        }
        ++seen;
        const auto reader = ledger::Reader::open(ledger);
        ASSERT_TRUE(reader) << reader.error().message;
        const Result<ledger::RunData> run = (*reader)->run(1);
        ASSERT_TRUE(run) << run.error().message;
        const bool recorded = std::any_of(run->events.begin(), run->events.end(), [](const ledger::EventRecord& event) {
            return event.event.kind == EventKind::step_began && event.event.step == 1;
        });
        EXPECT_EQ(recorded, seen == 2) << "the step that asks for current is not in the ledger yet";
        std::uint64_t last = 0;
        ASSERT_TRUE((*reader)->tape(1, 0, [&](const Input& input) {
            last = input.sequence;
            return true;
        }));
        const Result<std::optional<ledger::Checkpoint>> checkpoint = (*reader)->last_checkpoint(1);
        ASSERT_TRUE(checkpoint && *checkpoint);
        EXPECT_EQ((*checkpoint)->sequence, last);
    };
    ASSERT_TRUE(world.start("a1", "C-1"));
    world.until_state("a1", "forming");
    world.until([&] { return seen == 2; });
}

TEST(Bench, opens_first_and_records_after) {
    World world;
    ASSERT_TRUE(world.start("a1", "C-1"));
    world.until_state("a1", "forming");
    bool opened = false;
    world.channels[0]->on_demand = [&](const Demand& demand) {
        if (is_open(demand) && !opened) {
            opened = true;
            EXPECT_FALSE(world.happened("paused")) << "the pause was told before the output was opened";
        }
    };
    world.ask("pause", {{"channels", {"a1"}}});
    EXPECT_TRUE(opened);
    EXPECT_TRUE(world.happened("paused"));
}

TEST(Bench, unknown_and_busy_channels_are_refused) {
    World world;
    const boost::json::object params{{"channel", "zz"}, {"cell", "C-1"}, {"protocol_file", "p"}, {"protocol_text", ""}};
    EXPECT_THAT(world.refusal(Failure::no_input, "start", params), HasSubstr("'a1', 'a2'"));
    EXPECT_THAT(world.refusal(Failure::no_input, "status", {{"channel", "zz"}}), HasSubstr("zz"));
    EXPECT_THAT(world.refusal(Failure::no_input, "pause", {{"channels", {"a1", "zz"}}}), HasSubstr("zz"));
    ASSERT_TRUE(world.start("a1", "C-1"));
    const Result<boost::json::value> second = world.start("a1", "C-2");
    ASSERT_FALSE(second);
    EXPECT_EQ(second.error().failure, Failure::try_again);
    EXPECT_THAT(second.error().message, HasSubstr("run 1"));
}

TEST(Bench, of_two_starts_at_once_one_wins) {
    World world;
    std::vector<Result<boost::json::value>> answers;
    for (const char* cell : {"C-1", "C-2"}) {
        world.bench->handle(
            {"start",
             {{"channel", "a1"}, {"cell", cell}, {"protocol_file", "short.toml"}, {"protocol_text", short_protocol()}},
             {::geteuid(), 0, 1}},
            [&](Result<boost::json::value> answer) { answers.push_back(std::move(answer)); });
    }
    world.until([&] { return answers.size() == 2; });
    EXPECT_NE(answers[0].has_value(), answers[1].has_value());
    const Error& loser = answers[0] ? answers[1].error() : answers[0].error();
    EXPECT_EQ(loser.failure, Failure::try_again);
}

TEST(Bench, a_cell_is_in_one_channel_only) {
    World world;
    ASSERT_TRUE(world.start("a1", "C-1"));
    const Result<boost::json::value> second = world.start("a2", "C-1");
    ASSERT_FALSE(second);
    EXPECT_EQ(second.error().failure, Failure::bad_data);
    EXPECT_THAT(second.error().message, HasSubstr("'a1'"));
}

TEST(Bench, ids_are_printable) {
    World world;
    for (const std::string& id : {std::string(), std::string(65, 'x'), std::string("a\nb"), std::string("a\x7f"),
                                  std::string("\xff\xfe"), std::string(" a")}) {
        const Result<boost::json::value> started = world.start("a1", id);
        ASSERT_FALSE(started);
        EXPECT_EQ(started.error().failure, Failure::bad_data);
    }
    EXPECT_EQ(world.state("a1"), "empty");
    EXPECT_TRUE(world.start("a1", std::string(64, 'x')));
}

TEST(Bench, a_bad_protocol_comes_back_with_its_place_and_leaves_the_channel_empty) {
    World world;
    const Result<boost::json::value> started = world.start("a1", "C-1", "format = 1\nvolts = 3\n");
    ASSERT_FALSE(started);
    EXPECT_EQ(started.error().failure, Failure::bad_data);
    EXPECT_THAT(started.error().message, HasSubstr("short.toml:2:1: error: "));
    EXPECT_EQ(world.state("a1"), "empty");
    EXPECT_TRUE(world.start("a1", "C-1")) << "the channel is free for the next";
}

TEST(Bench, a_hostile_protocol_is_refused_and_the_bench_lives) {
    World world;
    std::string deep = "a";
    for (int i = 0; i < 100'000; ++i) {
        deep += ".a";
    }
    for (const std::string& text : {deep + " = 1\n", std::string(2U << 20U, '#')}) {
        const Result<boost::json::value> started = world.start("a1", "C-1", text);
        ASSERT_FALSE(started);
        EXPECT_EQ(started.error().failure, Failure::bad_data);
    }
    EXPECT_EQ(world.state("a1"), "empty");
}

TEST(Bench, a_confirm_needs_a_question_and_the_right_cell) {
    World world;
    ASSERT_TRUE(world.start("a1", "C-1"));
    world.refusal(Failure::bad_data, "confirm", {{"channel", "a1"}, {"cell", "C-1"}});
    world.until_state("a1", "asking");
    EXPECT_EQ(world.channel("a1").at("needs").as_string(), "Look at the cell, then confirm.");
    EXPECT_THAT(world.refusal(Failure::bad_data, "confirm", {{"channel", "a1"}, {"cell", "C-2"}}), HasSubstr("C-1"));
    EXPECT_EQ(world.state("a1"), "asking");
    EXPECT_EQ(world.ask("confirm", {{"channel", "a1"}, {"cell", "C-1"}}).at("kind").as_string(), "confirmed");
    world.until_state("a1", "done");
}

TEST(Bench, a_stranger_may_pause_and_nothing_else) {
    World world;
    ASSERT_TRUE(world.start("a1", "C-1"));
    world.until_state("a1", "forming");
    for (const char* method : {"start", "stop", "resume", "confirm", "acknowledge", "remove"}) {
        EXPECT_THAT(world.refusal(Failure::not_allowed, method, {{"channel", "a1"}}, stranger), HasSubstr("uid 54321"));
    }
    world.refusal(Failure::not_allowed, "status", {}, stranger);
    EXPECT_TRUE(world.request("pause", {{"all", true}}, stranger));
    EXPECT_EQ(world.state("a1"), "paused");
    EXPECT_TRUE(is_open(world.channels[0]->demands.back()));
}

TEST(Bench, pause_is_always_accepted_and_resume_goes_on) {
    World world;
    EXPECT_EQ(world.ask("pause", {{"all", true}}).at("channels").as_array().size(), 2U) << "of empty channels too";
    ASSERT_TRUE(world.start("a1", "C-1"));
    world.until_state("a1", "forming");
    world.ask("pause", {{"channels", {"a1"}}});
    world.ask("pause", {{"channels", {"a1"}}});
    EXPECT_EQ(world.state("a1"), "paused");
    EXPECT_EQ(world.ask("resume", {{"channel", "a1"}, {"cell", "C-1"}}).at("state").as_string(), "checking");
    world.refusal(Failure::bad_data, "resume", {{"channel", "a1"}});
    world.until_state("a1", "asking");
    EXPECT_NEAR(world.channel("a1").at("charge_in_ah").to_number<double>(), 0.5, 0.002) << "the amount was kept";
}

TEST(Bench, what_a_state_forbids_is_refused) {
    World world;
    for (const char* method : {"resume", "confirm", "acknowledge", "remove"}) {
        world.refusal(Failure::bad_data, method, {{"channel", "a1"}, {"cell", "C"}, {"reason", "r"}});
    }
    world.refusal(Failure::bad_data, "stop", {{"channels", {"a1"}}});
    ASSERT_TRUE(world.start("a1", "C-1"));
    world.until_state("a1", "forming");
    EXPECT_THAT(world.refusal(Failure::bad_data, "remove", {{"channel", "a1"}}), HasSubstr("stop it first"));
    world.refusal(Failure::bad_data, "acknowledge", {{"channel", "a1"}, {"reason", "why not"}});
    world.ask("stop", {{"channels", {"a1"}}});
    EXPECT_EQ(world.state("a1"), "stopped");
    world.refusal(Failure::bad_data, "stop", {{"channels", {"a1"}}});
    world.refusal(Failure::bad_data, "resume", {{"channel", "a1"}});
    EXPECT_TRUE(world.ask("stop", {{"all", true}}).at("channels").as_array().empty());
}

TEST(Bench, requests_without_their_words_are_refused) {
    World world;
    world.refusal(Failure::usage, "resume");
    world.refusal(Failure::usage, "pause", {{"channels", "a1"}});
    world.refusal(Failure::usage, "pause", {{"channels", boost::json::array{}}});
    world.refusal(Failure::usage, "start", {{"channel", "a1"}});
    world.refusal(Failure::usage, "explode");
    boost::json::object params{
        {"channel", "a1"}, {"cell", "C"}, {"protocol_file", "p"}, {"protocol_text", short_protocol()}};
    params["capacity"] = 5;
    world.refusal(Failure::usage, "start", params);
    for (const char* capacity : {"5", "5 V", "-5 Ah", "0 Ah", "nan Ah"}) {
        params["capacity"] = capacity;
        world.refusal(Failure::bad_data, "start", params);
    }
}

// Every guard of charge is a share of the rated capacity: a slip of the pen must not blind them.
TEST(Bench, a_capacity_far_from_the_protocols_or_from_the_cells_last_run_is_refused) {
    World world;
    const auto params = [](const char* capacity, const std::string& protocol) {
        return boost::json::object{{"channel", "a1"},
                                   {"cell", "C-1"},
                                   {"protocol_file", "p.toml"},
                                   {"protocol_text", protocol},
                                   {"capacity", capacity}};
    };
    const std::string five = unattended_protocol();
    for (const char* capacity : {"500 Ah", "50 Ah", "10.001 Ah", "2.499 Ah", "500 mAh", "100 mAh"}) {
        EXPECT_THAT(world.refusal(Failure::bad_data, "start", params(capacity, five)),
                    AllOf(HasSubstr("a rated capacity of " + std::string(capacity)),
                          HasSubstr("which is for cells of 5 Ah"), HasSubstr("between 2.5 Ah and 10 Ah")));
        EXPECT_EQ(world.state("a1"), "empty");
    }
    ASSERT_TRUE(world.request("start", params("4 Ah", five)));
    world.until_state("a1", "done");
    world.until([&] { return world.request("remove", {{"channel", "a1"}}).has_value(); });
    EXPECT_THAT(world.refusal(Failure::bad_data, "start", params("8.5 Ah", five)),
                AllOf(HasSubstr("does not fit its last run, where it was 4 Ah"), HasSubstr("between 2 Ah and 8 Ah")));
    std::string twelve = five;
    twelve.replace(twelve.find("\"5 Ah\""), 6, "\"12 Ah\"");
    for (std::size_t at = 0; (at = twelve.find("C/2", at)) != std::string::npos;) {
        twelve.replace(at, 3, "C/5");
    }
    EXPECT_THAT(world.refusal(Failure::bad_data, "start",
                              {{"channel", "a1"}, {"cell", "C-1"}, {"protocol_file", "p"}, {"protocol_text", twelve}}),
                HasSubstr("does not fit its last run"))
        << "the protocol's own is compared too";
    EXPECT_TRUE(world.request("start", params("5 Ah", five)));
}

TEST(Bench, a_refused_demand_trips_the_channel_and_can_be_acknowledged) {
    World world;
    world.channels[0]->refuses = true;
    ASSERT_TRUE(world.start("a1", "C-1"));
    world.until_state("a1", "tripped");
    const boost::json::object trip = world.channel("a1").at("trip").as_object();
    EXPECT_EQ(trip.at("class").as_string(), "channel");
    EXPECT_THAT(std::string(trip.at("text").as_string()), HasSubstr("did not take a demand"));
    world.refusal(Failure::bad_data, "resume", {{"channel", "a1"}});
    world.refusal(Failure::bad_data, "acknowledge", {{"channel", "a1"}, {"reason", " "}});
    world.refusal(Failure::usage, "acknowledge", {{"channel", "a1"}});
    world.channels[0]->refuses = false;
    const boost::json::object answer = world.ask("acknowledge", {{"channel", "a1"}, {"reason", "cable was loose"}});
    EXPECT_EQ(answer.at("state").as_string(), "waiting");
    EXPECT_TRUE(is_open(world.channels[0]->demands.back())) << "acknowledge never resumes";
    world.ask("resume", {{"channel", "a1"}, {"cell", "C-1"}});
    world.until_state("a1", "asking");
}

TEST(Bench, a_silent_channel_is_opened_by_time_alone) {
    World world;
    ASSERT_TRUE(world.start("a1", "C-1"));
    world.until_state("a1", "forming");
    world.channels[0]->silent = true;
    world.until_state("a1", "tripped");
    EXPECT_EQ(world.channel("a1").at("trip").as_object().at("guard").as_string(), "stale");
    EXPECT_TRUE(is_open(world.channels[0]->demands.back()));
}

TEST(Bench, virtual_time_waits_for_a_channel_that_has_not_answered) {
    World world(1);
    ASSERT_TRUE(world.start("a1", "C-1"));
    world.until_state("a1", "forming");
    world.channels[0]->keeps_samples = true;
    const auto run_second = [&] { return world.channel("a1").at("run_second").to_number<double>(); };
    double before = -1.0;
    world.until([&] { return std::exchange(before, run_second()) == run_second(); });
    for (int i = 0; i < 20; ++i) {
        EXPECT_EQ(run_second(), before);
    }
    world.channels[0]->keeps_samples = false;
    world.channels[0]->answer_samples();
    world.until_state("a1", "asking");
    EXPECT_FALSE(world.happened("tripped")) << "a loaded machine makes no false stale trip";
}

TEST(Bench, heat_opens_the_group_and_quarantines_the_cell) {
    // Slow enough that the second cell is under way when the first gets hot.
    World world(2, [](BenchOptions& options) { options.time_scale = 1000.0; });
    world.let_a_cell_heat();
    ASSERT_TRUE(world.start("a2", "C-good"));
    ASSERT_TRUE(world.start("a1", "C-hot", unattended_protocol()));
    // The wiring's limit for a charge comes first, the cell's own after it.
    world.until([&] {
        const boost::json::value trip = world.channel("a1").at("trip");
        return trip.is_object() && trip.at("class").as_string() == "cell";
    });
    EXPECT_EQ(world.channel("a2").at("trip").as_object().at("guard").as_string(), "group");
    EXPECT_TRUE(is_open(world.channels[1]->demands.back()));
    EXPECT_EQ(world.ask("acknowledge", {{"channel", "a1"}, {"reason", "it was hot"}}).at("state").as_string(),
              "tripped");
    world.refusal(Failure::bad_data, "resume", {{"channel", "a1"}});
    EXPECT_THAT(world.refusal(Failure::try_again, "remove", {{"channel", "a1"}}), HasSubstr("do not touch the cell"));
    world.channels[0]->on_sample = [](Sample& sample) {  // it has burnt out, and the room is aired
        sample.temperature.value = 25_degC;
        sample.temperature.quality = Quality::good;
    };
    world.until([&] { return world.request("remove", {{"channel", "a1"}}).has_value(); });
    const Result<boost::json::value> again = world.start("a1", "C-hot");
    ASSERT_FALSE(again);
    EXPECT_EQ(again.error().failure, Failure::bad_data);
    EXPECT_THAT(again.error().message, HasSubstr("quarantined"));
}

TEST(Bench, the_ledger_knows_a_cell_better_than_the_protocol) {
    World world;
    ASSERT_TRUE(world.start("a1", "C-1", unattended_protocol()));
    world.until_state("a1", "done");
    world.ask("remove", {{"channel", "a1"}});
    std::string pristine = unattended_protocol();
    pristine.replace(pristine.find("\"formed\""), 8, "\"pristine\"");
    const Result<boost::json::value> started = world.start("a1", "C-1", pristine);
    ASSERT_FALSE(started);
    EXPECT_EQ(started.error().failure, Failure::bad_data);
    EXPECT_THAT(started.error().message, HasSubstr("as formed"));
}

TEST(Bench, no_room_on_the_disk_refuses_a_start) {
    World world(1, [](BenchOptions& options) {
        options.free_bytes = [](const std::string&) -> Result<std::uint64_t> { return 1'000'000; };
    });
    const Result<boost::json::value> started = world.start("a1", "C-1");
    ASSERT_FALSE(started);
    EXPECT_EQ(started.error().failure, Failure::cannot_write);
    EXPECT_THAT(started.error().message, HasSubstr("MiB"));
    EXPECT_EQ(world.state("a1"), "empty");
}

TEST(Bench, current_that_cannot_be_recorded_does_not_flow) {
    World world(1);
    std::string trouble;
    world.bench->on_trouble([&](const std::string& what) { trouble = what; });
    ASSERT_TRUE(world.start("a1", "C-1"));
    world.until_state("a1", "forming");
    // The ledger's file goes while it is being written.
    std::filesystem::remove(world.options().config.ledger);
    world.until_state("a1", "waiting");
    EXPECT_TRUE(is_open(world.channels[0]->demands.back()));
    EXPECT_FALSE(trouble.empty());
    world.refusal(Failure::cannot_write, "resume", {{"channel", "a1"}});
    const Result<boost::json::value> started = world.start("a1", "C-2");
    EXPECT_FALSE(started);
}

TEST(Bench, a_real_channel_forbids_scaled_time) {
    World world(1);
    world.close();
    world.on_make = [](WilfulChannel& channel) { channel.real = true; };
    const Result<std::unique_ptr<Bench>> opened = world.try_open();
    ASSERT_FALSE(opened);
    EXPECT_EQ(opened.error().failure, Failure::bad_config);
}

TEST(Bench, a_second_bench_on_the_same_ledger_is_refused) {
    World world(1);
    boost::asio::io_context io;
    const Result<std::unique_ptr<Bench>> second =
        Bench::open(io, world.options(),
                    [](const ChannelConfig&, const ChamberConfig*) -> Result<std::unique_ptr<channel::Channel>> {
                        return fail(Failure::internal, "no channel is made before the ledger is ours");
                    });
    ASSERT_FALSE(second);
    EXPECT_EQ(second.error().failure, Failure::try_again);
}

TEST(Bench, operators_are_recorded_with_who_and_why) {
    World world(1);
    world.channels[0]->refuses = true;
    ASSERT_TRUE(world.start("a1", "C-1"));
    world.until_state("a1", "tripped");
    world.until([&] { return world.channel("a1").at("output").as_string() == "open"; });
    world.ask("acknowledge", {{"channel", "a1"}, {"reason", "cable was loose"}});
    world.ask("stop", {{"channels", {"a1"}}});
    world.until([&] { return world.request("remove", {{"channel", "a1"}}).has_value(); });
    const std::string ledger = world.options().config.ledger;
    world.close();
    const auto reader = ledger::Reader::open(ledger);
    ASSERT_TRUE(reader) << reader.error().message;
    const Result<ledger::RunData> run = (*reader)->run(1);
    ASSERT_TRUE(run) << run.error().message;
    std::vector<std::string> verbs;
    for (const ledger::OperatorAction& action : run->actions) {
        verbs.push_back(action.verb);
        EXPECT_THAT(action.who, HasSubstr("uid " + std::to_string(::geteuid())));
    }
    EXPECT_EQ(verbs, (std::vector<std::string>{"start", "acknowledge", "stop", "remove"}));
    EXPECT_EQ(run->actions[1].detail, "cable was loose");
}

TEST(Bench, nothing_is_driven_while_it_shuts_down) {
    World world(1);
    ASSERT_TRUE(world.start("a1", "C-1"));
    world.until_state("a1", "forming");
    world.channels[0]->demands.clear();
    std::optional<Bench::Ending> ending;
    world.bench->shut_down("test", std::chrono::seconds(20), [&](const Bench::Ending& how) { ending = how; });
    world.refusal(Failure::try_again, "resume", {{"channel", "a1"}});
    world.until([&] { return ending.has_value(); });
    EXPECT_TRUE(ending->good());
    EXPECT_FALSE(drives(world.channels[0]->demands));
    EXPECT_TRUE(is_open(world.channels[0]->demands.front()));
}

}  // namespace
}  // namespace slowfilm::bench
