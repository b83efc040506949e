#include "sim/instrument/line.hpp"

#include "sim/stage/noise.hpp"

#include <algorithm>
#include <utility>

namespace slowfilm::sim::instrument {

namespace {

constexpr double late_otherwise = 2.0;    // s
constexpr double split_otherwise = 0.03;  // s

Duration duration_of(double seconds) {
    constexpr double most = 1e6;
    return {static_cast<std::int64_t>(std::clamp(seconds, 0.0, most) * 1e6)};
}

}  // namespace

std::optional<std::string> why_no_port_name(std::string_view name) {
    const auto fits = [](char c) {
        return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') || c == '-' || c == '_';
    };
    if (name.empty() || name.size() > 32 || !std::all_of(name.begin(), name.end(), fits)) {
        return "is no name for it: 1 to 32 letters, digits, '-' and '_'";
    }
    if (name == "clock" || name == "console") {
        return "is the name of a socket in the same folder";
    }
    return std::nullopt;
}

Line::Line(LineOptions options) : options_(std::move(options)) {}

void Line::add(std::string name, std::unique_ptr<Instrument> instrument) {
    Station station;
    station.name = std::move(name);
    station.instrument = std::move(instrument);
    stations_.push_back(std::move(station));
}

Line::Station* Line::find(std::string_view name) {
    const auto found =
        std::find_if(stations_.begin(), stations_.end(), [&](const Station& one) { return one.name == name; });
    return found == stations_.end() ? nullptr : &*found;
}

bool Line::has(std::string_view name) const {
    return std::any_of(stations_.begin(), stations_.end(), [&](const Station& one) { return one.name == name; });
}

std::vector<std::string> Line::names() const {
    std::vector<std::string> names;
    for (const Station& station : stations_) {
        names.push_back(station.name);
    }
    return names;
}

std::string Line::describe(std::string_view name, Time now) {
    Station* const station = find(name);
    return station == nullptr ? std::string{} : station->instrument->describe(now);
}

// --- Bytes -----------------------------------------------------------------------------------------------------------

// Rounded up: a byte is never earlier than it can be.
Duration Line::length(std::size_t bytes) const {
    const auto bits = static_cast<std::int64_t>(bytes) * options_.character;
    return {(bits * 1'000'000 + options_.baud - 1) / options_.baud};
}

void Line::put(std::string_view bytes, Time now) {
    if (!plugged_) {
        return;
    }
    const Time begin = std::max(arrived_, now);
    for (std::size_t at = 0; at < bytes.size(); ++at) {
        arrived_ = begin + length(at + 1);
        coming_.emplace_back(arrived_, bytes[at]);
    }
}

std::optional<Time> Line::next_heard() const {
    if (!coming_.empty() && (!gap_ || coming_.front().first <= *gap_)) {
        return coming_.front().first;
    }
    return gap_;
}

std::optional<Time> Line::last_heard() const {
    if (!coming_.empty()) {
        return options_.gap ? coming_.back().first + *options_.gap : coming_.back().first;
    }
    return gap_;
}

void Line::hear(Time now) {
    if (!coming_.empty() && coming_.front().first <= now) {
        const char byte = coming_.front().second;
        coming_.pop_front();
        gap_ = options_.gap ? std::optional{now + *options_.gap} : std::nullopt;
        if (echoing_) {
            send(now, std::string(1, byte));
        }
        for (Station& station : stations_) {
            if (!station.frozen) {
                say(station, station.instrument->hear(byte, now), now);
            }
        }
    } else if (gap_ && *gap_ <= now) {
        gap_.reset();
        for (Station& station : stations_) {
            if (!station.frozen) {
                say(station, station.instrument->silence(now), now);
            }
        }
    }
}

void Line::tick(Time now) {
    for (Station& station : stations_) {
        station.instrument->tick(now);
    }
}

void Line::send(Time due, std::string bytes) {
    const auto later = [](Time when, const Piece& piece) { return when < piece.due; };
    going_.insert(std::upper_bound(going_.begin(), going_.end(), due, later), Piece{due, std::move(bytes)});
}

// An answer on its way out, with what its instrument's faults make of it.
void Line::say(Station& station, std::string text, Time now) {
    if (text.empty()) {
        return;
    }
    if (station.again && !station.last.empty()) {
        text = station.last;
    }
    station.last = text;
    if (station.silent) {
        return;
    }
    ++station.said;
    if (station.garbled) {
        const std::uint64_t drawn = mixed(station.said);
        char& byte = text[drawn % text.size()];
        byte = static_cast<char>(static_cast<unsigned char>(byte) ^ (1U + (drawn >> 32U) % 255U));
    }
    if (station.merged && station.held.empty()) {
        station.held = std::move(text);
        return;
    }
    text = std::exchange(station.held, {}) + text;
    const Time begin = std::max(now + options_.answer + station.late.value_or(Duration{}), station.free);
    station.free = begin + length(text.size());
    if (station.split && text.size() > 1) {
        const std::size_t half = text.size() / 2;
        send(begin + length(half), text.substr(0, half));
        station.free = station.free + *station.split;
        text.erase(0, half);
    }
    send(station.free, std::move(text));
}

std::string Line::take(Time now) {
    std::string bytes;
    while (!going_.empty() && going_.front().due <= now) {
        bytes += going_.front().bytes;
        going_.pop_front();
    }
    return bytes;
}

std::optional<Time> Line::next_sent() const {
    return going_.empty() ? std::nullopt : std::optional{going_.front().due};
}

// --- Faults ----------------------------------------------------------------------------------------------------------

void Line::unplug() {
    plugged_ = false;
    ++unplugged_;
    coming_.clear();
    going_.clear();
    gap_.reset();
}

void Line::plug(std::string name) {
    plugged_ = true;
    if (!name.empty()) {
        options_.name = std::move(name);
    }
}

// False where it is not the line's.
bool Line::own_fault(Station& station, const Fault& fault, bool on) {
    switch (fault.kind) {
        case FaultKind::silent: station.silent = on; return true;
        case FaultKind::frozen: station.frozen = on; return true;
        case FaultKind::merged:
            station.merged = on;
            station.held.clear();
            return true;
        case FaultKind::garbled: station.garbled = on; return true;
        case FaultKind::last_answer_again: station.again = on; return true;
        case FaultKind::echoing: echoing_ = on; return true;
        case FaultKind::late:
            station.late = on ? std::optional{duration_of(fault.value.value_or(late_otherwise))} : std::nullopt;
            return true;
        case FaultKind::split:
            station.split = on ? std::optional{duration_of(fault.value.value_or(split_otherwise))} : std::nullopt;
            return true;
        case FaultKind::unplugged:
            if (on) {
                unplug();
            } else {
                plug(fault.as);
            }
            return true;
        case FaultKind::rebooted:
        case FaultKind::stale:
        case FaultKind::saturated:
        case FaultKind::over_range:
        case FaultKind::stars:
        case FaultKind::decimal_comma:
        case FaultKind::wrong_identity:
        case FaultKind::error_queued:
        case FaultKind::settings_conflict:
        case FaultKind::output_stuck_on:
        case FaultKind::off_ignored:
        case FaultKind::protection_opened:
        case FaultKind::protection_wrong:
        case FaultKind::panel_turned:
        case FaultKind::off_sinks:
        case FaultKind::off_to_zero:
        case FaultKind::crowbar:
        case FaultKind::contactor_welded:
        case FaultKind::sense_swapped:
        case FaultKind::sense_lifted:
        case FaultKind::thermometers_swapped:
        case FaultKind::thermometer: return false;
    }
    return false;
}

Result<void, std::string> Line::set_fault(std::string_view name, const Fault& fault, bool on, Time now) {
    Station* const station = find(name);
    if (station == nullptr) {
        return tl::unexpected<std::string>("no such instrument");
    }
    if (own_fault(*station, fault, on)) {
        return {};
    }
    if (fault.kind == FaultKind::rebooted) {  // what it was saying is cut off
        coming_.clear();
        going_.clear();
        station->last.clear();
    }
    return station->instrument->set_fault(fault, on, now);
}

}  // namespace slowfilm::sim::instrument
