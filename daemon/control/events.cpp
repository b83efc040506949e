#include "daemon/control/events.hpp"

#include "daemon/control/rpc.hpp"

namespace slowfilm::control {

namespace json = boost::json;

std::uint64_t EventLog::add(json::object event) {
    const std::uint64_t sequence = last() + 1;
    json::object numbered;
    const json::value* const kind = event.if_contains("kind");
    numbered["kind"] = kind != nullptr ? *kind : json::value("event");
    numbered["sequence"] = sequence;
    for (const auto& member : event) {
        if (member.key() != "kind" && member.key() != "sequence") {
            numbered.insert(member);
        }
    }
    lines_.push_back(std::make_shared<const std::string>(notification_line("event", numbered)));
    if (lines_.size() > kept_max_) {
        lines_.pop_front();
        ++first_;
    }
    return sequence;
}

}  // namespace slowfilm::control
