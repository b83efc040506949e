// Reading an output: every quantity by its own question, none of them by the answer to another's.
#include "daemon/channel/output.hpp"
#include "daemon/channel/profile_line.hpp"

#include <algorithm>
#include <utility>

namespace slowfilm::channel {

struct Output::Asking {
    OutputReading reading;
    Time steady, now;  // of its beginning
    std::uint64_t switched{0}, strays{0};
    std::optional<bool> on;
    bool garbage{false};
    ReadHandler done;
    [[nodiscard]] Time time_of(const Heard& heard) const { return now + (heard.asked - steady); }
    // FNV-1a over what was said.
    void hash(std::string_view line) {
        for (const char c : line) {
            reading.raw_hash = (reading.raw_hash ^ static_cast<unsigned char>(c)) * 16'777'619U;
        }
    }
};

namespace {

// The value that is no value; it came all the same.
constexpr double no_reading = __builtin_nan("");

template <class Q>
void withhold(Reading<Q>& reading) {
    if (reading.good()) {
        reading = {};
    }
}

}  // namespace

// A value that the instrument says is none is bad and the others stand; what is no answer at all makes the line
// suspect.
Step Output::measure(const std::shared_ptr<Asking>& asking, const Measure& what,
                     std::function<Quality(Time, double)> take) {
    return {filled(what.ask),
            [this, asking, &what, take = std::move(take)](const Heard& heard) -> Result<Verdict, Trouble> {
                const auto number = wire::read_number(heard.line, instrument_->rules(what.unit));
                const bool none = !number && (number.error() == wire::ReplyFault::over_range ||
                                              number.error() == wire::ReplyFault::not_a_number);
                take(asking->time_of(heard), number ? *number : no_reading);
                asking->hash(heard.line);
                if (!number && !none) {
                    asking->garbage = true;
                    trouble_ = instrument_->no_answer(what.ask.text, heard, number.error()).value().text;
                }
                return Verdict::good;
            },
            [](LinkFault) {}};
}

Step Output::ask_state(const std::shared_ptr<Asking>& asking) {
    return {filled(profile_.state),
            [this, asking](const Heard& heard) -> Result<Verdict, Trouble> {
                const auto on = wire::read_boolean(heard.line, instrument_->rules());
                if (on) {
                    asking->on = *on;
                } else {
                    asking->garbage = true;
                    trouble_ = instrument_->no_answer(profile_.state.text, heard, on.error()).value().text;
                }
                return Verdict::good;
            },
            [](LinkFault) {}};
}

Step Output::ask_mode(const std::shared_ptr<Asking>& asking) {
    return {filled(profile_.mode),
            [this, asking](const Heard& heard) -> Result<Verdict, Trouble> {
                const auto is = [&heard](const std::vector<std::string>& words) {
                    return std::find(words.begin(), words.end(), heard.line) != words.end();
                };
                if (is(profile_.mode_current)) {
                    asking->reading.mode = OutputMode::constant_current;
                } else if (is(profile_.mode_voltage)) {
                    asking->reading.mode = OutputMode::constant_voltage;
                }
                return Verdict::good;
            },
            [](LinkFault) {}};
}

void Output::add_questions(const std::shared_ptr<Asking>& asking, std::vector<Step>& steps) {
    OutputReading& reading = asking->reading;
    steps.push_back(measure(asking, profile_.voltage_measure, [&reading](Time time, double volts) {
        return (reading.voltage = quantise_voltage(time, volts)).quality;
    }));
    const double sign = place_.load ? -1.0 : 1.0;
    steps.push_back(measure(asking, profile_.current_measure, [&reading, sign](Time time, double amperes) {
        return (reading.current = quantise_current(time, sign * amperes)).quality;
    }));
    // Between numbers stand answers of another kind: were they off by one, it would show.
    steps.push_back(ask_state(asking));
    if (profile_.terminals) {
        steps.push_back(measure(asking, *profile_.terminals, [&reading](Time time, double volts) {
            return (reading.terminals = quantise_voltage(time, volts)).quality;
        }));
    }
    if (!profile_.mode.empty()) {
        steps.push_back(ask_mode(asking));
    }
    if (const std::optional<Measure>& thermometer = instrument_->profile().temperature; thermometer && !place_.load) {
        steps.push_back(measure(asking, *thermometer, [&reading](Time time, double celsius) {
            return (reading.temperature = quantise_temperature(time, celsius)).quality;
        }));
    }
    if (!instrument_->profile().events.empty()) {
        steps.push_back({instrument_->profile().events.text,
                         [this, asking](const Heard& heard) -> Result<Verdict, Trouble> {
                             Result<Verdict, Trouble> verdict = instrument_->judge_events(heard);
                             asking->garbage =
                                 asking->garbage || (!verdict && verdict.error().kind != FaultKind::rebooted);
                             return verdict;
                         },
                         [](LinkFault) {}});
    }
}

void Output::read(Time now, ReadHandler done) {
    if (asking_ || !instrument_->link().up()) {
        done(OutputReading{});
        return;
    }
    asking_ = std::make_shared<Asking>();
    asking_->steady = instrument_->link().timing().steady();
    asking_->now = now;
    asking_->switched = switched_;
    asking_->strays = instrument_->link().strays();
    asking_->reading.raw_hash = 2'166'136'261U;
    asking_->done = std::move(done);
    std::vector<Step> steps;
    add_questions(asking_, steps);
    begin(reading_, Urgency::sample, std::move(steps), [this](const Outcome&) { finish_read(); });
}

void Output::finish_read() {
    const std::shared_ptr<Asking> asking = std::exchange(asking_, nullptr);
    OutputReading& reading = asking->reading;
    // Something came that nobody had asked for: any of these may be the answer to another question.
    if (asking->garbage || asking->strays != instrument_->link().strays()) {
        withhold(reading.voltage);
        withhold(reading.terminals);
        withhold(reading.current);
        withhold(reading.temperature);
        reading.mode = OutputMode::unknown;
        asking->on.reset();
    }
    if (asking->on == false) {
        reading.mode = OutputMode::off;
    } else if (asking->on == true && reading.mode == OutputMode::unknown && state_ != State::on) {
        reading.mode = OutputMode::constant_current;  // it must not pass for open
    }
    judge_state(*asking);
    judge_weld(reading);
    asking->done(reading);
}

// What it says of its output against what was last read back after an order, unless there was another since.
void Output::judge_state(const Asking& asking) {
    const auto busy = [](const std::shared_ptr<Script>& script) { return script && !script->over(); };
    if (!asking.on || asking.switched != switched_ || !ready_ || busy(switching_off_)) {
        return;
    }
    if (state_ == State::on && !*asking.on) {
        switch_off([](const Outcome&) {});
        fault(FaultKind::opened_itself,
              "the instrument switched its own output off: its protection, or a hand on its "
              "front panel");
    } else if (state_ == State::off && *asking.on) {
        switch_off([](const Outcome&) {});
        fault(FaultKind::setting_changed, "the output is on, and nobody here switched it on");
    }
}

void Output::read_current(std::function<void(const Reading<Current>&)> done) {
    auto reading = std::make_shared<Reading<Current>>();
    const double sign = place_.load ? -1.0 : 1.0;
    const Measure& what = profile_.current_measure;
    std::vector<Step> steps{{filled(what.ask),
                             [this, reading, sign, &what](const Heard& heard) -> Result<Verdict, Trouble> {
                                 const auto number = wire::read_number(heard.line, instrument_->rules(what.unit));
                                 *reading = quantise_current(heard.asked, number ? sign * *number : no_reading);
                                 return Verdict::good;
                             },
                             [](LinkFault) {}}};
    begin(measuring_, Urgency::apply, std::move(steps),
          [reading, done = std::move(done)](const Outcome&) { done(*reading); });
}

}  // namespace slowfilm::channel
