#include "daemon/channel/board_channel.hpp"

#include "daemon/channel/board_line.hpp"
#include "daemon/channel/instrument_channel.hpp"

#include <utility>

namespace slowfilm::channel {
namespace {

using namespace literals;
using wire::BoardIdentity;
using wire::BoardLimits;
using wire::BoardQuestion;
using wire::BoardRefusal;
using wire::BoardReply;
using wire::BoardState;

constexpr Duration retry_after = 5_s;

// Trouble where the reply is a refusal, or says otherwise than `wanted`.
template <class Reply, class Judge>
std::function<Outcome(const BoardReply&)> expecting(Judge judge) {
    return [judge = std::move(judge)](const BoardReply& reply) -> Outcome {
        if (const auto* const refusal = std::get_if<BoardRefusal>(&reply)) {
            return Trouble{FaultKind::refused, wire::describe(*refusal)};
        }
        return judge(std::get<Reply>(reply));
    };
}

std::string describe(const Demand& demand) {
    if (const auto* const drive = std::get_if<DriveCurrent>(&demand)) {
        return print(drive->current) + " within " + print(drive->floor) + " and " + print(drive->ceiling);
    }
    if (const auto* const hold = std::get_if<HoldVoltage>(&demand)) {
        return print(hold->voltage) + " with " + print(hold->source_max) + " in and " + print(hold->sink_max) +
               " out at most";
    }
    return "off";
}

class BoardChannel final : public Channel {
  public:
    BoardChannel(BoardChannelOptions options, std::unique_ptr<BoardLine> line)
        : options_(std::move(options)),
          limits_(wire::as_sent(options_.limits)),
          retry_(line->link().timing()),
          line_(std::move(line)) {
        verified_ = line_->steady();
        line_->start([this](BoardLine::News news) { hear(news); });
    }

    [[nodiscard]] const ChannelTraits& traits() const override { return options_.traits; }
    // A board says no maker's name, so a virtual one cannot be told from one that is real.
    [[nodiscard]] bool simulated() const override { return false; }
    [[nodiscard]] Health health() const override;
    void sample(Time now, SampleHandler handler) override;
    void apply(const Demand& demand, Time now, AppliedHandler handler) override;
    void set_ambient(Temperature, Time) override {}
    void load_cell(const LoadedCell&, Time) override {}

  private:
    enum class State : std::uint8_t { unknown, off, on };

    void hear(BoardLine::News news);
    void bring_up();
    void brought_up(const Outcome& outcome);
    [[nodiscard]] Outcome judge_identity(const BoardIdentity& identity);
    [[nodiscard]] std::optional<std::string> misfit(const BoardIdentity& identity) const;
    [[nodiscard]] BoardStep write_limits() const;
    [[nodiscard]] BoardStep limits_as_set(FaultKind otherwise) const;
    [[nodiscard]] BoardStep setting_is(const wire::BoardCommand& command, const Demand& wanted,
                                       FaultKind otherwise) const;
    [[nodiscard]] std::vector<BoardStep> drive_steps(const Demand& sent);
    void switch_off();
    void converge();
    void finish(const Outcome& outcome);
    void fault(FaultKind kind, std::string text);
    void take_note(const BoardState& state);
    void judge_state(const BoardState& state, std::uint64_t switched);
    void verify_now_and_then();
    void begin(std::shared_ptr<BoardScript>& place, Urgency urgency, std::vector<BoardStep> steps, Script::Done done);
    [[nodiscard]] static bool busy(const std::shared_ptr<BoardScript>& script) { return script && !script->over; }

    BoardChannelOptions options_;
    BoardLimits limits_;  // as they are sent
    Alarm retry_;
    std::optional<BoardIdentity> known_;  // who was here first
    bool identified_{false};              // since the port was opened or the board restarted
    bool ready_{false};
    State state_{State::unknown};
    std::uint64_t switched_{0};  // grows with each order to go on or off: a reading from before says nothing of it
    Demand wanted_{Open{}}, set_{Open{}};
    bool opening_{false}, driving_{false};
    bool again_{false};  // a newer demand waits for the one under way
    std::vector<AppliedHandler> waiting_;
    std::string trouble_;
    std::string latched_;  // why the board holds its output open; "" where it does not
    bool welded_{false};
    std::optional<Charge> own_count_;
    Time verified_;
    std::shared_ptr<BoardScript> bringing_, switching_off_, driving_script_, reading_, verifying_;
    std::unique_ptr<BoardLine> line_;  // last: it goes first, and calls nobody any more
};

// --- Bringing up -----------------------------------------------------------------------------------------------------

void BoardChannel::begin(std::shared_ptr<BoardScript>& place, Urgency urgency, std::vector<BoardStep> steps,
                         Script::Done done) {
    if (place) {
        place->stop();
    }
    std::shared_ptr<BoardScript> script = line_->run(urgency, std::move(steps), std::move(done));
    if (!script->over) {
        place = std::move(script);
    }
}

void BoardChannel::hear(BoardLine::News news) {
    const bool was_ready = ready_;
    ready_ = identified_ = false;
    state_ = State::unknown;
    set_ = Open{};
    own_count_.reset();
    latched_.clear();
    welded_ = false;
    ++switched_;
    retry_.cancel();
    for (const std::shared_ptr<BoardScript>& script : {bringing_, driving_script_, verifying_}) {
        if (script) {
            script->stop();
        }
    }
    switch (news) {
        case BoardLine::News::up: break;
        case BoardLine::News::lost:
            if (was_ready || driving_) {
                fault(FaultKind::lost, line_->link().trouble());
            }
            return;
        case BoardLine::News::rebooted:
            if (was_ready || driving_) {
                fault(FaultKind::rebooted,
                      options_.port.path + ": " + std::string(wire::describe(wire::BoardFault::rebooted)));
            }
            break;
    }
    bring_up();
}

// Off comes first of all, whoever is there; it also sets the board's counting to ours.
void BoardChannel::bring_up() {
    std::vector<BoardStep> steps{setting_is(Demand{Open{}}, Open{}, FaultKind::refused)};
    steps.push_back({BoardQuestion::identity,
                     expecting<BoardIdentity>([this](const BoardIdentity& said) { return judge_identity(said); })});
    steps.push_back(write_limits());
    steps.push_back(limits_as_set(FaultKind::refused));
    steps.push_back(
        {BoardQuestion::heartbeat, expecting<BoardState>([this](const BoardState& state) -> Outcome {
             take_note(state);
             return state.has(wire::board::output_closed)
                        ? Outcome{Trouble{FaultKind::refused, "the output is still closed after it was switched off"}}
                        : std::nullopt;
         })});
    begin(bringing_, Urgency::apply, std::move(steps), [this](const Outcome& outcome) { brought_up(outcome); });
}

void BoardChannel::brought_up(const Outcome& outcome) {
    if (!outcome) {
        ready_ = true;
        state_ = State::off;
        trouble_.clear();
        return;
    }
    trouble_ = outcome->text;
    retry_.set(line_->steady() + retry_after, [this] {
        if (line_->link().up() && !ready_) {
            bring_up();
        }
    });
}

// What the bench says against what is soldered.
std::optional<std::string> BoardChannel::misfit(const BoardIdentity& identity) const {
    const ChannelTraits& traits = options_.traits;
    const auto differs = [](std::string_view what, bool bench) {
        return std::string("the bench says that the board has ") + (bench ? "a " : "no ") + std::string(what) +
               ", and the board says otherwise";
    };
    if (traits.voltage_min < identity.voltage_min || traits.voltage_max > identity.voltage_max ||
        limits_.voltage_max > identity.voltage_max) {
        return "the channel's voltage, " + print(traits.voltage_min) + " to " + print(traits.voltage_max) +
               ", or its limit " + print(limits_.voltage_max) + ", is beyond the board's rating of " +
               print(identity.voltage_min) + " to " + print(identity.voltage_max);
    }
    if (traits.source_max > identity.source_max || traits.sink_max > identity.sink_max) {
        return "the channel's current, " + print(traits.source_max) + " in and " + print(traits.sink_max) +
               " out, is beyond the board's rating of " + print(identity.source_max) + " in and " +
               print(identity.sink_max) + " out";
    }
    if (identity.has_contactor != traits.has_contactor) {
        return differs("contactor", traits.has_contactor);
    }
    if (identity.has_thermometer != options_.has_thermometer) {
        return differs("thermometer", options_.has_thermometer);
    }
    if (identity.reads_terminals != traits.reads_terminals) {
        return differs("reading at its terminals", traits.reads_terminals);
    }
    return std::nullopt;
}

Outcome BoardChannel::judge_identity(const BoardIdentity& identity) {
    const auto number = [](const char* what, std::uint32_t is, std::uint32_t expected) {
        return std::string("the channel board says that its ") + what + " number is " + std::to_string(is) +
               "; the bench expects " + std::to_string(expected);
    };
    std::string wrong;
    if (options_.kind && identity.kind != *options_.kind) {
        wrong = number("kind", identity.kind, *options_.kind);
    } else if (options_.serial && identity.serial != *options_.serial) {
        wrong = number("serial", identity.serial, *options_.serial);
    } else if (known_ && *known_ != identity) {
        wrong = "another channel board hangs here than before: it was kind " + std::to_string(known_->kind) +
                " number " + std::to_string(known_->serial) + ", and now says it is kind " +
                std::to_string(identity.kind) + " number " + std::to_string(identity.serial) +
                " (or its firmware or rating changed); put the other back, or start the daemon anew";
    } else if (const std::optional<std::string> why = misfit(identity)) {
        wrong = *why + "; correct the bench file, or take another board";
    }
    if (!wrong.empty()) {
        return Trouble{FaultKind::refused, options_.port.path + ": " + wrong};
    }
    known_ = identity;
    identified_ = true;
    return std::nullopt;
}

BoardStep BoardChannel::write_limits() const {
    return {limits_, expecting<BoardLimits>([](const BoardLimits&) -> Outcome { return std::nullopt; })};
}

// Compared with what was sent, which has been rounded to the link's steps.
BoardStep BoardChannel::limits_as_set(FaultKind otherwise) const {
    return {BoardQuestion::limits, expecting<BoardLimits>([this, otherwise](const BoardLimits& held) -> Outcome {
                if (held == limits_) {
                    return std::nullopt;
                }
                return Trouble{otherwise, "the board's limits were set to " + channel::describe(limits_) +
                                              " and read back as " + channel::describe(held)};
            })};
}

BoardStep BoardChannel::setting_is(const wire::BoardCommand& command, const Demand& wanted, FaultKind otherwise) const {
    return {command, expecting<Demand>([wanted, otherwise](const Demand& held) -> Outcome {
                if (held == wanted) {
                    return std::nullopt;
                }
                return Trouble{otherwise,
                               "the board was set to " + describe(wanted) + " and reads back as " + describe(held)};
            })};
}

// --- Demands ---------------------------------------------------------------------------------------------------------

void BoardChannel::apply(const Demand& demand, Time, AppliedHandler handler) {
    wanted_ = demand;
    waiting_.push_back(std::move(handler));
    if (is_open(demand)) {
        driving_ = again_ = false;
        opening_ = true;
        switch_off();
    } else if (driving_ || opening_) {
        again_ = true;  // on from there, in whole steps: a ramp may be faster than the link
    } else {
        converge();
    }
}

void BoardChannel::switch_off() {
    ++switched_;
    for (const std::shared_ptr<BoardScript>& script : {driving_script_, verifying_}) {
        if (script) {
            script->stop();
        }
    }
    set_ = Open{};
    state_ = State::unknown;
    line_->shout_off();
    begin(switching_off_, Urgency::safe,
          {setting_is(Demand{Open{}}, Open{}, FaultKind::refused),
           setting_is(BoardQuestion::setting, Open{}, FaultKind::refused)},
          [this](const Outcome& outcome) {
              state_ = outcome ? State::unknown : State::off;
              if (!std::exchange(opening_, false)) {
                  return;
              }
              if (!outcome && again_) {
                  converge();
              } else {
                  finish(outcome);
              }
          });
}

// A beat first, or a board that nobody asked of late would refuse.
std::vector<BoardStep> BoardChannel::drive_steps(const Demand& sent) {
    std::vector<BoardStep> steps;
    steps.push_back({BoardQuestion::heartbeat, expecting<BoardState>([this](const BoardState& state) -> Outcome {
                         take_note(state);
                         if (welded_) {
                             return Trouble{FaultKind::refused, "the board's contactor is welded"};
                         }
                         return std::nullopt;
                     })});
    if (!latched_.empty()) {
        // A person has seen to whatever latched it, or nothing would be driven again; the board sees whether it lasts.
        steps.push_back({BoardQuestion::clear, [this](const BoardReply& reply) -> Outcome {
                             if (const auto* const refusal = std::get_if<BoardRefusal>(&reply)) {
                                 return Trouble{FaultKind::refused, "the board stays latched open (" + latched_ +
                                                                        "): " + wire::describe(*refusal)};
                             }
                             take_note(std::get<BoardState>(reply));
                             return std::nullopt;
                         }});
    }
    steps.push_back(setting_is(sent, sent, FaultKind::refused));
    steps.push_back(setting_is(BoardQuestion::setting, sent, FaultKind::refused));
    return steps;
}

void BoardChannel::converge() {
    again_ = false;
    if (!ready_) {
        const std::string& of_link = line_->link().trouble();
        finish(Trouble{FaultKind::lost, !of_link.empty()   ? of_link
                                        : trouble_.empty() ? "the channel board is being brought up"
                                                           : trouble_});
        return;
    }
    driving_ = true;
    ++switched_;
    const Demand sent = wire::as_sent(wanted_);
    // From here on it is neither, until it has been read back.
    state_ = State::unknown;
    begin(driving_script_, Urgency::apply, drive_steps(sent), [this, sent](const Outcome& outcome) {
        if (!outcome) {
            state_ = State::on;
            set_ = sent;
            if (again_) {
                converge();
                return;
            }
        } else {
            switch_off();  // what is half set must not stay so
        }
        finish(outcome);
    });
}

void BoardChannel::finish(const Outcome& outcome) {
    driving_ = again_ = opening_ = false;
    if (outcome) {
        trouble_ = outcome->text;
    } else if (ready_) {
        trouble_.clear();  // of a board that is not, it says why
    }
    const std::vector<AppliedHandler> waiting = std::exchange(waiting_, {});
    const Demand taken = wanted_;
    for (const AppliedHandler& handler : waiting) {
        if (outcome) {
            handler(tl::unexpected<FaultKind>{outcome->kind});
        } else {
            handler(taken);
        }
    }
}

// Whoever waits for a demand hears it as the answer to that.
void BoardChannel::fault(FaultKind kind, std::string text) {
    trouble_ = std::move(text);
    if (driving_) {
        switch_off();
        finish(Trouble{kind, trouble_});
    } else {
        tell_fault(kind);
    }
}

// --- Readings --------------------------------------------------------------------------------------------------------

// A reading is a heartbeat: the heart beats only as long as somebody looks.
void BoardChannel::sample(Time now, SampleHandler handler) {
    if (!identified_ || busy(reading_)) {
        handler(Sample{});
        return;
    }
    auto got = std::make_shared<std::optional<BoardState>>();
    const Duration shift = now - line_->steady();
    begin(reading_, Urgency::sample,
          {{ready_ ? BoardQuestion::heartbeat : BoardQuestion::state,
            expecting<BoardState>([got](const BoardState& state) -> Outcome {
                *got = state;
                return std::nullopt;
            })}},
          [this, got, shift, switched = switched_, handler = std::move(handler)](const Outcome& outcome) {
              if (outcome || !*got) {
                  handler(Sample{});
                  return;
              }
              Sample sample = (*got)->sample;
              const auto date = [shift](auto& reading) {
                  reading.time = reading.quality == Quality::absent ? Time{} : reading.time + shift;
              };
              date(sample.voltage);
              date(sample.terminals);
              date(sample.current);
              date(sample.temperature);
              date(sample.ambient);
              judge_state(**got, switched);
              verify_now_and_then();
              handler(sample);
          });
}

void BoardChannel::take_note(const BoardState& state) {
    own_count_ = state.charge;
    latched_ = state.has(wire::board::latched) ? wire::describe_latch(state.flags) : "";
}

// What it says of itself against what was last read back after an order, unless there was another since.
void BoardChannel::judge_state(const BoardState& state, std::uint64_t switched) {
    const bool was_latched = !latched_.empty();
    take_note(state);
    const bool was_welded = std::exchange(welded_, state.contactor == wire::board::Contactor::welded);
    if (welded_ && !was_welded) {
        fault(FaultKind::refused,
              "the board's contactor is welded: it was told to open and has not; nothing cuts the cell off but the "
              "power stage, so disconnect the cell by hand");
        return;
    }
    if (!latched_.empty() && !was_latched && state_ != State::off) {
        switch_off();
        fault(FaultKind::opened_itself, "the board opened its output and holds it so: " + latched_);
        return;
    }
    if (!ready_ || switched != switched_ || busy(switching_off_) || driving_) {
        return;
    }
    if (!state.has(wire::board::limits_written) || !state.has(wire::board::limits_read)) {
        hear(BoardLine::News::rebooted);
    } else if (state_ == State::on && !state.has(wire::board::output_closed)) {
        switch_off();
        fault(FaultKind::opened_itself, "the board's output is open, and nobody here opened it");
    } else if (state_ == State::off && state.has(wire::board::output_closed)) {
        switch_off();
        fault(FaultKind::setting_changed, "the board's output is closed, and nobody here closed it");
    }
}

void BoardChannel::verify_now_and_then() {
    if (line_->steady() - verified_ < verify_every || !ready_ || state_ == State::unknown || busy(verifying_)) {
        return;
    }
    verified_ = line_->steady();
    begin(verifying_, Urgency::sample,
          {setting_is(BoardQuestion::setting, set_, FaultKind::setting_changed),
           limits_as_set(FaultKind::setting_changed)},
          [this](const Outcome& outcome) {
              // Silence and garbage are the samples' to tell.
              if (outcome && outcome->kind == FaultKind::setting_changed) {
                  fault(outcome->kind, outcome->text);
              }
          });
}

Health BoardChannel::health() const {
    Health health;
    health.ready = ready_ && !welded_;
    health.trouble = line_->link().trouble();
    const bool seen_open = is_open(wanted_) && state_ == State::off && ready_ && !welded_;
    if (health.trouble.empty() && !seen_open) {
        health.trouble = trouble_;
    }
    if (health.trouble.empty() && !latched_.empty()) {
        health.trouble =
            "the board holds its output open: " + latched_ + "; that is cleared when a run begins or goes on here";
    }
    if (known_) {
        health.identity = channel::describe(*known_);
    }
    if (ready_) {
        health.settings = "limits " + channel::describe(limits_) + ", own count " +
                          (own_count_ ? print(*own_count_) : "unknown") + ", output " +
                          (state_ == State::on    ? "on, " + describe(set_)
                           : state_ == State::off ? "off"
                                                  : "being set");
    }
    return health;
}

}  // namespace

Result<std::unique_ptr<Channel>> make_board_channel(BoardChannelOptions options, std::unique_ptr<BoardLine> line) {
    if (Result<void> can = can_make(options); !can) {
        return tl::unexpected(std::move(can.error()));
    }
    return std::make_unique<BoardChannel>(std::move(options), std::move(line));
}

}  // namespace slowfilm::channel
