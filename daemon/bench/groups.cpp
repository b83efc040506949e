// The test currents of a group: one after the other, while the voltages of the other channels are watched. Cross-wired
// force and sense leads pass every guard, and overcharge the neighbour.
#include "daemon/bench/bench.hpp"

#include <algorithm>

namespace slowfilm::bench {
namespace {

using namespace literals;

// A voltage that moves by less than this may be its meter's own doing; common practice.
Voltage crossing_least(const ChannelTraits& traits) {
    return std::max(traits.voltage_accuracy * 2 + traits.voltage_resolution, 2_mV);
}

}  // namespace

void Bench::make_groups() {
    for (const auto& task : tasks_) {
        if (!task->config().group.empty()) {
            groups_[task->config().group].channels.push_back(task->index());
        }
    }
    for (auto& [name, group] : groups_) {
        group.tests = engine::GroupTests(group.channels.size());
    }
}

Bench::Group* Bench::group_of(std::size_t channel) {
    const auto found = groups_.find(tasks_[channel]->config().group);
    return found == groups_.end() ? nullptr : &found->second;
}

std::size_t Bench::place_in(const Group& group, std::size_t channel) {
    const auto found = std::find(group.channels.begin(), group.channels.end(), channel);
    return static_cast<std::size_t>(found - group.channels.begin());
}

void Bench::grant_test(Group& group) {
    if (const std::optional<std::size_t> next = group.tests.grant()) {
        tasks_[group.channels[*next]]->feed(TestGrant{});
    }
}

void Bench::wants_test(std::size_t channel) {
    Group* group = group_of(channel);
    if (group == nullptr) {
        tasks_[channel]->feed(TestGrant{});  // it has no neighbour
        return;
    }
    group->tests.request(place_in(*group, channel));
    grant_test(*group);
}

void Bench::test_over(std::size_t channel) {
    if (Group* group = group_of(channel)) {
        group->tests.over(place_in(*group, channel));
        grant_test(*group);
    }
}

bool Bench::test_beside(std::size_t channel) {
    const Group* group = group_of(channel);
    return group != nullptr && std::any_of(group->channels.begin(), group->channels.end(), [&](std::size_t other) {
               const ActiveRun* run = tasks_[other]->run();
               return other != channel && run != nullptr && run->plan && run->run.state == RunState::checking;
           });
}

void Bench::sampled(std::size_t channel) {
    Group* group = group_of(channel);
    if (group == nullptr) {
        return;
    }
    if (const ActiveRun* run = tasks_[channel]->run(); run && run->plan && run->run.state == RunState::checking) {
        for (const std::size_t other : group->channels) {
            if (other != channel) {
                schedule_->wake(other);  // seen at its own pace until the checks here are over, the empty ones too
            }
        }
    }
    engine::TestPhase phase = engine::TestPhase::none;
    const std::optional<std::size_t> tested = group->tests.under_way();
    if (tested) {
        const ActiveRun* run = tasks_[group->channels[*tested]]->run();
        phase = run != nullptr && run->plan ? run->run.test.phase : phase;
    }
    const ChannelTask& task = *tasks_[channel];
    const bool moved = group->tests.sample(place_in(*group, channel), task.last_sample().voltage, task.as_neighbour(),
                                           phase, crossing_least(task.config().traits));
    if (moved) {
        tasks_[group->channels[*tested]]->feed(Crossed{static_cast<std::uint32_t>(channel)});
    }
}

}  // namespace slowfilm::bench
