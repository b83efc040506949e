#include "daemon/channel/script.hpp"

#include "daemon/core/text.hpp"

#include <algorithm>
#include <utility>

namespace slowfilm::channel {

Script::Script(Link& link, ScriptRules rules, std::vector<Step> steps, Done done)
    : link_(link), rules_(std::move(rules)), steps_(std::move(steps)), done_(std::move(done)) {}

std::shared_ptr<Script> Script::run(Link& link, ScriptRules rules, std::vector<Step> steps, Done done) {
    std::shared_ptr<Script> script(new Script(link, std::move(rules), std::move(steps), std::move(done)));
    script->next();
    return script;
}

void Script::stop() {
    if (!over_) {
        over_ = true;
        link_.withdraw(ticket_);
    }
}

void Script::next() {
    if (over_) {
        return;
    }
    if (at_ == steps_.size()) {
        finish(std::nullopt);
        return;
    }
    const Step& step = steps_[at_];
    ticket_ = 0;  // it may be answered before ask() returns, and another be out by then
    const Link::Ticket ticket = link_.ask(
        {.urgency = rules_.urgency,
         .question = step.line + rules_.line_end,
         .answer = step.judge ? line_ending_in(rules_.answer_end) : AnswerEnd{},
         .deadline = rules_.deadline,
         .belongs = {},
         .done = [self = shared_from_this()](const Result<Answer, LinkFault>& answer) { self->heard(answer); }});
    ticket_ = std::max(ticket_, ticket);
}

void Script::heard(const Result<Answer, LinkFault>& answer) {
    if (over_) {
        return;
    }
    const Step& step = steps_[at_];
    if (!answer) {
        if (step.unanswered && answer.error() != LinkFault::lost) {
            step.unanswered(answer.error());
            ++at_;
            next();
            return;
        }
        std::string text = "'" + escaped(step.line) + "': " + std::string(name(answer.error()));
        if (!link_.trouble().empty()) {
            text += " (" + link_.trouble() + ")";
        }
        finish(Trouble{FaultKind::lost, std::move(text)});
        return;
    }
    if (step.judge) {
        std::string_view line = answer->bytes;
        while (!line.empty() && (line.back() == '\n' || line.back() == '\r')) {
            line.remove_suffix(1);
        }
        const Result<Verdict, Trouble> verdict = step.judge({line, answer->asked});
        if (over_) {
            return;
        }
        if (!verdict) {
            finish(verdict.error());
            return;
        }
        if (*verdict == Verdict::again) {
            if (++again_ >= again_most) {
                finish(Trouble{FaultKind::refused, "'" + escaped(step.line) + "' was answered " +
                                                       std::to_string(again_most) +
                                                       " times and never comes to an end"});
                return;
            }
            next();
            return;
        }
    }
    again_ = 0;
    ++at_;
    next();
}

void Script::finish(const Outcome& outcome) {
    over_ = true;
    const Done done = std::move(done_);
    done(outcome);
}

}  // namespace slowfilm::channel
