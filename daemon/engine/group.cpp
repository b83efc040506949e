#include "daemon/engine/group.hpp"

#include "daemon/core/ensure.hpp"

#include <utility>

namespace slowfilm::engine {

namespace {

using namespace literals;

constexpr Duration slope_over = 2_s;  // the shortest that tells a slope; common practice

}  // namespace

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
            channel.moved_known = channel.told = false;
        }
    }
    return under_way_;
}

void GroupTests::over(std::size_t channel) {
    ENSURE(channel < channels_.size());
    channels_[channel].wants = false;
    forget(channels_[channel]);
    if (under_way_ == channel) {
        under_way_.reset();
    }
}

void GroupTests::forget(Watched& watched) {
    watched.older = watched.newer = watched.before = Reading<Voltage>{};
    watched.moved_known = false;
}

bool GroupTests::Watched::slope_known() const {
    return before.good() && older.good() && before.time - older.time >= slope_over;
}

// Where it would be by now if nothing but its own current moved it.
Voltage GroupTests::Watched::expected(Time at) const {
    if (how != Neighbour::driven) {
        return before.value;
    }
    __extension__ using Wide = __int128;
    const Wide rise = static_cast<Wide>((before.value - older.value).count) * (at - before.time).count;
    return before.value + Voltage{static_cast<std::int64_t>(rise / (before.time - older.time).count)};
}

void GroupTests::note_before(Watched& watched, const Reading<Voltage>& voltage) {
    if (!watched.older.good()) {
        watched.older = watched.newer = voltage;
    } else if (voltage.time - watched.newer.time >= slope_over * 2) {
        watched.older = std::exchange(watched.newer, voltage);
    }
    watched.before = voltage;
    watched.moved_known = false;
}

bool GroupTests::may_tell(const Watched& watched, Voltage threshold) {
    switch (watched.how) {
        case Neighbour::itself: return false;
        case Neighbour::driven: return watched.slope_known();
        case Neighbour::open: return watched.before.good();
        case Neighbour::empty:
            return watched.before.good() && watched.older.time != watched.before.time &&
                   magnitude(watched.before.value - watched.older.value) <= threshold;
    }
    return false;
}

bool GroupTests::sample(std::size_t channel, const Reading<Voltage>& voltage, Neighbour how, TestPhase phase,
                        Voltage threshold) {
    ENSURE(channel < channels_.size());
    Watched& watched = channels_[channel];
    if (how != watched.how || under_way_ == channel) {
        forget(watched);
    }
    watched.how = how;
    if (how == Neighbour::itself || under_way_ == channel) {
        return false;
    }
    switch (under_way_ ? phase : TestPhase::none) {
        case TestPhase::none:
        case TestPhase::wanted:
        case TestPhase::before: note_before(watched, voltage); return false;
        case TestPhase::driven:
            // The furthest reading counts: the first may be from before the current had settled.
            if (may_tell(watched, threshold)) {
                const Voltage moved = voltage.value - watched.expected(voltage.time);
                watched.moved =
                    watched.moved_known && magnitude(watched.moved) >= magnitude(moved) ? watched.moved : moved;
                watched.moved_known = true;
            }
            return false;
        case TestPhase::after:
        case TestPhase::passed: {
            if (!watched.moved_known || watched.told) {
                return false;
            }
            const Voltage left = voltage.value - watched.expected(voltage.time);
            watched.told = magnitude(watched.moved) > threshold && magnitude(left) * 2 < magnitude(watched.moved);
            return watched.told;
        }
    }
    return false;
}

}  // namespace slowfilm::engine
