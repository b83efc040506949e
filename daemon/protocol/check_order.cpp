// Each step by what stands before it: a condition that is already true when the step begins, or that the steps before
// have put out of reach. Only what is certain for every cell is refused; what a cell may or may not do is left to the
// run.
#include "daemon/protocol/bounds_arithmetic.hpp"
#include "daemon/protocol/check_judge.hpp"

#include <algorithm>

namespace slowfilm::protocol {
namespace {

using namespace literals;

// How far a voltage may fall back when the current that reached it falls: by resistance at once, by relaxation in a
// rest.
constexpr Voltage falls_back = 300_mV;
constexpr Voltage falls_back_rested = 500_mV;
constexpr Voltage steep_below = 300_mV;  // above window.min; below it a fresh cell falls back further than can be said
constexpr Voltage recovers = 1500_mV;    // an emptied cell at rest, at most

// A voltage that the steps before have surely reached.
struct Reached {
    Voltage voltage;
    bool by_charge{true};
    bool no_further{false};  // and surely not passed either: it was not already so when that step began
    Current current;
    bool rested{false};
    const Step* step{nullptr};
};

struct Known {
    std::optional<Reached> reached;
    std::optional<Voltage> start_min, start_max;  // until the first step is through
    std::optional<Charge> net_least{Charge{}};    // since the run began; nothing where nothing is known
    std::optional<Charge> net_most{Charge{}};
    bool holds_charge{false};  // formed, or some step has charged
    bool discharged{false};    // some step may have discharged
};

bool charges(const Step& step) {
    return step.kind == StepKind::charge || (step.kind == StepKind::hold && step.direction == Direction::charge);
}

bool discharges(const Step& step) {
    return step.kind == StepKind::discharge || (step.kind == StepKind::hold && step.direction == Direction::discharge);
}

bool either_way(const Step& step) {
    return step.kind == StepKind::hold && step.direction == Direction::either;
}

// What a ramp or a pulse does to voltage and charge is left to the run.
bool swept(const Step& step) {
    return step.kind == StepKind::ramp || step.kind == StepKind::pulse;
}

// With one condition only, and a run that goes on only when it was met, that condition holds afterwards.
bool certain(const Step& step) {
    const Ends& e = step.ends;
    const bool there[] = {e.voltage.has_value(), e.above.has_value(),       e.below.has_value(),
                          e.current.has_value(), e.time.has_value(),        e.amount.has_value(),
                          e.net.has_value(),     e.temperature.has_value(), e.settle.has_value()};
    return std::ranges::count(there, true) == 1 && step.on_overrun == OnOverrun::stop && !step.not_before;
}

class Order {
  public:
    explicit Order(Judge& judge) : j_(judge) {
        if (judge.state_known()) {
            known_.start_min = start_voltage_min(judge.protocol);
            known_.start_max = start_voltage_max(judge.protocol);
        }
        known_.holds_charge = judge.cell.state == CellState::formed || !judge.state_known();
    }
    void walk(const std::vector<Step>& steps);

  private:
    void judge(const Step& step);
    void judge_fresh(const Step& step);
    void judge_charge_voltage(const Step& step);
    void judge_discharge_voltage(const Step& step);
    void warn_of_lower_current(const Step& step, bool up);
    void judge_hold(const Step& step);
    void judge_net(const Step& step);
    void judge_net_caps(const Step& step, const std::string& what);
    void learn(const Step& step);
    void learn_voltage(const Step& step);
    void learn_net(const Step& step);
    void weaken(const Known& without);
    void forget();
    void repeat(const Step& step);

    [[nodiscard]] Current current_of_step(const Step& step) const {
        return step.current ? j_.current(step.current->value) : Current{};
    }
    [[nodiscard]] std::optional<Charge> reach(const Step& step) const;
    // The cell is surely at or above, at or below this when a step of such a current begins; and the words that say
    // why.
    [[nodiscard]] std::optional<Voltage> above(Current next) const;
    [[nodiscard]] std::optional<Voltage> below(Current next) const;
    [[nodiscard]] std::string why_above() const;
    [[nodiscard]] std::string why_below() const;

    Judge& j_;
    Known known_;
};

std::optional<Voltage> Order::above(Current next) const {
    if (known_.start_min || !known_.reached) {
        return known_.start_min;
    }
    const Reached& r = *known_.reached;
    if (!r.by_charge) {
        return r.no_further ? std::optional{r.voltage} : std::nullopt;
    }
    if (!r.rested && next >= r.current) {
        return r.voltage;
    }
    if (r.voltage < sum(j_.cell.window_min, steep_below)) {
        return std::nullopt;
    }
    return difference(r.voltage, r.rested ? falls_back_rested : falls_back);
}

std::optional<Voltage> Order::below(Current next) const {
    if (known_.start_max || !known_.reached) {
        return known_.start_max;
    }
    const Reached& r = *known_.reached;
    if (r.by_charge) {
        return r.no_further ? std::optional{r.voltage} : std::nullopt;
    }
    // An emptied cell recovers, so only an equal or higher current right after is certain.
    return !r.rested && next >= r.current ? std::optional{r.voltage} : std::nullopt;
}

std::string Order::why_above() const {
    if (!known_.reached) {
        return "a cell that starts lies at " + quoted(*known_.start_min) + " or above";
    }
    const Reached& r = *known_.reached;
    return label(*r.step) + (r.by_charge ? " has charged it to " : " has discharged it to ") + quoted(r.voltage) +
           (r.by_charge ? " and nothing discharges between" : " and no further");
}

std::string Order::why_below() const {
    if (!known_.reached) {
        return "a cell that starts lies at " + quoted(*known_.start_max) + " or below";
    }
    const Reached& r = *known_.reached;
    return label(*r.step) + (r.by_charge ? " has charged it to " : " has discharged it to ") + quoted(r.voltage) +
           (r.by_charge ? " and no further" : " and nothing charges between");
}

void Order::judge_fresh(const Step& step) {
    const bool swept = step.kind == StepKind::pulse || step.current_ramp.has_value();
    if ((discharges(step) || (swept && may_discharge(step))) && !known_.holds_charge) {
        j_.error_once(path_of(step, "do"),
                      label(step) + " discharges a cell of state \"" + std::string(name(j_.cell.state)) +
                          "\" before any step has charged it; charge it first, or correct 'state'");
    }
}

void Order::judge_charge_voltage(const Step& step) {
    const std::optional<Voltage> bound = above(current_of_step(step));
    if (step.ends.voltage && bound && *step.ends.voltage <= *bound) {
        j_.error_once(path_of(step, "ends.voltage"),
                      label(step) + " charges to " + quoted(*step.ends.voltage) +
                          ", which is already so when it begins: " + why_above() +
                          "; a higher voltage, or a discharge before it, would be right");
    }
}

// Going on at a lower current the voltage may have fallen back below the end or not: that is the cell's, but where it
// has not, the step does nothing at all.
void Order::warn_of_lower_current(const Step& step, bool up) {
    const auto& reached = known_.reached;
    if (!step.ends.voltage || !reached || reached->rested || reached->by_charge != up || step.not_before ||
        current_of_step(step) >= reached->current) {
        return;
    }
    if (up ? *step.ends.voltage <= reached->voltage : *step.ends.voltage >= reached->voltage) {
        j_.warning(path_of(step, "ends.voltage"),
                   label(step) + " goes on to " + quoted(*step.ends.voltage) + ", which " + label(*reached->step) +
                       " has just come to at a higher current: it finds that already so and ends without current; a "
                       "rest before it, or a hold instead of it, would be right");
    }
}

void Order::judge_discharge_voltage(const Step& step) {
    const std::optional<Voltage> bound = below(current_of_step(step));
    if (step.ends.voltage && bound && *step.ends.voltage >= *bound) {
        j_.error_once(path_of(step, "ends.voltage"), label(step) + " discharges to " + quoted(*step.ends.voltage) +
                                                         ", which is already so when it begins: " + why_below() +
                                                         "; a lower voltage, or a charge before it, would be right");
    }
}

// Current of the other direction would be needed to come to the setpoint, so the taper never counts.
void Order::judge_hold(const Step& step) {
    if (!step.voltage || either_way(step)) {
        return;
    }
    // At its setpoint a hold draws little, so what was reached under current may fall back by all that is allowed for.
    const bool up = charges(step);
    const std::optional<Voltage> bound = up ? above(Current{}) : below(Current{});
    if (!bound || (up ? *step.voltage >= *bound : *step.voltage <= *bound)) {
        return;
    }
    j_.error_once(path_of(step, "voltage"),
                  label(step) + " holds " + quoted(*step.voltage) + " in direction \"" + (up ? "charge" : "discharge") +
                      "\" and can never come to it: " + (up ? why_above() + "; a higher" : why_below() + "; a lower") +
                      " voltage, a " + (up ? "discharge" : "charge") + " before it, or direction = \"" +
                      (up ? "discharge" : "charge") + "\" would be right");
}

// The most charge the step's current can move in its time, other caps included.
std::optional<Charge> Order::reach(const Step& step) const {
    std::optional<Charge> most = moved_in_time(j_, step, false);
    for (const auto& cap : {step.not_before ? std::nullopt : step.ends.amount, step.at_most.amount}) {
        if (cap && !cap->measured) {
            most = least_of(most, std::optional{j_.charge(cap->value)});
        }
    }
    return most;
}

void Order::judge_net(const Step& step) {
    if (!step.ends.net || step.ends.net->measured || charges(step) == discharges(step)) {
        return;
    }
    const bool up = charges(step);
    const Charge net = j_.charge(step.ends.net->value);
    const std::string path = path_of(step, "ends.net");
    const std::string what = label(step) + (up ? " charges" : " discharges") + " to a net charge of " +
                             quoted_with_charge(step.ends.net->value, j_.cell.capacity);
    const std::optional<Charge> passed = up ? known_.net_least : known_.net_most;
    if (passed && (up ? *passed >= net : *passed <= net)) {
        j_.error_once(path, what + ", which is already so when it begins: the steps before have brought it to " +
                                quoted(*passed) +
                                (up ? " or more; a higher value, or a discharge before it, would be right"
                                    : " or less; a lower value, or a charge before it, would be right"));
        return;
    }
    const std::optional<Charge> nearest = up ? known_.net_most : known_.net_least;
    const std::optional<Charge> most = reach(step);
    if (nearest && most) {
        const Charge way = up ? difference(net, *nearest) : difference(*nearest, net);
        if (way > *most) {
            j_.error_once(path, what + ", at least " + quoted(way) +
                                    " away when it begins, but its current moves at most " + quoted(*most) +
                                    " in the time and caps it has; give it more time or current");
            return;
        }
    }
    judge_net_caps(step, what);
}

void Order::judge_net_caps(const Step& step, const std::string& what) {
    const Charge net = j_.charge(step.ends.net->value);
    const Charge cap = j_.charge(*j_.limits.net_max);
    const Charge leg = j_.charge(*j_.limits.charge_leg_first);
    if (!charges(step)) {
        return;
    }
    if (net > cap) {
        j_.error_once(path_of(step, "ends.net"),
                      what + ", but net_max trips at " + quoted(cap) + "; a value below it would be right");
    } else if (!known_.discharged && net > leg) {
        j_.error_once(path_of(step, "ends.net"), what + " in the first charge, but charge_leg_max trips at " +
                                                     quoted(leg) + "; a value below it would be right");
    }
}

void Order::judge(const Step& step) {
    judge_fresh(step);
    switch (step.kind) {
        case StepKind::charge:
            judge_charge_voltage(step);
            warn_of_lower_current(step, true);
            break;
        case StepKind::discharge:
            judge_discharge_voltage(step);
            warn_of_lower_current(step, false);
            break;
        case StepKind::hold: judge_hold(step); break;
        case StepKind::rest:
        case StepKind::ramp:
        case StepKind::pulse:
        case StepKind::ask:
        case StepKind::repeat: break;
    }
    judge_net(step);
}

void Order::learn_voltage(const Step& step) {
    const bool rests = step.kind == StepKind::rest || step.kind == StepKind::ask;
    const bool holds = step.kind == StepKind::hold;
    const bool up = charges(step);
    const std::optional<Voltage> goal = holds ? step.voltage : step.ends.voltage;
    const bool arrives = certain(step) && goal && (!holds || step.ends.current.has_value());
    if (rests) {
        if (known_.reached) {
            known_.reached->rested = true;
        }
    } else if (either_way(step) || swept(step)) {
        known_.reached.reset();
    } else if (arrives) {
        const std::optional<Voltage> before = up ? below(current_of_step(step)) : above(current_of_step(step));
        bool no_further = before && (up ? *before <= *goal : *before >= *goal);
        if (up && known_.reached && !known_.reached->by_charge) {
            no_further = no_further || *goal >= sum(known_.reached->voltage, recovers);
        }
        const Current current = holds ? j_.current(step.ends.current->value) : current_of_step(step);
        known_.reached = Reached{*goal, up, no_further, current, false, &step};
    } else if (known_.reached && known_.reached->by_charge == up) {
        known_.reached->rested = true;  // still at least as far, but at another current
        known_.reached->no_further = false;
    } else {
        known_.reached.reset();
    }
    known_.start_min.reset();
    known_.start_max.reset();
}

void Order::learn_net(const Step& step) {
    if (swept(step)) {
        known_.net_least.reset();
        known_.net_most.reset();
        return;
    }
    const bool in = charges(step) || either_way(step);
    const bool out = discharges(step) || either_way(step);
    if (certain(step) && step.ends.net && !step.ends.net->measured && in != out) {
        // It comes to this value, or stays where it was because it had passed it.
        const Charge net = j_.charge(step.ends.net->value);
        const auto further = [&](std::optional<Charge>& bound, bool bounded_anyway) {
            if (bound) {
                bound = in ? std::max(*bound, net) : std::min(*bound, net);
            } else if (bounded_anyway) {
                bound = net;
            }
        };
        further(known_.net_least, in);
        further(known_.net_most, out);
        return;
    }
    const std::optional<Charge> most = reach(step);
    const bool exact = certain(step) && step.ends.amount && !step.ends.amount->measured && in != out;
    const std::optional<Charge> least = exact ? j_.charge(step.ends.amount->value) : Charge{};
    const auto move = [](std::optional<Charge>& bound, const std::optional<Charge>& by, bool up) {
        bound = bound && by ? std::optional{up ? sum(*bound, *by) : difference(*bound, *by)} : std::nullopt;
    };
    if (in) {
        move(known_.net_most, most, true);
        move(known_.net_least, least, true);
    }
    if (out) {
        move(known_.net_least, most, false);
        move(known_.net_most, least, false);
    }
}

void Order::learn(const Step& step) {
    learn_voltage(step);
    learn_net(step);
    known_.holds_charge = known_.holds_charge || may_charge(step);
    known_.discharged = known_.discharged || may_discharge(step);
}

// After a step that may have been passed over: only what holds with it and without it.
void Order::weaken(const Known& without) {
    const bool same = known_.reached && without.reached && known_.reached->voltage == without.reached->voltage &&
                      known_.reached->step == without.reached->step;
    if (!same) {
        known_.reached.reset();
    }
    known_.start_min.reset();
    known_.start_max.reset();
    const bool least = known_.net_least && without.net_least;
    const bool most = known_.net_most && without.net_most;
    known_.net_least = least ? std::optional{std::min(*known_.net_least, *without.net_least)} : std::nullopt;
    known_.net_most = most ? std::optional{std::max(*known_.net_most, *without.net_most)} : std::nullopt;
}

void Order::forget() {
    known_ = {};
    known_.net_least.reset();
    known_.net_most.reset();
    known_.holds_charge = true;
    known_.discharged = true;
}

// The first pass begins with what stands before the repeat, the second with what the first has left; a third finds
// nothing that the second does not, except that a net charge goes on growing or falling.
void Order::repeat(const Step& step) {
    walk(step.steps);
    if (step.times > 1) {
        const Known before = known_;
        walk(step.steps);
        const bool more = step.times > 2;
        if (more && before.net_least && known_.net_least && *known_.net_least < *before.net_least) {
            known_.net_least.reset();
        }
        if (more && before.net_most && known_.net_most && *known_.net_most > *before.net_most) {
            known_.net_most.reset();
        }
    }
    if (step.at_most.time && step.on_overrun != OnOverrun::stop) {
        forget();  // it may have been left anywhere
    }
}

void Order::walk(const std::vector<Step>& steps) {
    for (const Step& step : steps) {
        const Known before = known_;
        if (step.kind == StepKind::repeat) {
            repeat(step);
        } else if (j_.unclear(step)) {
            forget();
        } else {
            judge(step);
            learn(step);
        }
        if (step.only_if) {
            weaken(before);
        }
    }
}

}  // namespace

void check_order(Judge& judge) {
    Order(judge).walk(judge.protocol.steps);
}

}  // namespace slowfilm::protocol
