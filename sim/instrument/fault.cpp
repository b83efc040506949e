#include "sim/instrument/fault.hpp"

#include <algorithm>

namespace slowfilm::sim::instrument {

const std::array<std::string_view, fault_kinds>& fault_names() {
    static constexpr std::array<std::string_view, fault_kinds> names{
        "silent",
        "frozen",
        "late",
        "split",
        "merged",
        "garbled",
        "echoing",
        "last answer again",
        "unplugged",
        "rebooted",
        "stale",
        "saturated",
        "over range",
        "stars",
        "decimal comma",
        "wrong identity",
        "error queued",
        "settings conflict",
        "output stuck on",
        "off ignored",
        "protection opened",
        "protection wrong",
        "panel turned",
        "off sinks",
        "off to zero",
        "crowbar",
        "contactor welded",
        "sense swapped",
        "sense lifted",
        "thermometers swapped",
        "thermometer",
    };
    return names;
}

std::string_view name(FaultKind kind) {
    return fault_names().at(static_cast<std::size_t>(kind));
}

std::optional<FaultKind> fault_kind(std::string_view name) {
    const auto& names = fault_names();
    const auto found = std::find(names.begin(), names.end(), name);
    return found == names.end() ? std::nullopt : std::optional{static_cast<FaultKind>(found - names.begin())};
}

bool happens_once(FaultKind kind) {
    return kind == FaultKind::rebooted || kind == FaultKind::error_queued || kind == FaultKind::protection_opened ||
           kind == FaultKind::panel_turned || kind == FaultKind::settings_conflict;
}

}  // namespace slowfilm::sim::instrument
