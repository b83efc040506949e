#include "daemon/channel/lockstep.hpp"

#include "daemon/core/ensure.hpp"
#include "daemon/core/text.hpp"

#include <algorithm>
#include <array>
#include <cerrno>
#include <charconv>
#include <cstring>
#include <utility>

#include <poll.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

namespace slowfilm::channel {
namespace {

// Wall-clock: a side that does not answer for so long does not answer.
constexpr int patience_ms = 10'000;
constexpr std::string_view gone_word = "gone";

// The file that the port's link is in its folder.
std::string name_of(const std::string& path) {
    return path.substr(path.rfind('/') + 1);
}

std::optional<std::int64_t> whole(std::string_view text) {
    std::int64_t value = 0;
    const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
    return error == std::errc{} && end == text.data() + text.size() ? std::optional(value) : std::nullopt;
}

std::string_view take_word(std::string_view& rest) {
    const std::size_t end = std::min(rest.find(' '), rest.size());
    const std::string_view word = rest.substr(0, end);
    rest.remove_prefix(std::min(end + 1, rest.size()));
    return word;
}

}  // namespace

Result<std::unique_ptr<Lockstep>> Lockstep::connect(const std::string& folder) {
    const std::string path = folder + "/clock";
    sockaddr_un address{};
    address.sun_family = AF_UNIX;
    const int socket = path.size() < sizeof address.sun_path ? ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0) : -1;
    if (socket >= 0) {
        std::memcpy(address.sun_path, path.data(), path.size());
    }
    if (socket < 0 || ::connect(socket, reinterpret_cast<const sockaddr*>(&address), sizeof address) != 0) {
        if (socket >= 0) {
            ::close(socket);
        }
        return fail(Failure::no_input, "no slowfilm-virtual serves a clock at '" + escaped(path, 200) + "'");
    }
    std::unique_ptr<Lockstep> lockstep(new Lockstep(folder, socket));
    const Result<std::string, std::string> answer = lockstep->ask("grant 0\n");
    if (!answer || !lockstep->took(*answer)) {
        return fail(Failure::try_again,
                    "the virtual instruments in '" + escaped(folder, 200) +
                        "' do not take their time from here: " + (answer ? escaped(*answer, 200) : answer.error()));
    }
    return lockstep;
}

Lockstep::~Lockstep() {
    if (socket_ >= 0) {
        ::close(socket_);
    }
}

void Lockstep::join(Link& link) {
    ports_.push_back({&link, name_of(link.options().port.path)});
    by_name_.emplace(ports_.back().name, ports_.size() - 1);
}

// --- Going on --------------------------------------------------------------------------------------------------------

Duration Lockstep::pass(Duration at_most) {
    ENSURE(at_most.count >= 0);
    const Time now = timing_.steady();
    if (socket_ < 0) {
        return at_most;
    }
    add_openings();
    std::string line = "go " + std::to_string(now.count) + " " + std::to_string((now + at_most).count);
    const bool bytes = add_bytes(line);
    if (socket_ < 0 || (!bytes && !(next_ && *next_ <= now + at_most))) {
        return at_most;  // nobody has anything to say before: the other side catches up when it is asked again
    }
    const Result<std::string, std::string> answer = ask(line + "\n");
    if (!answer || !took(*answer) || reached_ < now || reached_ > now + at_most) {
        lose(answer ? "it answered '" + escaped(*answer, 200) + "'" : answer.error());
        return {};
    }
    return reached_ - now;
}

bool Lockstep::outstanding() const {
    return socket_ >= 0 && (next_ || std::any_of(ports_.begin(), ports_.end(), [](const Port& port) {
                                return port.link->descriptor() >= 0 && (port.link->openings() != port.opening ||
                                                                        port.link->sent_since_opening() != port.told);
                            }));
}

Duration Lockstep::whole_steps(Duration span) const {
    const std::int64_t until = (timing_.steady() + span).count;
    return Time{until - until % step.count} - timing_.steady();
}

// A port that was closed and opened again counts anew on both sides, even where the other side has not seen it closed:
// the guardian may still have held it.
void Lockstep::add_openings() {
    for (Port& port : ports_) {
        if (port.link->openings() == port.opening) {
            continue;
        }
        const std::string now = std::to_string(timing_.steady().count);
        const Result<std::string, std::string> answer = ask("go " + now + " " + now + " " + port.name + "=0\n");
        if (!answer || !took(*answer)) {
            lose(answer ? "it answered '" + escaped(*answer, 200) + "'" : answer.error());
            return;
        }
        port.opening = port.link->openings();
        port.told = port.came = 0;
        port.gone = false;
    }
}

bool Lockstep::add_bytes(std::string& line) {
    bool any = false;
    for (Port& port : ports_) {
        if (port.link->descriptor() < 0) {
            any = true;  // unplugged, or all of them are gone: who does not ask does not know
            continue;
        }
        const std::uint64_t sent = port.link->sent_since_opening();
        if (sent != port.told) {
            port.told = sent;
            line += " " + port.name + "=" + std::to_string(sent);
            any = true;
        }
    }
    return any;
}

Result<std::string, std::string> Lockstep::ask(std::string line) {
    if (::send(socket_, line.data(), line.size(), MSG_NOSIGNAL) != static_cast<ssize_t>(line.size())) {
        return tl::unexpected<std::string>("it is gone");
    }
    heard_.clear();
    while (heard_.empty() || heard_.back() != '\n') {
        pollfd ready{socket_, POLLIN, 0};
        std::array<char, 4096> bytes{};
        const int came = ::poll(&ready, 1, patience_ms);
        if (came < 0 && errno == EINTR) {
            continue;
        }
        const ssize_t count = came > 0 ? ::recv(socket_, bytes.data(), bytes.size(), 0) : 0;
        if (count <= 0) {
            return tl::unexpected<std::string>(came == 0 ? "it has not answered for ten seconds" : "it is gone");
        }
        heard_.append(bytes.data(), static_cast<std::size_t>(count));
    }
    heard_.pop_back();
    return heard_;
}

// "done T next=U NAME=M ...". False where it is anything else.
bool Lockstep::took(std::string_view answer) {
    constexpr std::string_view next_key = "next=";
    if (take_word(answer) != "done") {
        return false;
    }
    const std::optional<std::int64_t> reached = whole(take_word(answer));
    std::string_view next = take_word(answer);
    if (!reached || !next.starts_with(next_key)) {
        return false;
    }
    next.remove_prefix(next_key.size());
    const std::optional<std::int64_t> at = whole(next);
    if (!at && next != "-") {
        return false;
    }
    reached_ = Time{*reached};
    next_ = at ? std::optional(Time{*at}) : std::nullopt;
    while (!answer.empty()) {
        if (!took_port(take_word(answer))) {
            return false;
        }
    }
    return true;
}

bool Lockstep::took_port(std::string_view word) {
    const std::size_t equals = std::min(word.find('='), word.size());
    const std::string_view value = word.substr(std::min(equals + 1, word.size()));
    const std::optional<std::int64_t> count = whole(value);
    if (!count && value != gone_word) {
        return false;
    }
    const auto found = by_name_.find(word.substr(0, equals));
    if (found == by_name_.end()) {
        return true;  // no channel of this bench has it
    }
    Port& port = ports_[found->second];
    port.gone = !count;
    port.came = count ? static_cast<std::uint64_t>(*count) : port.came;
    return true;
}

// --- What has come ---------------------------------------------------------------------------------------------------

void Lockstep::deliver() {
    for (Port& port : ports_) {
        Link& link = *port.link;
        if (link.descriptor() < 0 || link.openings() != port.opening) {
            continue;
        }
        if (port.gone) {
            port.gone = false;
            link.hang_up();
        } else if (link.received_since_opening() < port.came) {
            link.hear(port.came);
        }
    }
    if (lost_) {
        const std::string why = *std::exchange(lost_, std::nullopt);
        for (const Port& port : ports_) {
            port.link->hear_by_itself();
        }
        if (tell_lost_) {
            tell_lost_(why);
        }
    }
}

void Lockstep::lose(std::string why) {
    ::close(std::exchange(socket_, -1));
    next_.reset();
    lost_ = std::move(why);
}

}  // namespace slowfilm::channel
