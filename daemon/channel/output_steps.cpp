// The lines of an output: settings with their reading back, and the order in which a drive is made of them.
#include "daemon/channel/output.hpp"
#include "daemon/channel/profile_line.hpp"
#include "daemon/core/text.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

namespace slowfilm::channel {
namespace {

constexpr std::array<std::string_view, 5> slot_names{"voltage", "current", "sink current", "voltage protection",
                                                     "current protection"};

bool same_way(const Target& a, const Target& b) {
    return (a.current.count > 0) == (b.current.count > 0) && (a.sink.count > 0) == (b.sink.count > 0);
}

}  // namespace

const Setting& Output::setting(Slot slot) const {
    switch (slot) {
        case Slot::voltage: return profile_.voltage;
        case Slot::current: return profile_.current;
        case Slot::sink: return *profile_.sink;
        case Slot::protection: return profile_.protection;
        case Slot::current_protection: return *profile_.current_protection;
    }
    return profile_.voltage;
}

std::string Output::filled(const LineText& line, std::string_view value) const {
    return detail::filled(line, place_.number, value);
}

Step Output::command(const LineText& line) const {
    return {filled(line), {}, {}};
}

std::string Output::settings() const {
    std::string all;
    for (std::size_t i = 0; i < slots; ++i) {
        if (!known_[i]) {
            continue;
        }
        const bool volts =
            i == static_cast<std::size_t>(Slot::voltage) || i == static_cast<std::size_t>(Slot::protection);
        all += (all.empty() ? "" : ", ") + std::string(slot_names[i]) + " " +
               (volts ? print(Voltage{*known_[i]}) : print(Current{*known_[i]}));
    }
    if (own_count_) {
        all += (all.empty() ? "" : ", ") + std::string("own count ") + print_fixed(*own_count_, 4) + " Ah";
    }
    if (profile_.contactor) {
        all += (all.empty() ? "contactor " : ", contactor ") + std::string(contactor_closed_ ? "closed" : "open") +
               " after " + std::to_string(operations_) + " operations";
    }
    switch (state_) {
        case State::unknown: break;
        case State::off: all += (all.empty() ? "" : ", ") + std::string("output off"); break;
        case State::on: all += (all.empty() ? "" : ", ") + std::string("output on"); break;
    }
    return all;
}

Step Output::expect_switch(const LineText& line, bool wanted, std::string otherwise, FaultKind kind) {
    return {
        filled(line),
        [this, &line, wanted, kind, otherwise = std::move(otherwise)](const Heard& heard) -> Result<Verdict, Trouble> {
            const auto on = wire::read_boolean(heard.line, instrument_->rules());
            if (!on) {
                return instrument_->no_answer(line.text, heard, on.error());
            }
            if (*on != wanted) {
                return tl::unexpected(Trouble{kind, otherwise});
            }
            return Verdict::good;
        },
        {}};
}

// Compared with what was sent, not with what was asked for: that has been rounded to the setting's step.
Step Output::read_back(Slot slot, FaultKind kind) {
    const Setting& what = setting(slot);
    return {filled(what.read),
            [this, slot, kind, &what](const Heard& heard) -> Result<Verdict, Trouble> {
                const auto number = wire::read_number(heard.line, instrument_->rules());
                if (!number) {
                    return instrument_->no_answer(what.read.text, heard, number.error());
                }
                const std::optional<std::int64_t>& sent = known_[static_cast<std::size_t>(slot)];
                const double off = std::fabs(*number * 1e9 - static_cast<double>(sent.value_or(0)));
                // Half a step: the instrument may print it to fewer places than it keeps.
                if (sent && off <= 0.5 * static_cast<double>(what.resolution)) {
                    return Verdict::good;
                }
                const std::string name(slot_names[static_cast<std::size_t>(slot)]);
                return tl::unexpected(Trouble{kind, "the " + name + " was set to " +
                                                        print_number(static_cast<double>(sent.value_or(0)) / 1e9) +
                                                        " and reads back as " + escaped(heard.line, 80)});
            },
            {}};
}

void Output::add_setting(std::vector<Step>& steps, Slot slot, std::int64_t count, wire::Rounding rounding) {
    const Setting& what = setting(slot);
    const bool volts = slot == Slot::voltage || slot == Slot::protection;
    std::string text;
    std::int64_t sent = 0;
    if (volts) {
        const auto written = wire::write_number(Voltage{count}, Voltage{what.resolution}, rounding);
        text = written.text;
        sent = written.sent.count;
    } else {
        const auto written = wire::write_number(Current{count}, Current{what.resolution}, rounding);
        text = written.text;
        sent = written.sent.count;
    }
    steps.push_back({filled(what.set, text), {}, {}});
    Step back = read_back(slot, FaultKind::refused);
    const Judge judge = std::move(back.judge);
    back.judge = [this, slot, sent, judge](const Heard& heard) -> Result<Verdict, Trouble> {
        std::optional<std::int64_t>& known = known_[static_cast<std::size_t>(slot)];
        known = sent;
        Result<Verdict, Trouble> verdict = judge(heard);
        if (!verdict) {
            known.reset();
        }
        return verdict;
    };
    steps.push_back(std::move(back));
}

void Output::add_zero(std::vector<Step>& steps) {
    add_setting(steps, Slot::current, 0, wire::Rounding::toward_zero);
    if (profile_.sink) {
        add_setting(steps, Slot::sink, 0, wire::Rounding::toward_zero);
    }
}

std::vector<Step> Output::drive_steps(const Target& target) {
    std::vector<Step> steps;
    const bool was_on = state_ == State::on;
    const bool anew = !was_on || !target_ || !same_way(*target_, target);
    const bool voltage_differs = !target_ || !was_on || target_->voltage != target.voltage;
    const bool current_differs = anew || target_->current != target.current || target_->sink != target.sink;
    const bool zeroed =
        anew && voltage_differs &&
        std::find(profile_.order.begin(), profile_.order.end(), OrderWord::zero_current) != profile_.order.end();
    for (const OrderWord word : profile_.order) {
        switch (word) {
            case OrderWord::zero_current:
                if (zeroed) {
                    add_zero(steps);
                }
                break;
            case OrderWord::voltage:
                if (voltage_differs) {
                    add_setting(steps, Slot::voltage, target.voltage.count, target.rounding);
                }
                break;
            case OrderWord::current:
                if (current_differs) {
                    add_setting(steps, Slot::current, target.current.count, wire::Rounding::toward_zero);
                    if (profile_.sink) {
                        add_setting(steps, Slot::sink, target.sink.count, wire::Rounding::toward_zero);
                    }
                }
                break;
        }
    }
    std::vector<Step> more = instrument_->errors_empty();
    std::move(more.begin(), more.end(), std::back_inserter(steps));
    if (!was_on) {
        more = switch_on_steps();
        std::move(more.begin(), more.end(), std::back_inserter(steps));
    }
    return steps;
}

// All settings once more, not only those just made: two lines that were swapped, or a setting the instrument changed by
// itself, show here and not under current.
std::vector<Step> Output::switch_on_steps() {
    std::vector<Step> steps;
    for (const Slot slot : {Slot::voltage, Slot::current, Slot::sink, Slot::protection, Slot::current_protection}) {
        const bool has = slot == Slot::voltage || slot == Slot::current || known_[static_cast<std::size_t>(slot)] ||
                         (slot == Slot::sink && profile_.sink);
        if (has) {
            steps.push_back(read_back(slot, FaultKind::refused));
        }
    }
    // A person has seen to whatever tripped it, or nothing would be driven again.
    if (!profile_.protection_clear.empty()) {
        steps.push_back(command(profile_.protection_clear));
    }
    if (!profile_.protection_tripped.empty()) {
        steps.push_back(
            expect_switch(profile_.protection_tripped, false, "its own protection has tripped and holds it"));
    }
    steps.push_back(command(profile_.on));
    steps.push_back(expect_switch(profile_.state, true, "the output did not go on"));
    std::vector<Step> more = instrument_->errors_empty();
    std::move(more.begin(), more.end(), std::back_inserter(steps));
    return steps;
}

}  // namespace slowfilm::channel
