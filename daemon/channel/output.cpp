#include "daemon/channel/output.hpp"

#include "daemon/channel/profile_line.hpp"
#include "daemon/core/text.hpp"

#include <algorithm>
#include <utility>

namespace slowfilm::channel {

Output::Output(std::shared_ptr<Instrument> instrument, const OutputProfile& profile, OutputPlace place,
               std::function<void(FaultKind)> on_fault)
    : instrument_(std::move(instrument)),
      profile_(profile),
      place_(std::move(place)),
      on_fault_(std::move(on_fault)),
      retry_(instrument_->link().timing()),
      contact_(instrument_->link().timing()) {
    listener_ = instrument_->join([this](Instrument::News news) { hear(news); });
    if (instrument_->link().up()) {
        bring_up();
    }
}

Output::~Output() {
    instrument_->leave(listener_);
    for (const std::shared_ptr<Script>& script :
         {bringing_, switching_off_, driving_, reading_, measuring_, verifying_}) {
        if (script) {
            script->stop();
        }
    }
}

const std::string& Output::trouble() const {
    const std::string& of_link = instrument_->link().trouble();
    return of_link.empty() ? trouble_ : of_link;
}

void Output::begin(std::shared_ptr<Script>& place, Urgency urgency, std::vector<Step> steps, Script::Done done) {
    std::shared_ptr<Script> script = instrument_->run(urgency, std::move(steps), std::move(done));
    if (!script->over()) {
        place = std::move(script);
    }
}

void Output::fault(FaultKind kind, std::string text) {
    trouble_ = std::move(text);
    on_fault_(kind);
}

void Output::hear(Instrument::News news) {
    const bool was_ready = ready_;
    ready_ = false;
    state_ = State::unknown;
    known_ = {};
    target_.reset();
    own_count_.reset();
    ++switched_;
    retry_.cancel();
    contact_.cancel();
    contactor_closed_ = welded_ = false;
    weld_tested_ = false;
    for (const std::shared_ptr<Script>& script : {bringing_, driving_, verifying_}) {
        if (script) {
            script->stop();
        }
    }
    switch (news) {
        case Instrument::News::up: bring_up(); return;
        case Instrument::News::lost:
            if (was_ready) {
                fault(FaultKind::lost, instrument_->link().trouble());
            }
            return;
        case Instrument::News::rebooted:
            if (was_ready) {
                fault(FaultKind::rebooted,
                      instrument_->profile().port.path + ": the instrument was restarted and lost its settings");
            }
            bring_up();
            return;
    }
}

// Off comes first of all, whatever else is not in order; then all that must be so before it may be used.
void Output::bring_up() {
    std::vector<Step> first{command(profile_.off)};
    if (profile_.contactor) {
        first.push_back(command(profile_.contactor->open));
    }
    begin(bringing_, Urgency::safe, std::move(first), [this](const Outcome& outcome) {
        if (outcome) {
            brought_up(outcome);
            return;
        }
        instrument_->prepare(listener_, [this](const Outcome& prepared) {
            if (prepared) {
                brought_up(prepared);
            } else {
                bring_up_rest();
            }
        });
    });
}

void Output::bring_up_rest() {
    // Once more, for one that listened to nothing before it was in remote.
    std::vector<Step> steps{command(profile_.off),
                            expect_switch(profile_.state, false, "the output is still on after it was switched off")};
    if (profile_.contactor) {
        steps.push_back(command(profile_.contactor->open));
        steps.push_back(
            expect_switch(profile_.contactor->state, false, "the contactor is still closed after it was opened"));
    }
    add_zero(steps);
    for (std::vector<Step>& more : std::array{setup_steps(), protection_steps(), instrument_->errors_empty()}) {
        std::move(more.begin(), more.end(), std::back_inserter(steps));
    }
    begin(bringing_, Urgency::apply, std::move(steps), [this](const Outcome& outcome) { brought_up(outcome); });
}

void Output::brought_up(const Outcome& outcome) {
    if (!outcome) {
        ready_ = true;
        state_ = State::off;
        off_since_ = instrument_->link().timing().steady();
        trouble_.clear();
        return;
    }
    trouble_ = outcome->text;
    retry_.set(instrument_->link().timing().steady() + retry_after, [this] {
        if (instrument_->link().up() && !ready_) {
            bring_up();
        }
    });
}

std::vector<Step> Output::setup_steps() {
    std::vector<Step> steps;
    const SenseProfile& sense = instrument_->profile().sense;
    if (!sense.fixed_four_wire) {
        steps.push_back(command(place_.four_wire ? sense.four_wire : sense.two_wire));
        steps.push_back(expect_switch(sense.read, place_.four_wire, "the sense wiring reads back otherwise than set"));
    }
    for (const SetupLine& line : profile_.setup) {
        steps.push_back(command(line.set));
        steps.push_back({filled(line.read),
                         [&line](const Heard& heard) -> Result<Verdict, Trouble> {
                             if (heard.line == line.expect) {
                                 return Verdict::good;
                             }
                             return tl::unexpected(
                                 Trouble{FaultKind::refused, "after '" + line.set.text + "' '" + line.read.text +
                                                                 "' should be answered with '" + line.expect +
                                                                 "', and is with '" + escaped(heard.line, 80) + "'"});
                         },
                         {}});
    }
    return steps;
}

std::vector<Step> Output::protection_steps() {
    std::vector<Step> steps;
    if (!profile_.protection.set.empty()) {
        add_setting(steps, Slot::protection, place_.protection.count, wire::Rounding::down);
        if (!profile_.protection_on.empty()) {
            steps.push_back(command(profile_.protection_on));
            steps.push_back(expect_switch(profile_.protection_state, true, "its own protection does not go on"));
        }
    }
    if (profile_.current_protection) {
        add_setting(steps, Slot::current_protection, place_.current_protection.count, wire::Rounding::toward_zero);
    }
    return steps;
}

void Output::switch_off(Script::Done done) {
    ++switched_;
    for (const std::shared_ptr<Script>& script : {driving_, switching_off_, verifying_}) {
        if (script) {
            script->stop();
        }
    }
    contact_.cancel();
    target_.reset();
    state_ = State::unknown;
    begin(switching_off_, Urgency::safe,
          {command(profile_.off),
           expect_switch(profile_.state, false, "the output is still on after it was switched off")},
          [this, done = std::move(done)](const Outcome& outcome) {
              if (!profile_.contactor) {
                  switched_off(outcome, done);
                  return;
              }
              const auto opened = [this, outcome, done](const Outcome& of_contactor) {
                  switched_off(outcome ? outcome : of_contactor, done);
              };
              // What did not go off is cut off at once; else the contacts wait for the current to be gone.
              if (outcome) {
                  open_contactor_now(opened);
              } else {
                  open_contactor(instrument_->link().timing().steady(), opened);
              }
          });
}

void Output::switched_off(const Outcome& outcome, const Script::Done& done) {
    if (!outcome) {
        state_ = State::off;
        off_since_ = instrument_->link().timing().steady();
        if (ready_) {
            std::vector<Step> zero;
            add_zero(zero);
            begin(driving_, Urgency::apply, std::move(zero), [this](const Outcome& zeroed) {
                if (zeroed) {
                    trouble_ = zeroed->text;
                }
            });
        }
    } else {
        trouble_ = outcome->text;
    }
    done(outcome);
}

void Output::drive(const Target& target, Script::Done done) {
    if (!ready()) {
        done(Trouble{FaultKind::lost, trouble().empty() ? "the instrument is being brought up" : trouble()});
        return;
    }
    for (const std::shared_ptr<Script>& script : {driving_, verifying_}) {
        if (script) {
            script->stop();
        }
    }
    ++switched_;
    contact_.cancel();
    if (profile_.contactor && !contactor_closed_) {
        close_contactor(target, std::move(done));
        return;
    }
    drive_closed(target, std::move(done));
}

void Output::drive_closed(const Target& target, Script::Done done) {
    std::vector<Step> steps = drive_steps(target);
    // From here on it is neither, until it has been read back.
    target_.reset();
    if (state_ == State::off) {
        state_ = State::unknown;
    }
    begin(driving_, Urgency::apply, std::move(steps), [this, target, done = std::move(done)](const Outcome& outcome) {
        if (outcome) {
            trouble_ = outcome->text;
        } else {
            trouble_.clear();
            target_ = target;
            state_ = State::on;
        }
        done(outcome);
    });
}

void Output::verify() {
    const auto busy = [](const std::shared_ptr<Script>& script) { return script && !script->over(); };
    if (!ready_ || busy(driving_) || busy(switching_off_) || busy(verifying_)) {
        return;
    }
    std::vector<Step> steps;
    for (std::size_t slot = 0; slot < slots; ++slot) {
        if (known_[slot]) {
            steps.push_back(read_back(static_cast<Slot>(slot), FaultKind::setting_changed));
        }
    }
    const SenseProfile& sense = instrument_->profile().sense;
    if (!sense.fixed_four_wire) {
        steps.push_back(
            expect_switch(sense.read, place_.four_wire, "the sense wiring was changed", FaultKind::setting_changed));
    }
    if (!profile_.protection_state.empty()) {
        steps.push_back(expect_switch(profile_.protection_state, true, "its own protection was switched off",
                                      FaultKind::setting_changed));
    }
    if (profile_.contactor) {
        steps.push_back(expect_switch(profile_.contactor->state, contactor_closed_,
                                      contactor_closed_ ? "the contactor was opened, and nobody here opened it"
                                                        : "the contactor was closed, and nobody here closed it",
                                      FaultKind::setting_changed));
    }
    if (profile_.charge) {
        steps.push_back({filled(profile_.charge->ask),
                         [this](const Heard& heard) -> Result<Verdict, Trouble> {
                             const auto number =
                                 wire::read_number(heard.line, instrument_->rules(profile_.charge->unit));
                             own_count_.reset();
                             if (number) {
                                 own_count_ = *number * profile_.charge->ampere_hours;
                             }
                             return Verdict::good;
                         },
                         [](LinkFault) {}});
    }
    begin(verifying_, Urgency::sample, std::move(steps), [this](const Outcome& outcome) {
        // Silence and garbage are the samples' to tell.
        if (outcome && outcome->kind == FaultKind::setting_changed) {
            fault(outcome->kind, outcome->text);
        }
    });
}

}  // namespace slowfilm::channel
