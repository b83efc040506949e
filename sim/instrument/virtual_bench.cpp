#include "sim/instrument/virtual_bench.hpp"

#include "daemon/core/ensure.hpp"

#include <algorithm>
#include <utility>

namespace slowfilm::sim::instrument {

VirtualBench::VirtualBench(Parts parts) : parts_(std::move(parts)), next_tick_(Time{} + tick_period) {
    for (PlannedFault& fault : std::exchange(parts_.faults, {})) {
        plan(std::move(fault), Time{});
    }
}

// --- Time ------------------------------------------------------------------------------------------------------------

void VirtualBench::tick() {
    for (Line& line : parts_.lines) {
        line.tick(now_);
    }
    for (const auto& [name, cell] : parts_.cells) {
        cell->follow(seconds(now_ - Time{}));
    }
}

// In the order of time; at one time faults before ticks before bytes, and lines in the order of the file.
void VirtualBench::run_to(Time time) {
    ENSURE(time >= now_);
    while (true) {
        Line* hears = nullptr;
        Time at = next_tick_;
        for (Line& line : parts_.lines) {
            const std::optional<Time> heard = line.next_heard();
            if (heard && *heard < at) {
                at = *heard;
                hears = &line;
            }
        }
        const bool fault = !events_.empty() && events_.begin()->first <= at;
        at = std::max(now_, fault ? events_.begin()->first : at);
        if (at > time) {
            break;
        }
        now_ = at;
        if (fault) {
            const Event event = std::move(events_.begin()->second);
            events_.erase(events_.begin());
            happen(event);
        } else if (hears != nullptr) {
            hears->hear(now_);
        } else {
            tick();
            next_tick_ = next_tick_ + tick_period;
        }
    }
    now_ = time;
}

std::optional<Time> VirtualBench::next() const {
    std::optional<Time> next;
    for (const Line& line : parts_.lines) {
        for (const std::optional<Time>& one : {line.last_heard(), line.next_sent()}) {
            if (one && (!next || *one < *next)) {
                next = one;
            }
        }
    }
    return next;
}

// --- Faults ----------------------------------------------------------------------------------------------------------

void VirtualBench::plan(PlannedFault fault, Time from) {
    const Time begin = from + fault.after;
    plan_end(fault, begin);
    events_.emplace(begin, Event{std::move(fault.instrument), std::move(fault.fault), true});
}

void VirtualBench::plan_end(const PlannedFault& fault, Time begun) {
    if (fault.for_) {
        events_.emplace(begun + *fault.for_, Event{fault.instrument, fault.fault, false});
    }
}

// What a planned fault cannot be was refused when it was planned, or is said by the console.
void VirtualBench::happen(const Event& event) {
    if (event.on) {
        (void)begin(event.instrument, event.fault);
        return;
    }
    const auto same = [&](const Event& one) {
        return one.instrument == event.instrument && one.fault.kind == event.fault.kind;
    };
    const auto found = std::find_if(active_.begin(), active_.end(), same);
    if (found != active_.end()) {
        active_.erase(found);
        (void)line_of(event.instrument)->set_fault(event.instrument, event.fault, false, now_);
    }
}

Result<void, std::string> VirtualBench::begin(const std::string& instrument, const Fault& fault) {
    Line* const line = line_of(instrument);
    if (line == nullptr) {
        return tl::unexpected<std::string>("no instrument is called that");
    }
    auto taken = line->set_fault(instrument, fault, true, now_);
    if (taken && fault.kind == FaultKind::rebooted && fault.value.value_or(0.0) > 0.0) {  // deaf until it has started
        const Duration starts{static_cast<std::int64_t>(std::min(*fault.value, 1e6) * 1e6)};
        const Fault deaf{.kind = FaultKind::frozen};
        plan_end({instrument, deaf, Duration{}, starts}, now_);
        return begin(instrument, deaf);
    }
    if (taken && !happens_once(fault.kind)) {
        active_.push_back({instrument, fault, true});
    }
    return taken;
}

std::size_t VirtualBench::clear(std::string_view instrument) {
    std::size_t cleared = 0;
    for (const Event& event : std::exchange(active_, {})) {
        if (event.instrument != instrument) {
            active_.push_back(event);
            continue;
        }
        (void)line_of(instrument)->set_fault(instrument, event.fault, false, now_);
        ++cleared;
    }
    return cleared;
}

// --- Names -----------------------------------------------------------------------------------------------------------

Line* VirtualBench::line_of(std::string_view instrument) {
    const auto found =
        std::find_if(parts_.lines.begin(), parts_.lines.end(), [&](const Line& line) { return line.has(instrument); });
    return found == parts_.lines.end() ? nullptr : &*found;
}

std::vector<std::string> VirtualBench::instruments() const {
    std::vector<std::string> names;
    for (const Line& line : parts_.lines) {
        for (std::string& name : line.names()) {
            names.push_back(std::move(name));
        }
    }
    return names;
}

Fixture* VirtualBench::cell(const std::string& name) {
    const auto found = parts_.cells.find(name);
    return found == parts_.cells.end() ? nullptr : found->second.get();
}

std::vector<std::string> VirtualBench::cells() const {
    std::vector<std::string> names;
    for (const auto& [name, cell] : parts_.cells) {
        names.push_back(name);
    }
    return names;
}

std::string VirtualBench::describe(std::string_view instrument) {
    Line* const line = line_of(instrument);
    return line == nullptr ? std::string{}
                           : std::string{line->plugged() ? "" : "unplugged; "} + line->describe(instrument, now_);
}

}  // namespace slowfilm::sim::instrument
