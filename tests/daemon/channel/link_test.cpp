// A link over a real pseudo-terminal, its clock driven by hand.
#include "daemon/channel/link.hpp"

#include "tests/daemon/channel/pty_peer.hpp"
#include "tests/property.hpp"

#include <termios.h>

namespace slowfilm::channel {
namespace {

using namespace literals;
using test::Folder;
using test::ScriptedPeer;
using test::World;
using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;

constexpr const char* who = "ACME,S1,0042,1.0";

// Says who it is; volts and amperes; no answer to commands.
std::string plain(const std::string& line) {
    if (line == "*IDN?") {
        return std::string(who) + "\r\n";
    }
    if (line == "V?") {
        return "3.700\n";
    }
    return line == "I?" ? "0.250\n" : "";
}

LinkOptions options_for(const std::string& path) {
    LinkOptions options;
    options.port.path = path;
    options.quiet = 50_ms;
    options.line_end = "\n";
    options.between = "\r\n";
    options.identity = Identity{
        .question = "*IDN?\n",
        .answer = line_ending_in('\n'),
        .deadline = 500_ms,
        .looks_like = [](std::string_view answer) { return std::count(answer.begin(), answer.end(), ',') == 3; },
        .is_right = [](std::string_view answer) -> Result<void> {
            if (answer.find("S1") == std::string_view::npos) {
                return fail(Failure::bad_config, "this is not the source of the profile");
            }
            return {};
        }};
    return options;
}

class LinkTest : public ::testing::Test {
  protected:
    void begin(ScriptedPeer::Script script = plain) {
        peer_.script = std::move(script);
        link_ = std::make_unique<Link>(world_.io, world_.timing, options_);
        world_.join(*link_, peer_);
        link_->on_change([this](bool up) { changes_.push_back(up); });
        link_->start();
    }
    void begin_ready(ScriptedPeer::Script script = plain) {
        begin(std::move(script));
        ASSERT_TRUE(world_.until([this] { return link_->state() == Link::State::ready; }, 2_s)) << link_->trouble();
    }
    // What came of it, as a word: the answer without its end, or the fault's name.
    Link::Ticket ask(const std::string& line, bool answered = true, Urgency urgency = Urgency::sample) {
        results_.emplace_back(open_);
        return link_->ask({.urgency = urgency,
                           .question = line + "\n",
                           .answer = answered ? line_ending_in('\n') : AnswerEnd{},
                           .deadline = 300_ms,
                           .belongs = {},
                           .done = [this, at = results_.size() - 1](Result<Answer, LinkFault> result) {
                               ASSERT_EQ(results_[at], open_) << "answered twice";
                               if (!result) {
                                   results_[at] = name(result.error());
                                   return;
                               }
                               std::string& text = result->bytes;
                               while (!text.empty() && (text.back() == '\n' || text.back() == '\r')) {
                                   text.pop_back();
                               }
                               results_[at] = text;
                               asked_.push_back(result->asked);
                           }});
    }

    Folder folder_;
    World world_;
    ScriptedPeer peer_{folder_.file("instrument"), plain};
    LinkOptions options_{options_for(peer_.pty.path())};
    std::unique_ptr<Link> link_;
    static constexpr const char* open_ = "(not answered yet)";
    std::vector<std::string> results_;
    std::vector<Time> asked_;
    std::vector<bool> changes_;
};

TEST_F(LinkTest, asks_who_is_there_before_anything_else) {
    begin();
    ask("V?");
    EXPECT_THAT(results_, ElementsAre("the link is down"));
    world_.pass(1_s);
    EXPECT_EQ(link_->state(), Link::State::ready);
    EXPECT_EQ(link_->identity(), who);
    EXPECT_EQ(link_->trouble(), "");
    EXPECT_THAT(peer_.lines, ElementsAre("*IDN?"));
    EXPECT_THAT(changes_, ElementsAre(true));
}

TEST_F(LinkTest, what_a_former_owner_left_half_written_is_ended_first) {
    begin();
    world_.pass(1_s);
    EXPECT_EQ(peer_.everything.substr(0, 1), "\n");
}

TEST_F(LinkTest, what_was_still_coming_from_before_is_no_answer) {
    peer_.pty.say("7000\n0.1\n4.1");
    begin();
    world_.pass(1_s);
    ask("V?");
    world_.settle();
    EXPECT_THAT(results_, ElementsAre("3.700"));
}

TEST_F(LinkTest, the_wrong_instrument_gets_no_command_and_is_named) {
    begin([](const std::string& line) { return line == "*IDN?" ? "ACME,LOAD,1,1\n" : ""; });
    world_.pass(20_s);
    EXPECT_FALSE(link_->up());
    EXPECT_EQ(link_->trouble(), "this is not the source of the profile");
    EXPECT_EQ(peer_.count("*IDN?"), peer_.lines.size());
    EXPECT_THAT(changes_, IsEmpty());
}

TEST_F(LinkTest, another_instrument_of_the_same_kind_does_not_take_the_place_of_the_first) {
    begin_ready();
    peer_.pty.unplug();
    world_.settle();
    peer_.script = [](const std::string& line) { return line == "*IDN?" ? "ACME,S1,0043,1.0\n" : ""; };
    peer_.pty.plug_in();
    world_.pass(10_s);
    EXPECT_FALSE(link_->up());
    EXPECT_THAT(link_->trouble(), HasSubstr("it was 'ACME,S1,0042,1.0', and now says it is 'ACME,S1,0043,1.0'"));
    peer_.script = plain;
    ASSERT_TRUE(world_.until([this] { return link_->state() == Link::State::ready; }, 10_s));
}

TEST_F(LinkTest, an_answer_may_end_in_a_carriage_return_and_a_line_feed_after_it_says_nothing) {
    options_.identity->answer = line_ending_in('\r');
    begin_ready([](const std::string& line) { return line == "*IDN?" ? std::string(who) + "\r\n" : "3.700\r\n"; });
    std::vector<std::string> got;
    for (int i = 0; i < 2; ++i) {
        link_->ask(
            {.question = "V?\n",
             .answer = line_ending_in('\r'),
             .deadline = 300_ms,
             .belongs = {},
             .done = [&got](const Result<Answer, LinkFault>& one) { got.push_back(one ? one->bytes : "fault"); }});
    }
    world_.settle();
    EXPECT_THAT(got, ElementsAre("3.700\r", "3.700\r"));
    EXPECT_EQ(link_->upsets(), 0U);
}

TEST_F(LinkTest, one_question_is_out_at_a_time) {
    std::vector<std::string> heard;
    begin_ready([&heard](const std::string& line) {
        heard.push_back(line);
        return line == "*IDN?" ? plain(line) : std::string{};
    });
    ask("V?");
    ask("I?");
    world_.settle();
    EXPECT_THAT(heard, ElementsAre("*IDN?", "V?"));
    peer_.pty.say("3.700\n");
    world_.settle();
    EXPECT_THAT(heard, ElementsAre("*IDN?", "V?", "I?"));
    EXPECT_THAT(results_, ElementsAre("3.700", open_));
}

TEST_F(LinkTest, safe_goes_before_apply_and_apply_before_sample) {
    begin_ready();
    peer_.lines.clear();
    ask("V?");
    ask("I?");
    ask("SET", false, Urgency::apply);
    ask("OFF", false, Urgency::safe);
    ask("OUT?", false, Urgency::safe);
    world_.pass(1_s);
    EXPECT_THAT(peer_.lines, ElementsAre("V?", "OFF", "OUT?", "SET", "I?"));
}

TEST_F(LinkTest, a_pause_is_kept_between_commands) {
    options_.pause = 40_ms;
    begin_ready();
    world_.pass(100_ms);
    const Time begun = world_.timing.steady();
    ask("V?");
    ask("I?");
    ask("V?");
    world_.pass(1_s);
    EXPECT_THAT(asked_, ElementsAre(begun, begun + 40_ms, begun + 80_ms));
}

TEST_F(LinkTest, an_answer_may_come_in_pieces_and_two_answers_in_one) {
    begin_ready();
    peer_.deaf = true;
    ask("V?");
    for (const char c : std::string("3.700\r\n")) {
        EXPECT_THAT(results_, ElementsAre(open_));
        peer_.pty.say(std::string_view(&c, 1));
        world_.settle();
    }
    EXPECT_THAT(results_, ElementsAre("3.700"));
    ask("I?");
    peer_.pty.say("0.250\n0.251\n");
    world_.settle();
    EXPECT_EQ(results_.back(), "0.250");
    EXPECT_EQ(link_->state(), Link::State::resync) << "the second was not asked for";
}

TEST_F(LinkTest, silence_is_no_answer_and_the_line_is_brought_in_step) {
    bool mute = false;
    begin_ready([&mute](const std::string& line) { return mute && line != "*IDN?" ? "" : plain(line); });
    mute = true;
    ask("V?");
    world_.pass(299_ms);
    EXPECT_THAT(results_, ElementsAre(open_));
    world_.pass(1_ms);
    EXPECT_THAT(results_, ElementsAre("no answer came"));
    EXPECT_EQ(link_->state(), Link::State::resync);
    mute = false;
    ask("I?");
    world_.pass(200_ms);
    EXPECT_THAT(results_, ElementsAre("no answer came", "0.250"));
    EXPECT_THAT(peer_.lines, ElementsAre("*IDN?", "V?", "*IDN?", "I?"));
}

// However late it comes, at every millisecond: the answer to the first question is never the answer to the second.
TEST_F(LinkTest, a_late_answer_is_never_taken_for_the_answer_to_a_later_question) {
    begin_ready();
    for (int late = 300; late < 460; ++late) {
        results_.clear();
        std::string held;
        peer_.script = [&](const std::string& line) {
            if (line == "V?") {
                return std::string{};
            }
            return std::exchange(held, "") + plain(line);
        };
        ask("V?");
        ask("I?");
        world_.pass(Duration{late * 1'000});
        // It is slow: the voltage comes now, before whatever it is asked from here on.
        if (results_[1] == open_) {
            peer_.pty.say("3.700\n");
        }
        world_.pass(1_s);
        EXPECT_THAT(results_, ElementsAre("no answer came", "0.250")) << late;
    }
}

// It works off its questions in order, slowly: the voltage's answer comes with the identity's.
TEST_F(LinkTest, an_answer_that_comes_with_the_next_is_passed_over) {
    begin_ready();
    std::string held;
    peer_.script = [&held](const std::string& line) {
        if (line == "V?") {
            held = "3.700\n";
            return std::string{};
        }
        return std::exchange(held, "") + plain(line);
    };
    ask("V?");
    ask("I?");
    world_.pass(1_s);
    EXPECT_THAT(results_, ElementsAre("no answer came", "0.250"));
}

// The first identity's answer comes late as well, and then the second's: the second one must not answer the current.
TEST_F(LinkTest, an_identity_that_comes_twice_is_waited_for) {
    begin_ready();
    int asked = 0;
    bool slow = true;
    peer_.script = [&asked, &slow](const std::string& line) {
        if (line != "*IDN?") {
            return line == "V?" || slow ? std::string{} : plain(line);
        }
        return ++asked == 1 ? std::string{} : plain(line);
    };
    ask("V?");
    ASSERT_TRUE(world_.until([&asked] { return asked == 2; }, 5_s));
    ask("I?");
    world_.pass(30_ms);
    peer_.pty.say(plain("*IDN?"));
    slow = false;
    world_.pass(1_s);
    EXPECT_EQ(results_.back(), "0.250");
    EXPECT_EQ(peer_.count("I?"), 1U);
}

TEST_F(LinkTest, an_identity_that_never_comes_holds_things_up_for_four_of_its_deadlines_and_no_longer) {
    begin_ready();
    int asked = 0;
    peer_.script = [&asked](const std::string& line) {
        return line == "V?" || (line == "*IDN?" && ++asked == 1) ? std::string{} : plain(line);
    };
    ask("V?");
    ASSERT_TRUE(world_.until([&asked] { return asked == 2; }, 5_s));
    EXPECT_EQ(link_->state(), Link::State::resync) << "which of the two was answered is not known";
    world_.pass(1'900_ms);
    EXPECT_EQ(link_->state(), Link::State::resync);
    world_.pass(200_ms);
    EXPECT_EQ(link_->state(), Link::State::ready);
}

TEST_F(LinkTest, an_answer_to_nothing_makes_the_line_suspect) {
    begin_ready();
    const std::uint64_t before = link_->upsets();
    peer_.pty.say("3.700\n");
    world_.settle();
    EXPECT_GT(link_->upsets(), before);
    ask("I?");
    world_.pass(200_ms);
    EXPECT_THAT(results_, ElementsAre("0.250"));
    peer_.pty.say("\r\n");  // a line end alone says nothing
    world_.settle();
    EXPECT_EQ(link_->state(), Link::State::ready);
}

TEST_F(LinkTest, an_echo_is_no_answer) {
    begin_ready();
    peer_.script = [](const std::string& line) { return line + "\n" + plain(line); };
    ask("V?");
    world_.settle();
    EXPECT_THAT(results_, ElementsAre("the adapter sends back what it is sent"));
}

TEST_F(LinkTest, a_declared_echo_is_taken_off_exactly) {
    options_.echoes = true;
    begin_ready([](const std::string& line) { return line + "\n" + plain(line); });
    ask("V?");
    ask("SET 1", false);
    ask("I?");
    world_.pass(100_ms);
    EXPECT_THAT(results_, ElementsAre("3.700", "", "0.250"));
    peer_.script = [](const std::string& line) { return line + " \n" + plain(line); };
    ask("V?");
    world_.settle();
    EXPECT_EQ(results_.back(), "what came is no answer");
}

TEST_F(LinkTest, garbage_without_an_end_is_bounded_and_refused) {
    begin_ready();
    peer_.script = [](const std::string&) { return std::string{}; };
    ask("V?");
    for (int i = 0; i < 5; ++i) {
        peer_.pty.say(std::string(1'000, '\xff'));
        world_.settle();
    }
    EXPECT_THAT(results_, ElementsAre("what came is no answer"));
}

TEST_F(LinkTest, a_device_that_never_stops_talking_is_given_up_and_tried_again) {
    begin_ready();
    for (int i = 0; i < 200 && link_->state() != Link::State::unheard; ++i) {
        peer_.pty.say("noise");
        world_.pass(20_ms);
    }
    ASSERT_EQ(link_->state(), Link::State::unheard);
    EXPECT_THAT(link_->trouble(), HasSubstr("talks without being asked"));
    ask("V?");
    EXPECT_THAT(results_, ElementsAre("no answer came"));
    world_.pass(6_s);
    EXPECT_EQ(link_->state(), Link::State::ready);
}

TEST_F(LinkTest, making_safe_waits_for_one_deadline_at_most_and_not_for_getting_in_step) {
    begin_ready([](const std::string& line) { return line == "*IDN?" ? plain(line) : ""; });
    peer_.script = [](const std::string&) { return std::string{}; };
    ask("V?");
    ask("I?");
    const Time begun = world_.timing.steady();
    ask("OFF", false, Urgency::safe);
    ASSERT_TRUE(world_.until([this] { return peer_.count("OFF") == 1; }, 10_s));
    EXPECT_EQ(world_.timing.steady() - begun, 300_ms);
    // While it is being brought in step, and when it is given up for now, at once.
    EXPECT_EQ(link_->state(), Link::State::resync);
    ask("OFF", false, Urgency::safe);
    world_.settle();
    EXPECT_EQ(peer_.count("OFF"), 2U);
    ASSERT_TRUE(world_.until([this] { return link_->state() == Link::State::unheard; }, 10_s));
    ask("OFF", false, Urgency::safe);
    world_.settle();
    EXPECT_EQ(peer_.count("OFF"), 3U);
    EXPECT_EQ(results_[1], "no answer came");
}

// A stage that does not answer is told to open again and again; what is asked in between must still come to an end.
TEST_F(LinkTest, orders_that_are_repeated_keep_no_question_waiting) {
    for (const bool blocked : {false, true}) {
        begin_ready();
        peer_.script = [](const std::string&) { return std::string{}; };
        results_.clear();
        if (blocked) {
            peer_.deaf = true;
            ask(std::string(200'000, 'x'), false);
        }
        for (int i = 0; i < 40; ++i) {
            ask("OFF", false, Urgency::safe);
            ask("OUT?", true, Urgency::safe);
            world_.pass(400_ms);
            const std::size_t settled = results_.size() > 8 ? results_.size() - 8 : 0;
            for (std::size_t k = 0; k < settled; ++k) {
                ASSERT_NE(results_[k], open_) << k << " of " << results_.size() << (blocked ? " blocked" : "");
            }
        }
        world_.forget();
        link_.reset();
        peer_.pty.unplug();
        peer_.pty.plug_in();
        peer_.deaf = false;
    }
}

TEST_F(LinkTest, a_line_that_was_not_taken_whole_is_ended_before_the_next) {
    begin_ready();
    peer_.deaf = true;
    // More than the terminal holds: the port takes a part.
    ask(std::string(200'000, 'x'), false);
    world_.pass(300_ms);
    EXPECT_THAT(results_, ElementsAre("no answer came"));
    peer_.lines.clear();
    peer_.deaf = false;
    ask("OFF", false, Urgency::safe);
    world_.pass(400_ms);
    ASSERT_EQ(peer_.lines.size(), 3U);
    EXPECT_LT(peer_.lines[0].size(), 200'000U);
    EXPECT_EQ(peer_.lines[0].find_first_not_of('x'), std::string::npos);
    EXPECT_EQ(peer_.lines[1], "OFF");
    EXPECT_EQ(peer_.lines[2], "*IDN?");
}

TEST_F(LinkTest, a_long_line_goes_out_in_the_pieces_the_port_takes) {
    begin_ready();
    ask(std::string(200'000, 'x'), false);
    world_.settle();
    EXPECT_THAT(results_, ElementsAre(""));
    EXPECT_EQ(peer_.lines.back().size(), 200'000U);
}

TEST_F(LinkTest, a_question_can_be_taken_back) {
    begin_ready([](const std::string& line) { return line == "V?" ? "" : plain(line); });
    const Link::Ticket first = ask("V?");
    const Link::Ticket second = ask("I?");
    ask("I?");
    link_->cancel(second);
    link_->cancel(first);
    EXPECT_THAT(results_, ElementsAre("the question was taken back", "the question was taken back", open_));
    world_.settle();
    peer_.pty.say("3.700\n");
    world_.pass(1_s);
    EXPECT_EQ(results_.back(), "0.250");
    link_->cancel(first);
    link_->cancel(99'999);
}

TEST_F(LinkTest, answers_with_a_number_that_is_not_theirs_are_passed_over) {
    begin_ready();
    peer_.script = [](const std::string&) { return "#6 3.6\n#7 3.7\n"; };
    std::string got;
    link_->ask({.question = "#7 V?\n",
                .answer = line_ending_in('\n'),
                .deadline = 300_ms,
                .belongs = [](std::string_view answer) { return answer.substr(0, 2) == "#7"; },
                .done = [&got](const Result<Answer, LinkFault>& result) { got = result ? result->bytes : "fault"; }});
    world_.settle();
    EXPECT_EQ(got, "#7 3.7\n");
    EXPECT_EQ(link_->state(), Link::State::ready);
}

TEST_F(LinkTest, unplugging_is_one_fault_and_coming_back_under_another_device_is_found) {
    begin_ready();
    const std::string before = peer_.pty.device();
    ask("V?");
    ask("I?");
    peer_.deaf = true;
    world_.settle();
    const Folder elsewhere;
    const ScriptedPeer takes_its_number(elsewhere.file("other"), plain);
    peer_.pty.unplug();
    world_.settle();
    EXPECT_THAT(results_, ElementsAre("the link is down", "the link is down"));
    EXPECT_THAT(link_->trouble(), HasSubstr("is gone: unplugged"));
    EXPECT_THAT(changes_, ElementsAre(true, false));
    EXPECT_EQ(link_->descriptor(), -1);

    world_.pass(30_s);
    EXPECT_EQ(link_->state(), Link::State::closed);
    EXPECT_THAT(link_->trouble(), HasSubstr("there is no port"));
    const ScriptedPeer takes_it_too(elsewhere.file("another"), plain);
    peer_.pty.plug_in();
    EXPECT_NE(peer_.pty.device(), before);
    peer_.deaf = false;
    peer_.lines.clear();
    ASSERT_TRUE(world_.until([this] { return link_->state() == Link::State::ready; }, Link::reopen_most + 1_s));
    EXPECT_THAT(peer_.lines, ElementsAre("*IDN?"));
    ask("V?");
    world_.settle();
    EXPECT_EQ(results_.back(), "3.700");
    EXPECT_THAT(changes_, ElementsAre(true, false, true));
}

// A hang-up is readable for ever: a link that goes on reading takes the whole processor.
TEST_F(LinkTest, a_hang_up_does_not_spin) {
    begin_ready();
    peer_.pty.unplug();
    world_.settle();
    world_.io.restart();
    EXPECT_EQ(world_.io.poll(), 0U);
    EXPECT_EQ(world_.io.poll(), 0U);
}

TEST_F(LinkTest, an_absent_port_is_tried_with_a_growing_delay) {
    peer_.pty.unplug();
    begin();
    std::vector<std::int64_t> tries;
    while (world_.timing.steady() < Time{} + 30_s) {
        tries.push_back(world_.timing.next()->count);
        world_.timing.set(*world_.timing.next());
    }
    EXPECT_EQ(tries.size(), 10U);  // after 0.25, 0.5, 1, 2, 4, 5, 5, 5, 5, ... s
    EXPECT_EQ(tries.front(), 250'000);
    EXPECT_EQ(tries.back() - tries[tries.size() - 2], 5'000'000);
}

TEST_F(LinkTest, settings_changed_by_another_program_are_set_right_again) {
    begin_ready();
    const int other = ::open(peer_.pty.path().c_str(), O_RDWR | O_NOCTTY);
    termios changed{};
    ASSERT_EQ(::tcgetattr(other, &changed), 0);
    changed.c_lflag |= ECHO | ICANON;
    ASSERT_EQ(::tcsetattr(other, TCSANOW, &changed), 0);
    ::close(other);
    link_->distrust();
    EXPECT_THAT(link_->trouble(), HasSubstr("another program changed it"));
    ASSERT_TRUE(world_.until([this] { return link_->state() == Link::State::ready; }, 2_s));
    ask("V?");
    world_.settle();
    EXPECT_EQ(results_.back(), "3.700");
}

TEST_F(LinkTest, a_dead_device_delays_nobody_on_another_link) {
    begin_ready();
    ScriptedPeer dead(folder_.file("dead"), [](const std::string&) { return std::string{}; });
    Link other(world_.io, world_.timing, options_for(dead.pty.path()));
    world_.join(other, dead);
    other.start();
    const Time begun = world_.timing.steady();
    ask("V?");
    world_.settle();
    EXPECT_THAT(results_, ElementsAre("3.700"));
    EXPECT_EQ(world_.timing.steady(), begun);
    world_.pass(1_s);
    EXPECT_FALSE(other.up());
    EXPECT_THAT(other.trouble(), HasSubstr("says who it is when asked"));
}

TEST_F(LinkTest, what_is_done_may_ask_again_for_ever) {
    begin_ready();
    int left = 5'000;
    std::function<void()> again = [&] {
        link_->ask({.urgency = Urgency::apply,
                    .question = "SET\n",
                    .answer = {},
                    .deadline = 300_ms,
                    .belongs = {},
                    .done = [&](const Result<Answer, LinkFault>& result) {
                        if (result && --left > 0) {
                            again();
                        }
                    }});
    };
    again();
    world_.settle();
    EXPECT_EQ(left, 0);
}

// An instrument that answers in order, however slowly: no question is ever answered by another's answer. Every one of
// its answers names the question it belongs to; the link does not know that.
TEST_F(LinkTest, an_instrument_that_is_slow_at_random_never_answers_a_later_question_with_an_earlier_answer) {
    std::ptrdiff_t answered = 0;
    std::ptrdiff_t silent = 0;
    test::holds([this, &answered, &silent] {
        results_.clear();
        changes_.clear();
        struct Late {
            Time at;
            std::string bytes;
        };
        std::deque<Late> late;
        const auto delays = *rc::gen::container<std::vector<int>>(
            40, rc::gen::element(0, 1, 20, 120, 250, 299, 301, 340, 499, 501, 560, 700, 900, 1'500, 1'900));
        std::size_t asked = 0;
        const auto slow = [&](const std::string& line) {
            const Time ready = world_.timing.steady() + Duration{delays[asked++ % delays.size()] * 1'000};
            const Time at = late.empty() ? ready : std::max(ready, late.back().at);
            late.push_back({at, line == "*IDN?" ? plain(line) : line + "\n"});
            return std::string{};
        };
        peer_.script = plain;
        ASSERT_TRUE(world_.until([this] { return !link_ || link_->state() == Link::State::ready; }, 60_s));
        if (!link_) {
            begin_ready();
        }
        peer_.script = slow;
        const std::size_t questions = *rc::gen::inRange<std::size_t>(2, 20);
        const auto waits = [this] { return !results_.empty() && results_.back() == open_; };
        for (int i = 0; i < 60'000 && (results_.size() < questions || waits() || !late.empty()); ++i) {
            while (!late.empty() && late.front().at <= world_.timing.steady()) {
                const std::string bytes = late.front().bytes;
                late.pop_front();
                peer_.pty.say(bytes.ends_with("?!\n") ? bytes.substr(0, bytes.size() - 3) + "\n" : bytes);
                world_.settle();
            }
            if (!waits() && results_.size() < questions && link_->state() != Link::State::unheard) {
                ask("Q" + std::to_string(results_.size()) + "?!");  // the answer lacks the end: it is no echo
            }
            world_.pass(10_ms);
        }
        RC_ASSERT(!waits());
        answered += std::count_if(results_.begin(), results_.end(), [](const std::string& r) { return r[0] == 'Q'; });
        silent += std::count(results_.begin(), results_.end(), "no answer came");
        for (std::size_t i = 0; i < questions; ++i) {
            const std::string& result = results_[i];
            RC_ASSERT(result == "Q" + std::to_string(i) || result == "no answer came" ||
                      result == "what came is no answer");
        }
    });
    // It was neither all silence nor all well.
    EXPECT_GT(answered, 20);
    EXPECT_GT(silent, 20);
}

// Whatever it says, and however it is cut: each question is answered once, and never by bytes that were not said.
TEST_F(LinkTest, any_bytes_in_any_pieces_answer_each_question_once) {
    begin_ready();
    test::holds([this] {
        results_.clear();
        const auto pieces = *rc::gen::resize(12, rc::gen::arbitrary<std::vector<std::string>>());
        ASSERT_TRUE(world_.until([this] { return link_->state() == Link::State::ready; }, 30_s));
        peer_.script = [](const std::string& line) { return line == "*IDN?" ? plain(line) : ""; };
        ask("V?");
        ask("I?");
        std::string said;
        for (const std::string& piece : pieces) {
            said += piece;
            peer_.pty.say(piece);
            world_.pass(7_ms);
        }
        world_.pass(10_s);
        for (const std::string& result : results_) {
            RC_ASSERT(result != open_);
            RC_ASSERT(result == "no answer came" || result == "what came is no answer" ||
                      said.find(result) != std::string::npos);
        }
    });
}

}  // namespace
}  // namespace slowfilm::channel
