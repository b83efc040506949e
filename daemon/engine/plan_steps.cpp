#include "daemon/engine/plan_steps.hpp"

#include "daemon/engine/plan_guards.hpp"
#include "daemon/protocol/bounds.hpp"

#include <algorithm>
#include <limits>

namespace slowfilm::engine {

namespace {

using namespace literals;
using protocol::Protocol;
using protocol::Step;

constexpr Voltage cycle_end_over_window = 300_mV;

template <class Q>
void set(Maybe<Q>& maybe, const std::optional<Q>& value) {
    if (value) {
        maybe = {.value = *value, .set = true};
    }
}

void note_measured(PlanStep& step, bool measured, OfMeasured bit) {
    if (measured) {
        step.of_measured = static_cast<std::uint8_t>(step.of_measured | bit);
    }
}

class StepPlanner {
  public:
    StepPlanner(const Protocol& protocol, Plan& plan, Refusals& refusals)
        : protocol_{protocol}, plan_{plan}, refusals_{refusals} {}

    void make() {
        plan_.keep = keep_of(protocol_.keep, {.every = 10_s});
        lay_flat(protocol_.steps, -1, 0);
    }

  private:
    static tl::unexpected<Error> refuse(std::string why) { return fail(Failure::bad_data, std::move(why)); }
    [[nodiscard]] Current current(const CurrentOrRate& value) const { return current_of(value, plan_.capacity); }
    [[nodiscard]] Charge charge(const ChargeOrRatio& value) const { return charge_of(value, plan_.capacity); }
    // As the step being planned has them.
    [[nodiscard]] const GuardSetting& guard(GuardId id) const {
        const GuardSettings& own = limits_ < 0 ? plan_.guards : plan_.step_guards[static_cast<std::size_t>(limits_)];
        return own[static_cast<std::size_t>(id)];
    }
    // No stage voltage beyond these, whatever a step says.
    [[nodiscard]] Voltage highest() const {
        return std::min(plan_.window_max + protocol::ceiling_over_window,
                        Voltage{guard(GuardId::over_voltage).trip} - protocol::ceiling_under_limit);
    }
    [[nodiscard]] Voltage lowest() const {
        return Voltage{guard(GuardId::discharge_floor).low} + protocol::ceiling_under_limit;
    }

    void lay_flat(const std::vector<Step>& steps, std::int16_t parent, std::uint8_t depth);
    void refuse_step(const Step& step, const std::string& why);
    Result<PlanStep> plan_step(const Step& step);
    void plan_ends(const Step& step, PlanStep& planned) const;
    void plan_only_if(const Step& step, PlanStep& planned) const;
    Result<void> plan_levels(const Step& step, PlanStep& planned);
    Result<void> plan_sweep(const Step& step, PlanStep& planned);
    Result<Demand> demand_of(const Step& step) const;
    Result<Demand> drive_of(const Step& step, bool charges) const;
    Result<Demand> hold_of(const Step& step) const;
    Result<void> within_range(Current wanted, bool charges, const std::string& what) const;
    KeepPlan keep_of(const protocol::Keep& keep, KeepPlan base);

    const Protocol& protocol_;
    Plan& plan_;
    Refusals& refusals_;
    std::int16_t limits_{-1};  // of the step being planned: index into Plan::step_guards, or -1
};

void StepPlanner::refuse_step(const Step& step, const std::string& why) {
    refusals_.push_back({Failure::bad_data,
                         "step " + step.path + (step.name.empty() ? "" : " (" + step.name + ")") + ": " + why,
                         step.place});
}

void StepPlanner::lay_flat(const std::vector<Step>& steps, std::int16_t parent, std::uint8_t depth) {
    std::int16_t before = -1;
    for (const Step& step : steps) {
        if (plan_.steps.size() >= static_cast<std::size_t>(std::numeric_limits<std::int16_t>::max())) {
            refusals_.push_back({Failure::bad_data, "a protocol has at most 32767 steps"});
            return;
        }
        auto planned = plan_step(step);
        if (!planned) {
            refuse_step(step, planned.error().message);
            lay_flat(step.steps, parent, depth);  // for what they are refused for themselves
            continue;
        }
        const auto index = static_cast<std::int16_t>(plan_.steps.size());
        planned->parent = parent;
        planned->depth = depth;
        if (before >= 0 && step.kind == StepKind::pulse) {
            const PlanStep& rest = plan_.steps[static_cast<std::size_t>(before)];
            planned->rest_before = rest.kind == StepKind::rest && rest.end_time.set ? rest.end_time.value : Duration{};
        }
        plan_.steps.push_back(*planned);
        plan_.labels.push_back({.path = step.path, .name = step.name, .prompt = step.prompt, .enter = step.enter});
        if (before >= 0) {
            plan_.steps[static_cast<std::size_t>(before)].next = index;
        } else if (parent >= 0) {
            plan_.steps[static_cast<std::size_t>(parent)].first_child = index;
        }
        before = index;
        if (step.kind == StepKind::repeat) {
            if (depth >= protocol::repeat_depth_max || step.steps.empty()) {
                refuse_step(step, "a repeat has steps inside, at most 8 levels deep");
                continue;
            }
            lay_flat(step.steps, index, static_cast<std::uint8_t>(depth + 1));
        }
    }
}

Result<PlanStep> StepPlanner::plan_step(const Step& step) {
    PlanStep planned;
    planned.kind = step.kind;
    planned.direction = step.direction;
    planned.on_overrun = step.on_overrun;
    planned.good_end = step.good_end;
    planned.not_before = step.not_before.value_or(Duration{});
    planned.times = step.times;
    planned.together = step.together;
    planned.measures = step.measures;
    planned.ends_cycle = step.ends_cycle;
    planned.limits = limits_ = -1;
    if (step.limits) {
        const auto own = plan_step_guards(*step.limits, plan_);
        if (!own) {
            return tl::unexpected<Error>{own.error()};
        }
        planned.limits = limits_ = *own;
    }
    planned.same_cell = step.same_cell;
    planned.delay = step.delay;
    set(planned.ambient, step.ambient);
    if (step.ambient && !plan_.traits.has_chamber) {
        return refuse("ambient = \"" + print(*step.ambient) +
                      "\" needs a chamber, and this channel stands in none; take the line out or use another channel");
    }
    if (auto demand = demand_of(step)) {
        planned.demand = *demand;
    } else {
        return tl::unexpected<Error>{demand.error()};
    }
    note_measured(planned, step.current && step.current->measured, measured_demand);
    plan_ends(step, planned);
    plan_only_if(step, planned);
    for (const auto part : {&StepPlanner::plan_levels, &StepPlanner::plan_sweep}) {
        if (auto done = (this->*part)(step, planned); !done) {
            return tl::unexpected<Error>{done.error()};
        }
    }
    if (planned.at_most_amount.set && step.kind == StepKind::repeat) {
        return refuse("a repeat is capped by time, not by amount; cap the steps inside it");
    }
    if (planned.at_most_amount.set && step.on_overrun == protocol::OnOverrun::next) {
        return refuse("on_overrun = \"next\" goes with a time cap only; a charge cap stops or waits");
    }
    planned.lost_below = planned.end_current.set ? planned.end_current.value * 4 : plan_.traits.current_accuracy * 10;
    planned.ends_cycle_by_voltage = step.kind == StepKind::discharge && step.ends.voltage &&
                                    *step.ends.voltage <= plan_.window_min + cycle_end_over_window;
    if (step.keep) {
        planned.keep = static_cast<std::int16_t>(plan_.step_keeps.size());
        plan_.step_keeps.push_back(keep_of(*step.keep, plan_.keep));
    }
    return planned;
}

void StepPlanner::plan_ends(const Step& step, PlanStep& planned) const {
    const protocol::Ends& ends = step.ends;
    set(planned.end_voltage, ends.voltage);
    set(planned.end_above, ends.above);
    set(planned.end_below, ends.below);
    set(planned.end_time, ends.time);
    set(planned.at_most_time, step.at_most.time);
    const auto share = [&](const std::optional<StepCharge>& value, Maybe<Charge>& into, OfMeasured bit) {
        if (value) {
            into = {.value = charge(value->value), .set = true};
            note_measured(planned, value->measured, bit);
        }
    };
    share(ends.amount, planned.end_amount, measured_amount);
    share(ends.net, planned.end_net, measured_net);
    share(step.at_most.amount, planned.at_most_amount, measured_cap);
    if (ends.current) {
        planned.end_current = {.value = current(ends.current->value), .set = true};
        note_measured(planned, ends.current->measured, measured_current);
    }
    if (ends.temperature) {
        set(planned.end_temperature_min, ends.temperature->min);
        set(planned.end_temperature_max, ends.temperature->max);
        planned.end_temperature_for = ends.temperature->held.value_or(Duration{});
    }
    if (ends.settle) {
        planned.settle_below = {.value = ends.settle->below, .set = true};
        planned.settle_over = ends.settle->over;
    }
    if (ends.figure) {
        planned.end_figure_set = true;
        planned.end_figure = ends.figure->figure;
        planned.end_figure_below = ends.figure->below;
    }
}

void StepPlanner::plan_only_if(const Step& step, PlanStep& planned) const {
    if (!step.only_if) {
        return;
    }
    const protocol::OnlyIf& rule = *step.only_if;
    planned.only_if = {.set = true,
                       .figure = rule.figure,
                       .above = rule.above.has_value(),
                       .value = rule.above ? *rule.above : rule.below.value_or(0)};
    set(planned.only_if.from, rule.from);
    set(planned.only_if.to, rule.to);
}

Result<void> StepPlanner::within_range(Current wanted, bool charges, const std::string& what) const {
    const Current limit{guard(GuardId::over_current).trip};
    const Current range = charges ? plan_.traits.source_max : plan_.traits.sink_max;
    if (wanted.count <= 0 || wanted > limit) {
        return refuse(what + " " + print(wanted) + " must be above 0 A and at most current_max " + print(limit));
    }
    if (wanted > range) {
        return refuse(what + " " + print(wanted) + " is more than this channel " + (charges ? "gives, " : "takes, ") +
                      print(range));
    }
    return {};
}

Result<void> StepPlanner::plan_levels(const Step& step, PlanStep& planned) {
    if (step.kind != StepKind::pulse) {
        return {};
    }
    if (step.levels.empty() || step.levels.size() > protocol::levels_max) {
        return refuse("a pulse has 1 to " + std::to_string(protocol::levels_max) + " levels");
    }
    planned.first_level = static_cast<std::uint16_t>(plan_.levels.size());
    planned.level_count = static_cast<std::uint8_t>(step.levels.size());
    for (const protocol::PulseLevel& level : step.levels) {
        const Current wanted = current(level.current.value);
        if (auto good = within_range(wanted, level.charges, "the level's current"); !good) {
            return good;
        }
        if (level.span < plan_.traits.period * 2) {
            return refuse("a level of " + print(level.span) + " is too short for this channel, which is read every " +
                          print(plan_.traits.period) + "; a level must last two periods at least");
        }
        plan_.levels.push_back(
            {.current = level.charges ? wanted : -wanted, .span = level.span, .measured = level.current.measured});
        note_measured(planned, level.current.measured, measured_demand);
    }
    return {};
}

Result<void> StepPlanner::plan_sweep(const Step& step, PlanStep& planned) {
    if (step.kind != StepKind::ramp) {
        return {};
    }
    SweepPlan& sweep = planned.sweep;
    if (step.voltage_ramp) {
        const protocol::VoltageRamp& ramp = *step.voltage_ramp;
        sweep.from_now = !ramp.from.has_value();
        sweep.from = ramp.from.value_or(Voltage{}).count;
        sweep.to = ramp.to.count;
        sweep.rate = ramp.rate;
        sweep.limit = current(step.current ? step.current->value : CurrentOrRate{Current{}});
        const Voltage top = std::max(ramp.to, ramp.from.value_or(ramp.to));
        if (top > highest()) {
            return refuse("the sweep goes to " + print(top) + ", and no step of this cell may go above " +
                          print(highest()) + " (window.max + 10 mV, and 10 mV below voltage_max)");
        }
        if (sweep.limit.count <= 0 || sweep.limit.count > guard(GuardId::over_current).trip) {
            return refuse("the sweep's current limit " + print(sweep.limit) +
                          " must be above 0 A and at most current_max " +
                          print(Current{guard(GuardId::over_current).trip}));
        }
        return {};
    }
    if (!step.current_ramp) {
        return refuse("a ramp sweeps a voltage or a current; write one of them");
    }
    const protocol::CurrentRamp& ramp = *step.current_ramp;
    sweep.of_current = true;
    sweep.from_now = !ramp.from.has_value();
    sweep.from = ramp.from ? current(*ramp.from).count : 0;
    sweep.to = current(ramp.to).count;
    sweep.over = ramp.over;
    for (const std::int64_t end : {sweep.from, sweep.to}) {
        if (end == 0) {
            continue;
        }
        if (auto good = within_range(magnitude(Current{end}), end > 0, "the sweep's current"); !good) {
            return good;
        }
    }
    return {};
}

Result<Demand> StepPlanner::demand_of(const Step& step) const {
    switch (step.kind) {
        case StepKind::charge: return drive_of(step, true);
        case StepKind::discharge: return drive_of(step, false);
        case StepKind::hold: return hold_of(step);
        case StepKind::ramp:
        case StepKind::pulse: {
            // Their current changes; their bounds are these.
            const Voltage margin = end_margin(plan_.traits);
            const auto end = step.ends.voltage;
            return Demand{DriveCurrent{
                .ceiling = end ? std::min(std::max(*end + margin, plan_.window_max), highest()) : plan_.window_max,
                .floor = end ? std::max(std::min(*end - margin, plan_.window_min), lowest()) : plan_.window_min}};
        }
        case StepKind::rest:
        case StepKind::ask:
        case StepKind::repeat: return Demand{Open{}};
    }
    return Demand{Open{}};
}

// The stage's own ceiling stands a little above the end of a charge, and below window and limit; a floor mirrors it.
// Should the software die, the stage stops there by itself.
Result<Demand> StepPlanner::drive_of(const Step& step, bool charges) const {
    const Current wanted = current(step.current ? step.current->value : CurrentOrRate{Current{}});
    if (auto good = within_range(wanted, charges, "the current"); !good) {
        return tl::unexpected<Error>{good.error()};
    }
    DriveCurrent drive;
    drive.current = charges ? wanted : -wanted;
    const Voltage limit{guard(GuardId::over_voltage).trip};
    const Voltage floor{guard(GuardId::discharge_floor).low};
    const Voltage margin = end_margin(plan_.traits);
    if (charges) {
        drive.ceiling = step.ends.voltage ? *step.ends.voltage + margin : plan_.window_max;
        drive.floor = plan_.traits.voltage_min;
        if (drive.ceiling > highest()) {
            return refuse("the stage's ceiling " + print(drive.ceiling) + " (end voltage + " + print(margin) +
                          " for this channel's accuracy) must stay within 10 mV above window.max " +
                          print(plan_.window_max) + " and 10 mV below voltage_max " + print(limit));
        }
    } else {
        drive.floor = step.ends.voltage ? *step.ends.voltage - margin : plan_.window_min;
        drive.ceiling = std::min(limit - protocol::ceiling_under_limit, plan_.traits.voltage_max);
        if (drive.floor < lowest()) {
            return refuse("the stage's floor " + print(drive.floor) + " (end voltage - " + print(margin) +
                          " for this channel's accuracy) must stay 10 mV above discharge_floor " + print(floor));
        }
    }
    return Demand{drive};
}

Result<Demand> StepPlanner::hold_of(const Step& step) const {
    const Current current_max{guard(GuardId::over_current).trip};
    const Voltage limit{guard(GuardId::over_voltage).trip};
    const Current most = current(step.current ? step.current->value : CurrentOrRate{Current{}});
    const Voltage voltage = step.voltage.value_or(Voltage{});
    if (most.count <= 0 || most > current_max) {
        return refuse("the hold's current limit " + print(most) + " must be above 0 A and at most current_max " +
                      print(current_max));
    }
    if (voltage > highest()) {
        return refuse("the hold's voltage " + print(voltage) + " must not be above window.max " +
                      print(plan_.window_max) + " and must stay 10 mV below voltage_max " + print(limit));
    }
    HoldVoltage hold{.voltage = voltage, .source_max = most, .sink_max = most};
    if (step.direction == protocol::Direction::charge) {
        hold.sink_max = Current{};
    } else if (step.direction == protocol::Direction::discharge) {
        hold.source_max = Current{};
    }
    for (const bool charges : {true, false}) {
        const Current limit_of_way = charges ? hold.source_max : hold.sink_max;
        if (limit_of_way.count > 0) {
            if (auto good = within_range(limit_of_way, charges, "the hold's current limit"); !good) {
                return tl::unexpected<Error>{good.error()};
            }
        }
    }
    return Demand{hold};
}

// What is not written stays as it is in [keep].
KeepPlan StepPlanner::keep_of(const protocol::Keep& keep, KeepPlan base) {
    base.every = keep.every.value_or(base.every);
    set(base.voltage, keep.on_voltage_change);
    set(base.temperature, keep.on_temperature_change);
    if (keep.on_current_change) {
        const auto* amps = std::get_if<Current>(&*keep.on_current_change);
        const auto* share = std::get_if<Ratio>(&*keep.on_current_change);
        base.current = {.value = amps != nullptr ? *amps : current_of(Rate{share->count, 1'000'000}, plan_.capacity),
                        .set = true};
    }
    base.mean_of = keep.mean_of.value_or(Duration{});
    base.first_mark = static_cast<std::uint16_t>(plan_.marks.size());
    base.mark_count = static_cast<std::uint8_t>(std::min(keep.at.size(), protocol::keep_at_max));
    plan_.marks.insert(plan_.marks.end(), keep.at.begin(), keep.at.begin() + base.mark_count);
    return base;
}

bool takes_out(const Step& step) {
    switch (step.kind) {
        case StepKind::discharge: return true;
        case StepKind::hold: return step.direction != protocol::Direction::charge;
        case StepKind::ramp: {
            const auto negative = [](const CurrentOrRate& value) {
                const auto* amps = std::get_if<Current>(&value);
                return amps != nullptr ? amps->count < 0 : std::get<Rate>(value).numerator < 0;
            };
            return step.current_ramp &&
                   (negative(step.current_ramp->to) || (step.current_ramp->from && negative(*step.current_ramp->from)));
        }
        case StepKind::pulse:
            return std::any_of(step.levels.begin(), step.levels.end(),
                               [](const protocol::PulseLevel& level) { return !level.charges; });
        case StepKind::repeat: return moves_out(step.steps);
        case StepKind::charge:
        case StepKind::rest:
        case StepKind::ask: return false;
    }
    return true;
}

}  // namespace

void plan_steps(const Protocol& protocol, Plan& plan, Refusals& refusals) {
    StepPlanner{protocol, plan, refusals}.make();
}

bool moves_out(const std::vector<Step>& steps) {
    return std::any_of(steps.begin(), steps.end(), takes_out);
}

Voltage end_margin(const ChannelTraits& traits) {
    if (traits.voltage_accuracy.count <= 0) {
        return protocol::end_margin_unknown;
    }
    return traits.voltage_accuracy * 2 + traits.voltage_resolution;
}

}  // namespace slowfilm::engine
