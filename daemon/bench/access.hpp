// Who may watch and who may operate: by the uid and gid that the kernel states for the other end of the socket.
#pragma once

#include "daemon/core/result.hpp"

#include <string>
#include <string_view>
#include <vector>

#include <sys/types.h>

namespace slowfilm::bench {

struct AccessRule {
    enum class Kind : unsigned char { user, group };
    Kind kind{Kind::user};
    unsigned id{0};
    bool operator==(const AccessRule&) const = default;
};

struct AccessLists {
    std::vector<AccessRule> watch, operate;  // who may operate may watch

    [[nodiscard]] bool may_watch(uid_t uid, gid_t gid) const;
    [[nodiscard]] bool may_operate(uid_t uid, gid_t gid) const;
};

// "uid 1000", "gid 100", "user alice", "group lab"; otherwise the reason why not, as a phrase.
[[nodiscard]] Result<AccessRule, std::string> parse_access_rule(std::string_view text);
// The user the daemon runs as, and root.
[[nodiscard]] std::vector<AccessRule> own_user_and_root();
// "uid 1000 (alice)", or "uid 1000" where no name is known.
[[nodiscard]] std::string describe_user(uid_t uid);

}  // namespace slowfilm::bench
