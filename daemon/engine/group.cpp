#include "daemon/engine/group.hpp"

#include "daemon/core/ensure.hpp"

namespace slowfilm::engine {

GroupTests::GroupTests(std::size_t channels) : channels_(channels) {}

void GroupTests::request(std::size_t channel) {
    ENSURE(channel < channels_.size());
    Watched& asking = channels_[channel];
    if (!asking.wants && under_way_ != channel) {
        asking.wants = true;
        asking.asked = ++asked_;
    }
}

std::optional<std::size_t> GroupTests::grant() {
    if (under_way_) {
        return std::nullopt;
    }
    for (std::size_t i = 0; i < channels_.size(); ++i) {
        if (channels_[i].wants && (!under_way_ || channels_[i].asked < channels_[*under_way_].asked)) {
            under_way_ = i;
        }
    }
    if (under_way_) {
        channels_[*under_way_].wants = false;
        for (Watched& channel : channels_) {
            channel.during_known = channel.told = false;
        }
    }
    return under_way_;
}

void GroupTests::over(std::size_t channel) {
    ENSURE(channel < channels_.size());
    channels_[channel].wants = false;
    channels_[channel].before_known = false;
    if (under_way_ == channel) {
        under_way_.reset();
    }
}

bool GroupTests::sample(std::size_t channel, Voltage voltage, bool open, TestPhase phase, Voltage threshold) {
    ENSURE(channel < channels_.size());
    Watched& watched = channels_[channel];
    if (!open || under_way_ == channel) {
        watched.before_known = watched.during_known = false;
        return false;
    }
    switch (under_way_ ? phase : TestPhase::none) {
        case TestPhase::none:
        case TestPhase::wanted:
        case TestPhase::before:
            watched.before = voltage;
            watched.before_known = true;
            return false;
        case TestPhase::driven:
            // The furthest reading counts: the first may be from before the current had settled.
            if (!watched.during_known ||
                magnitude(voltage - watched.before) > magnitude(watched.during - watched.before)) {
                watched.during = voltage;
                watched.during_known = watched.before_known;
            }
            return false;
        case TestPhase::after:
        case TestPhase::passed: {
            if (!watched.during_known || watched.told) {
                return false;
            }
            const Voltage moved = watched.during - watched.before;
            const Voltage left = voltage - watched.before;
            watched.told = magnitude(moved) > threshold && magnitude(left) * 2 < magnitude(moved);
            return watched.told;
        }
    }
    return false;
}

}  // namespace slowfilm::engine
