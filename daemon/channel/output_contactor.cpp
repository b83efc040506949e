// An output's contactor: its contacts meet only where there is no voltage between them, part only where there is no
// current through them, and are looked at afterwards.
#include "daemon/channel/output.hpp"

#include <algorithm>
#include <utility>

namespace slowfilm::channel {
namespace {

using namespace literals;

constexpr Voltage apart{50'000'000};      // across the contacts: more would be a rush of current when they meet
constexpr Current at_rest{10'000'000};    // through them: more would be an arc when they part
constexpr Duration rest_within = 300_ms;  // then they part all the same
constexpr Duration rest_again = 20_ms;
constexpr Duration meet_within = 3_s;
constexpr Duration meet_again = 50_ms;
constexpr Duration fall_within = 3_s;  // a stage that is off has let its terminals fall by then
constexpr int weld_readings = 3;
constexpr Voltage tells{500'000'000};  // a cell with less than this looks like a stage that is off

}  // namespace

// What is under way until the contacts have met.
struct Output::Contact {
    Target target;
    Script::Done done;
    Time since;
    Reading<Voltage> cell, stage;
    Reading<Current> current;
};

// First of all: where is the cell?
void Output::close_contactor(const Target& target, Script::Done done) {
    auto contact = std::make_shared<Contact>(Contact{target, std::move(done), instrument_->link().timing().steady()});
    target_.reset();
    state_ = State::unknown;
    begin(driving_, Urgency::apply,
          {ask_plain(profile_.voltage_measure,
                     [contact](Time time, double volts) { contact->cell = quantise_voltage(time, volts); })},
          [this, contact](const Outcome& outcome) {
              if (outcome || !contact->cell.good()) {
                  give_up(contact, outcome ? *outcome
                                           : Trouble{FaultKind::refused,
                                                     "the cell's voltage is not known, "
                                                     "so the contactor is not closed"});
              } else {
                  meet_cell(contact);
              }
          });
}

// The stage goes where the cell is, with no current to give.
void Output::meet_cell(const std::shared_ptr<Contact>& contact) {
    std::vector<Step> steps;
    add_zero(steps);
    const std::int64_t volts = std::clamp(contact->cell.value.count, profile_.voltage.min, profile_.voltage.max);
    add_setting(steps, Slot::voltage, volts, wire::Rounding::nearest);
    std::vector<Step> more = switch_on_steps();
    std::move(more.begin(), more.end(), std::back_inserter(steps));
    begin(driving_, Urgency::apply, std::move(steps), [this, contact](const Outcome& outcome) {
        if (outcome) {
            give_up(contact, *outcome);
            return;
        }
        contact->since = instrument_->link().timing().steady();
        compare_with_cell(contact);
    });
}

void Output::compare_with_cell(const std::shared_ptr<Contact>& contact) {
    const double sign = place_.load ? -1.0 : 1.0;
    contact->cell = contact->stage = {};
    contact->current = {};
    std::vector<Step> steps{
        ask_plain(profile_.voltage_measure,
                  [contact](Time time, double volts) { contact->cell = quantise_voltage(time, volts); }),
        ask_plain(*profile_.terminals,
                  [contact](Time time, double volts) { contact->stage = quantise_voltage(time, volts); }),
        ask_plain(profile_.current_measure, [contact, sign](Time time, double amperes) {
            contact->current = quantise_current(time, sign * amperes);
        })};
    begin(driving_, Urgency::apply, std::move(steps), [this, contact](const Outcome& outcome) {
        const bool known = !outcome && contact->cell.good() && contact->stage.good() && contact->current.good();
        const Voltage between = known ? magnitude(contact->stage.value - contact->cell.value) : Voltage{};
        if (known && between <= apart && magnitude(contact->current.value) <= at_rest) {
            closed(contact);
        } else if (outcome || instrument_->link().timing().steady() - contact->since > meet_within) {
            give_up(contact, outcome
                                 ? *outcome
                                 : Trouble{FaultKind::refused,
                                           "the contactor is not closed: the stage is at " +
                                               print(contact->stage.value) + " and the cell at " +
                                               print(contact->cell.value) + ", with " + print(contact->current.value) +
                                               "; they must be within " + print(apart) + " and at rest"});
        } else {
            contact_.set(instrument_->link().timing().steady() + meet_again,
                         [this, contact] { compare_with_cell(contact); });
        }
    });
}

void Output::closed(const std::shared_ptr<Contact>& contact) {
    std::vector<Step> steps{command(profile_.contactor->close),
                            expect_switch(profile_.contactor->state, true, "the contactor did not close")};
    begin(driving_, Urgency::apply, std::move(steps), [this, contact](const Outcome& outcome) {
        ++operations_;
        contactor_closed_ = true;  // or halfway: it must be opened
        weld_tested_ = false;
        not_apart_ = 0;
        if (outcome) {
            give_up(contact, *outcome);
            return;
        }
        state_ = State::on;
        drive_closed(contact->target, contact->done);
    });
}

void Output::give_up(const std::shared_ptr<Contact>& contact, const Trouble& trouble) {
    const Script::Done done = std::move(contact->done);
    switch_off([](const Outcome&) {});
    trouble_ = trouble.text;
    done(trouble);
}

// The output is off; its current goes first.
void Output::open_contactor(Time since, Script::Done done) {
    if (!contactor_closed_) {
        open_contactor_now(std::move(done));
        return;
    }
    auto current = std::make_shared<Reading<Current>>();
    begin(switching_off_, Urgency::safe,
          {ask_plain(profile_.current_measure,
                     [current](Time time, double amperes) { *current = quantise_current(time, amperes); })},
          [this, current, since, done = std::move(done)](const Outcome&) {
              const bool still = current->good() && magnitude(current->value) > at_rest;
              if (!still || instrument_->link().timing().steady() - since > rest_within) {
                  open_contactor_now(done);
              } else {
                  contact_.set(instrument_->link().timing().steady() + rest_again,
                               [this, since, done] { open_contactor(since, done); });
              }
          });
}

void Output::open_contactor_now(Script::Done done) {
    operations_ += contactor_closed_ ? 1 : 0;
    begin(switching_off_, Urgency::safe,
          {command(profile_.contactor->open),
           expect_switch(profile_.contactor->state, false, "the contactor is still closed after it was opened")},
          [this, done = std::move(done)](const Outcome& outcome) {
              contactor_closed_ = contactor_closed_ && outcome.has_value();
              done(outcome);
          });
}

// A contactor tells where its coil is, not its contacts: the voltage behind them must leave the cell's.
void Output::judge_weld(const OutputReading& reading) {
    if (!profile_.contactor || contactor_closed_ || weld_tested_ || state_ != State::off ||
        !(instrument_->link().timing().steady() - off_since_ > fall_within) || !reading.voltage.good() ||
        !reading.terminals.good() || magnitude(reading.voltage.value) < tells) {
        return;
    }
    if (magnitude(reading.voltage.value - reading.terminals.value) > apart) {
        weld_tested_ = true;
        welded_ = false;
        not_apart_ = 0;
    } else if (++not_apart_ == weld_readings) {
        welded_ = true;
        fault(FaultKind::refused,
              "the contactor is welded: it was opened, and its terminals are still at the cell's voltage of " +
                  print(reading.terminals.value) + "; disconnect the cell by hand");
    }
}

Step Output::ask_plain(const Measure& what, std::function<void(Time, double)> take) {
    return {filled(what.ask),
            [this, &what, take = std::move(take)](const Heard& heard) -> Result<Verdict, Trouble> {
                if (const auto number = wire::read_number(heard.line, instrument_->rules(what.unit))) {
                    take(heard.asked, *number);
                }
                return Verdict::good;
            },
            [](LinkFault) {}};
}

}  // namespace slowfilm::channel
