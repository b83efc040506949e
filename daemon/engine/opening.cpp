#include "daemon/engine/opening.hpp"

#include <algorithm>

namespace slowfilm::engine {

namespace {

using namespace literals;

constexpr std::uint32_t sends_before_escalation = 5;
constexpr Duration told_every = 5_min;

// One cycle of the channel must have passed after the opening was taken, or the reading may be from before it.
Duration answer_time(const ChannelTraits& traits) {
    return traits.settle + traits.period;
}

// Slower than the answer comes back, and never faster than once a second: a bus must stay free for the neighbours.
Duration resend_time(const ChannelTraits& traits) {
    return std::max(answer_time(traits) + traits.period, 1_s);
}

}  // namespace

void ask_opening(Opening& opening, Time now) {
    if (opening.wanted) {
        return;
    }
    opening = Opening{.wanted = true, .asked = now, .sent = now, .times = 1};
}

void drop_opening(Opening& opening) {
    opening = Opening{};
}

OpeningStep check_opening(Opening& opening, const Reading<Current>& current, StageMode mode, Current leakage,
                          const ChannelTraits& traits, Time now) {
    OpeningStep step;
    if (!opening.wanted) {
        return step;
    }
    const bool answered = current.good() && current.time >= opening.asked + traits.settle;
    const bool no_current = answered && magnitude(current.value) <= leakage;
    const bool says_open = mode == StageMode::open || mode == StageMode::unknown;
    if (no_current && says_open) {
        step.verified_now = !opening.verified;
        opening.verified = true;
        opening.escalated = false;
        opening.times = 1;
        opening.sent = now;
        return step;
    }
    if (now < opening.sent + resend_time(traits)) {
        return step;
    }
    opening.verified = false;
    opening.sent = now;
    ++opening.times;
    step.resend = true;
    const bool due = !opening.escalated || now - opening.told >= told_every;
    if (opening.times > sends_before_escalation && due) {
        opening.escalated = true;
        opening.told = now;
        step.escalate = true;
    }
    return step;
}

}  // namespace slowfilm::engine
