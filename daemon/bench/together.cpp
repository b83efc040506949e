// What channels have in common: the latch that outlives a run, the group that opens as one, the chamber around them,
// and the tray whose cells begin a step together.
#include "daemon/bench/bench.hpp"
#include "daemon/bench/gathering.hpp"
#include "daemon/core/text.hpp"
#include "daemon/engine/describe.hpp"

#include <algorithm>
#include <utility>

namespace slowfilm::bench {

// A trip of the wiring, the instrument or the room stays with the channel, whoever takes the cell away.
void Bench::judge_latch(std::size_t channel, const Event& event) {
    const ChannelTask& task = *tasks_[channel];
    const ActiveRun& run = *task.run();
    bool latches = event.kind == EventKind::output_stuck;
    if (event.kind == EventKind::tripped) {
        latches = run.run.trip_class == TripClass::channel;
    } else if (event.kind == EventKind::idle_alarm && event.code < guard_count) {
        latches = guard_row(static_cast<GuardId>(event.code)).trip_class == TripClass::channel;
    }
    if (latches) {
        latch(task, engine::describe(event, *run.plan));
    }
}

void Bench::latch(const ChannelTask& task, std::string text) {
    const auto [there, fresh] = latches_.try_emplace(
        task.config().name, ledger::ChannelLatch{task.config().name, std::move(text), clock_->utc()});
    if (fresh) {  // the first reason stands
        feed_.put(there->second);
        feed_.commit();
        schedule_->wake(task.index());
    }
}

void Bench::unlatch(const ChannelTask& task) {
    if (latches_.erase(task.config().name) > 0) {
        feed_.put(ledger::ChannelLatch{task.config().name, "", clock_->utc()});
    }
}

const ledger::ChannelLatch* Bench::latch_of(const ChannelTask& task) const {
    const auto found = latches_.find(task.config().name);
    return found == latches_.end() ? nullptr : &found->second;
}

std::string Bench::trouble_of(const ChannelTask& task) const {
    const ActiveRun* active = task.run();
    if (active == nullptr || !active->plan) {
        const std::string own = task.trouble();
        return own.empty() ? empty_alarm(task) : own;
    }
    const engine::Run& run = active->run;
    const std::string channel = "channel '" + escaped(task.config().name) + "'";
    const engine::ChannelTrouble trouble = engine::channel_trouble(*active->plan, run, clock_->now());
    if (trouble.not_open) {
        return "the output of " + channel + " is not seen open; open it by hand";
    }
    for (const GuardRow& row : guard_table()) {
        if ((trouble.out & engine::bit_of(row.id)) != 0) {
            return std::string(row.name) + " of " + channel + " is still out of its limit";
        }
    }
    if (trouble.silent) {
        return "not every quantity of " + channel + " has a fresh reading";
    }
    const bool of_trip = (run.idle_said & engine::bit_of(run.tripped_by)) != 0 && run.trip_class == TripClass::channel;
    return of_trip && !engine::cause_gone(*active->plan, run, clock_->now())
               ? std::string(guard_row(run.tripped_by).name) + " of " + channel + " is still out of its limit"
               : "";
}

// What a channel without guards of its own is hot above: the lowest that a cell beside it may reach, at most the
// bench's cap.
Temperature Bench::hot_above(const ChannelTask& task) const {
    Temperature limit = options_.config.caps.temperature_max;
    const std::string& group = task.config().group;
    for (const auto& other : tasks_) {
        const ActiveRun* run = other->run();
        if (!group.empty() && other->config().group == group && run != nullptr && run->plan) {
            const engine::GuardSetting& guard = run->plan->guards[static_cast<std::size_t>(GuardId::over_temperature)];
            limit = std::min(limit, Temperature{guard.trip});
        }
    }
    return limit;
}

// Heat asks nobody whether a run is there. A reading beyond what cells reach is a broken sensor.
bool Bench::is_hot(const ChannelTask& task) const {
    if (const ActiveRun* run = task.run(); run != nullptr && run->plan) {
        return engine::is_hot(*run->plan, run->run);
    }
    const Reading<Temperature>& last = task.last_sample().temperature;
    return last.good() && !(last.value <= hot_above(task)) &&
           last.value <= task.config().traits.temperature_plausible_max;
}

// What is told of a channel that no run is on.
std::string Bench::empty_alarm(const ChannelTask& task) const {
    return task.run() == nullptr && is_hot(task)
               ? "the thermometer reads " + print(task.last_sample().temperature.value) + ", above " +
                     print(hot_above(task)) + ", and no run is there: see from a distance whether a cell lies in it"
               : "";
}

// Looked at though no run is on it: latched, hot, or beside cells that heat would reach.
bool Bench::watched(std::size_t channel) const {
    const ChannelTask& task = *tasks_[channel];
    const std::string& group = task.config().group;
    return latch_of(task) != nullptr || is_hot(task) ||
           (!group.empty() && std::any_of(tasks_.begin(), tasks_.end(), [&](const auto& other) {
               return other->config().group == group && other->run() != nullptr && !other->run()->over();
           }));
}

// By their present state: whoever was told once, and when, says nothing of now.
std::string Bench::trouble_beside(const ChannelTask& task) const {
    if (task.config().group.empty()) {
        return "";
    }
    for (const auto& other : tasks_) {
        if (other->index() == task.index() || other->config().group != task.config().group) {
            continue;
        }
        const std::string channel = "channel '" + escaped(other->config().name) + "' of its group";
        const ActiveRun* run = other->run();
        const bool seen_to = run != nullptr && run->plan;
        if (seen_to ? run->stuck() : other->opening_failed()) {
            return "the output of " + channel + " is not seen open; open that by hand";
        }
        if (is_hot(*other)) {
            return seen_to ? "the cell on " + channel + " is hot"
                           : channel + " is hot (" + print(other->last_sample().temperature.value) +
                                 ", though no run is on it); see what lies there";
        }
    }
    return "";
}

void Bench::open_group_of(std::size_t channel) {
    const ChannelTask& origin = *tasks_[channel];
    cool_chamber_of(origin);
    const std::string& group = origin.config().group;
    if (group.empty()) {
        return;
    }
    for (const auto& task : tasks_) {
        if (task->index() == channel || task->config().group != group) {
            continue;
        }
        task->feed(GroupTrip{static_cast<std::uint32_t>(channel)});
        latch(*task, "heat or a stuck output on channel '" + escaped(origin.config().name) + "' of its group");
    }
}

// Where no run says that a cell lies there, one may have been left: heat beyond the bench's cap opens its group, once
// each time it comes.
void Bench::watch_empty(const ChannelTask& task) {
    const Reading<Temperature>& last = task.last_sample().temperature;
    if (!is_hot(task) || last.value <= options_.config.caps.temperature_max) {
        hot_empty_.erase(task.index());
        return;
    }
    if (!hot_empty_.insert(task.index()).second) {
        return;
    }
    latch(task, empty_alarm(task));
    if (on_trouble_) {
        on_trouble_("channel '" + escaped(task.config().name) + "': " + empty_alarm(task));
    }
    open_group_of(task.index());
}

// A cell whose run could not be restored, or was ended by record alone, lies there without a plan: the bench's own
// temperature cap and an output that comes on still hold for it. A reading beyond what cells reach is a broken sensor.
void Bench::watch_unplanned(std::size_t channel) {
    ChannelTask& task = *tasks_[channel];
    if (task.run() == nullptr) {
        watch_empty(task);
        return;
    }
    const Sample& last = task.last_sample();
    const Temperature cap = options_.config.caps.temperature_max;
    const bool hot = last.temperature.good() && !(last.temperature.value <= cap) &&
                     last.temperature.value <= task.config().traits.temperature_plausible_max;
    const bool flows = last.current.good() && task.output_open() && !(magnitude(last.current.value) <= task.leakage());
    if (!hot && !flows) {
        return;
    }
    if (flows) {
        task.open_output();
    }
    ActiveRun& run = *task.run();
    if (!run.idle_text.empty()) {
        return;  // told, and done what can be
    }
    run.idle_text = "the cell on the channel, whose run is not restored, is out of a limit: " +
                    (hot ? print(last.temperature.value) + " is above the bench's " + print(cap)
                         : print(last.current.value) + " flows at open circuit");
    latch(task, run.idle_text);
    if (on_trouble_) {
        on_trouble_("channel '" + escaped(task.config().name) + "': " + run.idle_text);
    }
    open_group_of(channel);
}

void Bench::cool_chamber_of(const ChannelTask& task) {
    if (task.config().chamber.empty()) {
        return;
    }
    tasks_[task.index()]->channel().cool(safe_ambient, clock_->now());
    if (on_trouble_) {
        on_trouble_("chamber '" + escaped(task.config().chamber) + "' is set to " + print(safe_ambient) +
                    ": channel '" + escaped(task.config().name) + "' in it is hot, or its output is stuck");
    }
}

// A chamber has one temperature: whoever sets it must be alone in it, or of the same tray as all who are.
Result<void> Bench::chamber_allows(const ChannelTask& task, const engine::Plan& plan, ledger::RunNumber tray) const {
    const ChamberConfig* chamber = find_chamber(options_.config, task.config().chamber);
    bool sets = false;
    for (const engine::PlanStep& step : plan.steps) {
        sets = sets || step.ambient.set;
        if (chamber != nullptr && step.ambient.set &&
            !(step.ambient.value >= chamber->min && step.ambient.value <= chamber->max)) {
            return fail(Failure::bad_data, "the protocol sets its ambient to " + print(step.ambient.value) +
                                               ", and chamber '" + escaped(chamber->name) + "' goes from " +
                                               print(chamber->min) + " to " + print(chamber->max));
        }
    }
    if (chamber == nullptr || !sets) {
        return {};
    }
    for (const auto& other : tasks_) {
        const ActiveRun* run = other->run();
        const bool same_place = other->index() == task.index() || other->config().chamber != chamber->name;
        if (same_place || run == nullptr || run->over() || (tray != 0 && run->tray == tray)) {
            continue;
        }
        return fail(Failure::try_again,
                    "the protocol sets the ambient of chamber '" + escaped(chamber->name) + "', in which cell '" +
                        escaped(run->cell) + "' lies (run " + std::to_string(run->number) + " on channel '" +
                        escaped(other->config().name) + "'); wait until it is over, or start them as one tray");
    }
    return {};
}

void Bench::decided(std::size_t channel, bool told) {
    const ActiveRun* run = tasks_[channel]->run();
    if (run == nullptr || !run->plan || closing_) {
        return;
    }
    if (run->tray == 0) {
        if (run->run.gathering && run->run.state == RunState::resting) {
            tasks_[channel]->feed(Gathered{});  // it is all there is of its tray
        }
    } else if (told || run->run.gathering) {
        gather(run->tray);
    }
}

void Bench::gather(ledger::RunNumber tray) {
    std::vector<Member> members;
    std::vector<ChannelTask*> tasks;
    for (const auto& task : tasks_) {
        const ActiveRun* run = task->run();
        if (run == nullptr || run->tray != tray) {
            continue;
        }
        const RunState state = run->state();
        Member member;
        member.living = !run->over() && state != RunState::tripped;
        if (run->plan) {
            member.gathering = run->run.gathering && state == RunState::resting;  // here, and nothing stops it
            member.standing = standing_of(*run->plan, run->run);
        }
        members.push_back(member);
        tasks.push_back(task.get());
    }
    for (const std::size_t chosen : who_begins(members)) {
        tasks[chosen]->feed(Gathered{});
    }
}

}  // namespace slowfilm::bench
