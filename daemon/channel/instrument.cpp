#include "daemon/channel/instrument.hpp"

#include "daemon/channel/profile_line.hpp"
#include "daemon/core/text.hpp"

#include <algorithm>
#include <utility>

namespace slowfilm::channel {
namespace {

bool begins_alike(std::string_view text, std::string_view beginning) {
    const auto lower = [](char c) { return c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c; };
    return text.size() >= beginning.size() && std::equal(beginning.begin(), beginning.end(), text.begin(),
                                                         [&lower](char a, char b) { return lower(a) == lower(b); });
}

std::string_view without_end(std::string_view line) {
    while (!line.empty() && (line.back() == '\n' || line.back() == '\r' || line.back() == ' ')) {
        line.remove_suffix(1);
    }
    return line;
}

bool is_meant(const InstrumentProfile& profile, std::string_view line) {
    return std::any_of(profile.identity.begins.begin(), profile.identity.begins.end(),
                       [line](const std::string& one) { return begins_alike(line, one); });
}

Identity identity_of(const InstrumentProfile& profile, const std::string& serial, bool only_virtual) {
    const auto body = [prefix = profile.prefix](std::string_view line) {
        line = without_end(line);
        return line.starts_with(prefix) ? line.substr(prefix.size()) : line;
    };
    return {.question = profile.identity.ask.text + profile.line_end,
            .answer = line_ending_in(profile.answer_end),
            .deadline = profile.answer,
            .looks_like =
                [profile, body](std::string_view line) {
                    return wire::read_identity(body(line)).has_value() || is_meant(profile, body(line));
                },
            .is_right = [profile, serial, body, only_virtual](std::string_view line) -> Result<void> {
                const std::string said = escaped(body(line));
                if (only_virtual && !body(line).starts_with(virtual_maker)) {
                    return fail(Failure::bad_config, profile.port.path + ": the instrument there says it is '" + said +
                                                         "', which is no virtual one, and the bench's time is scaled; "
                                                         "start the daemon without --time-scale");
                }
                if (!is_meant(profile, body(line))) {
                    return fail(Failure::bad_config, profile.port.path + ": the instrument there says it is '" + said +
                                                         "'; its profile expects one that begins with '" +
                                                         escaped(profile.identity.begins.front()) + "'");
                }
                const auto fields = wire::read_identity(body(line));
                if (!serial.empty() && (!fields || fields->serial != serial)) {
                    return fail(Failure::bad_config, profile.port.path + ": the instrument there says it is '" + said +
                                                         "'; the bench expects the one with the serial number '" +
                                                         escaped(serial) + "'");
                }
                return {};
            }};
}

LinkOptions link_of(const InstrumentProfile& profile, const std::string& serial, bool driven) {
    LinkOptions options;
    options.port = profile.port;
    options.pause = profile.pause;
    options.quiet = profile.quiet;
    options.boot = profile.boot;
    options.line_end = profile.line_end;
    options.between = "\r\n";
    options.echoes = profile.echoes;
    options.driven = driven;
    options.identity = identity_of(profile, serial, driven);
    return options;
}

}  // namespace

Instrument::Instrument(boost::asio::io_context& io, Timing& timing, InstrumentProfile profile,
                       const std::string& serial, Guarding guarding, Lockstep* lockstep)
    : profile_(std::move(profile)),
      guarding_(guarding),
      link_(io, timing, link_of(profile_, serial, lockstep != nullptr)) {
    if (lockstep != nullptr) {
        lockstep->join(link_);
    }
    off_.line_end = profile_.line_end;
    off_.pause = profile_.pause;
    link_.on_change([this](bool up) { tell(up ? News::up : News::lost); });
    link_.on_port([this](int descriptor) { hand_over(descriptor); });
}

Instrument::~Instrument() {
    link_.on_port(nullptr);
    if (preparing_) {
        preparing_->stop();
    }
}

Result<void> Instrument::guard(const std::string& off_line) {
    const std::string frame = off_line + profile_.line_end;
    if (std::find(off_.frames.begin(), off_.frames.end(), frame) != off_.frames.end()) {
        return {};
    }
    OffFrames more = off_;
    more.frames.push_back(frame);
    if (Result<void> can = can_keep(more); !can) {
        return can;
    }
    off_ = std::move(more);
    if (link_.descriptor() >= 0) {
        hand_over(link_.descriptor());
    }
    return {};
}

// A guardian that is gone is noticed by who looks whether it lives.
void Instrument::hand_over(int descriptor) {
    if (descriptor >= 0) {
        off_unheard();
    }
    if (guarding_.guardian == nullptr) {
        return;
    }
    if (descriptor < 0) {
        guarding_.guardian->forget(guarding_.port);
    } else if (!off_.frames.empty()) {
        static_cast<void>(guarding_.guardian->keep(guarding_.port, descriptor, off_));
    }
}

// At each reopening, before it is asked who it is: its output may be on, and what makes its answers unfit to be heard
// need not keep it from hearing.
void Instrument::off_unheard() {
    for (const std::string& frame : off_.frames) {
        link_.ask({.urgency = Urgency::safe,
                   .question = off_.line_end + frame,
                   .answer = {},
                   .deadline = profile_.answer,
                   .belongs = {},
                   .done = [](const Result<Answer, LinkFault>&) {}});
    }
}

std::size_t Instrument::join(Listener listener) {
    listeners_.emplace(++listeners_made_, std::move(listener));
    return listeners_made_;
}

void Instrument::leave(std::size_t number) {
    listeners_.erase(number);
    waiting_.erase(number);
}

void Instrument::tell(News news) {
    prepared_ = false;
    if (preparing_) {
        preparing_->stop();
        preparing_ = nullptr;
    }
    waiting_.clear();  // who waits is told here, and asks again
    const std::map<std::size_t, Listener> listeners = listeners_;
    for (const auto& [number, listener] : listeners) {
        listener(news);
    }
}

std::shared_ptr<Script> Instrument::run(Urgency urgency, std::vector<Step> steps, Script::Done done) {
    return Script::run(link_,
                       {.urgency = urgency,
                        .deadline = profile_.answer,
                        .line_end = profile_.line_end,
                        .answer_end = profile_.answer_end},
                       std::move(steps), std::move(done));
}

void Instrument::prepare(std::size_t listener, Script::Done done) {
    if (prepared_) {
        done(std::nullopt);
        return;
    }
    waiting_.insert_or_assign(listener, std::move(done));
    if (preparing_) {
        return;
    }
    std::vector<Step> steps;
    for (const LineText* line : {&profile_.remote, &profile_.lock, &profile_.clear}) {
        if (!line->empty()) {
            steps.push_back({line->text, {}, {}});
        }
    }
    if (!profile_.errors.empty()) {
        // Old errors, and that of a panel line it may not know, are nobody's any more; that the queue ends is judged.
        steps.push_back({profile_.errors.text,
                         [this](const Heard& heard) -> Result<Verdict, Trouble> {
                             const auto entry = wire::read_error(heard.line, rules());
                             if (!entry) {
                                 return no_answer(profile_.errors.text, heard, entry.error());
                             }
                             return entry->number == 0 ? Verdict::good : Verdict::again;
                         },
                         {}});
    }
    if (!profile_.events.empty()) {
        // That it was switched on since is no news after an opening.
        steps.push_back({profile_.events.text,
                         [this](const Heard& heard) -> Result<Verdict, Trouble> {
                             const auto events = wire::read_event_status(heard.line, rules());
                             if (!events) {
                                 return no_answer(profile_.events.text, heard, events.error());
                             }
                             return Verdict::good;
                         },
                         {}});
    }
    std::shared_ptr<Script> script =
        run(Urgency::apply, std::move(steps), [this](const Outcome& outcome) { prepared(outcome); });
    if (!script->over()) {
        preparing_ = std::move(script);
    }
}

void Instrument::prepared(const Outcome& outcome) {
    preparing_ = nullptr;
    prepared_ = !outcome;
    const std::map<std::size_t, Script::Done> waiting = std::exchange(waiting_, {});
    for (const auto& [listener, done] : waiting) {
        done(outcome);
    }
}

Result<Verdict, Trouble> Instrument::judge_events(const Heard& heard) {
    const auto events = wire::read_event_status(heard.line, rules());
    if (!events) {
        return no_answer(profile_.events.text, heard, events.error());
    }
    if (events->power_on) {
        tell(News::rebooted);
        return tl::unexpected(Trouble{
            FaultKind::rebooted, profile_.port.path + ": the instrument has been restarted; its settings are gone"});
    }
    return Verdict::good;
}

std::vector<Step> Instrument::errors_empty() {
    if (profile_.errors.empty()) {
        return {};
    }
    return {{profile_.errors.text,
             [this](const Heard& heard) -> Result<Verdict, Trouble> {
                 const auto entry = wire::read_error(heard.line, rules());
                 if (!entry) {
                     return no_answer(profile_.errors.text, heard, entry.error());
                 }
                 switch (wire::error_duty(entry->number)) {
                     case wire::ErrorDuty::nothing: return entry->number == 0 ? Verdict::good : Verdict::again;
                     case wire::ErrorDuty::rebooted:
                         tell(News::rebooted);
                         return tl::unexpected(Trouble{FaultKind::rebooted, wire::describe(*entry)});
                     case wire::ErrorDuty::resynchronise:
                         link_.distrust();
                         return tl::unexpected(Trouble{FaultKind::refused, wire::describe(*entry)});
                     case wire::ErrorDuty::not_understood:
                     case wire::ErrorDuty::not_taken:
                     case wire::ErrorDuty::take_control:
                     case wire::ErrorDuty::read_back_all:
                     case wire::ErrorDuty::instrument_fault: break;
                 }
                 return tl::unexpected(Trouble{FaultKind::refused, wire::describe(*entry)});
             },
             {}}};
}

tl::unexpected<Trouble> Instrument::no_answer(std::string_view question, const Heard& heard, wire::ReplyFault fault) {
    link_.distrust();
    return tl::unexpected(Trouble{FaultKind::refused, "the answer to '" + std::string(question) + "', '" +
                                                          escaped(heard.line, 80) + "', " +
                                                          std::string(wire::describe(fault))});
}

Result<std::shared_ptr<Instrument>> Instruments::at(const std::string& path, const InstrumentProfile& profile,
                                                    const std::string& serial) {
    InstrumentProfile here = profile;
    here.port.path = path;
    if (const auto known = by_path_.find(path); known != by_path_.end()) {
        const InstrumentProfile& there = known->second.instrument->profile();
        if (there.port != here.port || there.identity.begins != here.identity.begins ||
            known->second.serial != serial) {
            return fail(Failure::bad_config, "the port '" + escaped(path) +
                                                 "' is another channel's, with another profile or serial number; "
                                                 "outputs of one instrument share both");
        }
        return known->second.instrument;
    }
    auto instrument = std::make_shared<Instrument>(io_, timing_, std::move(here), serial, next_guarding(), lockstep_);
    instrument->link().start();
    by_path_.emplace(path, Known{instrument, serial});
    return instrument;
}

}  // namespace slowfilm::channel
