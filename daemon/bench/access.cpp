#include "daemon/bench/access.hpp"

#include "daemon/core/text.hpp"

#include <algorithm>
#include <charconv>
#include <optional>

#include <grp.h>
#include <pwd.h>
#include <unistd.h>

namespace slowfilm::bench {
namespace {

constexpr std::size_t lookup_bytes = 16'384;

std::optional<unsigned> parse_id(std::string_view text) {
    unsigned id = 0;
    const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), id);
    if (error != std::errc{} || end != text.data() + text.size()) {
        return std::nullopt;
    }
    return id;
}

std::optional<unsigned> user_id(const std::string& name) {
    std::vector<char> buffer(lookup_bytes);
    passwd entry{};
    passwd* found = nullptr;
    ::getpwnam_r(name.c_str(), &entry, buffer.data(), buffer.size(), &found);
    return found != nullptr ? std::optional<unsigned>(found->pw_uid) : std::nullopt;
}

std::optional<unsigned> group_id(const std::string& name) {
    std::vector<char> buffer(lookup_bytes);
    group entry{};
    group* found = nullptr;
    ::getgrnam_r(name.c_str(), &entry, buffer.data(), buffer.size(), &found);
    return found != nullptr ? std::optional<unsigned>(found->gr_gid) : std::nullopt;
}

bool lists(const std::vector<AccessRule>& rules, uid_t uid, gid_t gid) {
    return std::any_of(rules.begin(), rules.end(), [&](const AccessRule& rule) {
        return rule.kind == AccessRule::Kind::user ? rule.id == uid : rule.id == gid;
    });
}

}  // namespace

bool AccessLists::may_operate(uid_t uid, gid_t gid) const {
    return lists(operate, uid, gid);
}

bool AccessLists::may_watch(uid_t uid, gid_t gid) const {
    return lists(watch, uid, gid) || may_operate(uid, gid);
}

Result<AccessRule, std::string> parse_access_rule(std::string_view text) {
    using Kind = AccessRule::Kind;
    const std::size_t space = text.find(' ');
    const std::string_view word = text.substr(0, space);
    const std::string_view rest = space == std::string_view::npos ? "" : text.substr(space + 1);
    if (rest.empty() || (word != "uid" && word != "gid" && word != "user" && word != "group")) {
        return tl::unexpected<std::string>(
            R"(needs a word and who it is, such as "uid 1000", "gid 100", "user alice" or "group lab")");
    }
    const bool by_number = word == "uid" || word == "gid";
    const Kind kind = word == "uid" || word == "user" ? Kind::user : Kind::group;
    const std::optional<unsigned> id = by_number            ? parse_id(rest)
                                       : kind == Kind::user ? user_id(std::string(rest))
                                                            : group_id(std::string(rest));
    if (id) {
        return AccessRule{kind, *id};
    }
    if (by_number) {
        return tl::unexpected<std::string>("needs a whole number after '" + std::string(word) + "', such as \"" +
                                           std::string(word) + " 1000\"");
    }
    return tl::unexpected<std::string>("names a " + std::string(word) + " that this machine does not know: '" +
                                       escaped(rest) + "'");
}

std::vector<AccessRule> own_user_and_root() {
    std::vector<AccessRule> rules{{AccessRule::Kind::user, 0}};
    if (const uid_t own = ::geteuid(); own != 0) {
        rules.push_back({AccessRule::Kind::user, own});
    }
    return rules;
}

std::string describe_user(uid_t uid) {
    std::vector<char> buffer(lookup_bytes);
    passwd entry{};
    passwd* found = nullptr;
    ::getpwuid_r(uid, &entry, buffer.data(), buffer.size(), &found);
    const std::string number = "uid " + std::to_string(uid);
    return found != nullptr ? number + " (" + escaped(found->pw_name) + ")" : number;
}

}  // namespace slowfilm::bench
