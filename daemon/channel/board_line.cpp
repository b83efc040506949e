#include "daemon/channel/board_line.hpp"

#include <utility>

namespace slowfilm::channel {
namespace {

using namespace literals;

LinkOptions link_of(const BoardChannelOptions& options, bool driven) {
    LinkOptions link;
    link.port = options.port;
    link.driven = driven;
    link.quiet = 30_ms;  // an adapter's latency timer holds bytes back for 16 ms
    link.boot = options.boot;
    link.line_end = "\n";
    link.between = "\r\n";
    link.answer_max = 1'024;
    return link;
}

}  // namespace

BoardLine::BoardLine(boost::asio::io_context& io, Timing& timing, const BoardChannelOptions& options, Guarding guarding,
                     Lockstep* lockstep)
    : guarding_(guarding), deadline_(options.answer), link_(io, timing, link_of(options, lockstep != nullptr)) {
    if (lockstep != nullptr) {
        lockstep->join(link_);
    }
    link_.on_port([this](int descriptor) { hand_over(descriptor); });
    link_.on_change([this](bool up) {
        host_.reset();
        listener_(up ? News::up : News::lost);
    });
}

// What it is guarded with stays with the guardian, until that is released.
BoardLine::~BoardLine() {
    link_.on_port(nullptr);
    for (const std::shared_ptr<BoardScript>& script : scripts_) {
        script->stop();
    }
}

void BoardLine::start(std::function<void(News)> listener) {
    listener_ = std::move(listener);
    link_.start();
}

void BoardLine::hand_over(int descriptor) {
    if (guarding_.guardian == nullptr) {
        return;
    }
    if (descriptor < 0) {
        guarding_.guardian->forget(guarding_.port);
    } else {
        const OffFrames off{.line_end = "", .frames = {wire::BoardHost::off_frame()}, .pause = {}};
        static_cast<void>(guarding_.guardian->keep(guarding_.port, descriptor, off));
    }
}

std::shared_ptr<BoardScript> BoardLine::run(Urgency urgency, std::vector<BoardStep> steps, Script::Done done) {
    auto script = std::make_shared<BoardScript>(BoardScript{urgency, std::move(steps), std::move(done)});
    scripts_.push_back(script);
    pump();
    return script;
}

void BoardLine::shout_off() {
    if (link_.up() && link_.state() != Link::State::ready) {
        link_.ask({.urgency = Urgency::safe,
                   .question = wire::BoardHost::off_frame(),
                   .answer = {},
                   .deadline = deadline_,
                   .belongs = {},
                   .done = [](const Result<Answer, LinkFault>&) {}});
    }
}

// What is done may ask again: that is taken up here, not in a call within a call.
void BoardLine::pump() {
    pump_again_ = true;
    if (std::exchange(pumping_, true)) {
        return;
    }
    while (std::exchange(pump_again_, false)) {
        while (pump_once()) {
        }
    }
    pumping_ = false;
}

// False where nothing can go out.
bool BoardLine::pump_once() {
    scripts_.remove_if([](const std::shared_ptr<BoardScript>& script) { return script->over; });
    if (asking_ || scripts_.empty()) {
        return false;
    }
    std::shared_ptr<BoardScript> next = scripts_.front();
    for (const std::shared_ptr<BoardScript>& script : scripts_) {
        if (script->urgency < next->urgency) {
            next = script;
        }
    }
    if (!link_.up()) {
        finish(*next, no_answer(LinkFault::lost));
        return true;
    }
    asking_ = true;
    reply_.reset();
    dropped_.reset();
    link_.ask({.urgency = next->urgency,
               .question = host_.ask(next->steps[next->at].command, steady()),
               .answer = line_ending_in('\n'),
               .deadline = deadline_,
               .belongs = [this](std::string_view line) { return is_answer(line); },
               .done = [this, next](const Result<Answer, LinkFault>& answer) { answered(next, answer); }});
    return !asking_;
}

// One line at a time, so at most one answer.
bool BoardLine::is_answer(std::string_view line) {
    for (const wire::BoardAnswer& answer : host_.push(line, steady())) {
        if (answer) {
            reply_ = *answer;
        } else {
            dropped_ = answer.error();
        }
    }
    return !host_.waiting();  // also after another boot number, or an answer of another kind
}

void BoardLine::answered(const std::shared_ptr<BoardScript>& script, const Result<Answer, LinkFault>& answer) {
    asking_ = false;
    if (!answer) {
        finish(*script, no_answer(answer.error()));
    } else if (!reply_) {
        // Whoever hears of it may ask the next question, and what came to this one is gone then.
        const wire::BoardFault why = *dropped_;
        if (why == wire::BoardFault::rebooted) {
            listener_(News::rebooted);
        }
        finish(*script, Trouble{why == wire::BoardFault::rebooted ? FaultKind::rebooted : FaultKind::lost,
                                std::string(wire::describe(why))});
    } else if (!script->over) {
        const Outcome outcome = script->steps[script->at].judge(*reply_);
        if (outcome || ++script->at == script->steps.size()) {
            finish(*script, outcome);
        }
    }
    pump();
}

void BoardLine::finish(BoardScript& script, const Outcome& outcome) {
    if (!std::exchange(script.over, true)) {
        const Script::Done done = std::move(script.done);
        done(outcome);
    }
}

Trouble BoardLine::no_answer(LinkFault fault) const {
    std::string text = "the channel board at " + link_.options().port.path + ": " + std::string(name(fault));
    if (dropped_) {
        text += "; " + std::string(wire::describe(*dropped_));
    }
    if (!link_.trouble().empty()) {
        text += " (" + link_.trouble() + ")";
    }
    return {FaultKind::lost, std::move(text)};
}

}  // namespace slowfilm::channel
