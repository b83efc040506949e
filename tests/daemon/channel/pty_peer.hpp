// The other end of a serial line: the master of a real pseudo-terminal, read and written by the test, under a stable
// name as an adapter has one. And a world to run a link in: its clock goes on when the test says so, nobody sleeps.
#pragma once

#include "daemon/channel/link.hpp"

#include <algorithm>
#include <boost/asio/io_context.hpp>
#include <cstdlib>
#include <deque>
#include <filesystem>
#include <functional>
#include <string>
#include <string_view>
#include <vector>

#include <fcntl.h>
#include <gtest/gtest.h>
#include <poll.h>
#include <unistd.h>

namespace slowfilm::test {

class Folder {
  public:
    Folder() {
        std::string name = (std::filesystem::temp_directory_path() / "slowfilm-port-XXXXXX").string();
        path_ = ::mkdtemp(name.data());
    }
    ~Folder() { std::filesystem::remove_all(path_); }
    Folder(const Folder&) = delete;
    Folder& operator=(const Folder&) = delete;
    [[nodiscard]] std::string file(const std::string& name) const { return (path_ / name).string(); }

  private:
    std::filesystem::path path_;
};

class PtyPeer {
  public:
    // `stable`: a link that points to the device as long as it is plugged in.
    explicit PtyPeer(std::string stable) : stable_(std::move(stable)) { plug_in(); }
    ~PtyPeer() { unplug(); }
    PtyPeer(const PtyPeer&) = delete;
    PtyPeer& operator=(const PtyPeer&) = delete;

    void plug_in() {
        master_ = ::posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
        if (master_ < 0 || ::grantpt(master_) != 0 || ::unlockpt(master_) != 0) {
            std::abort();
        }
        device_ = ::ptsname(master_);
        std::filesystem::create_symlink(device_, stable_);
        said_ = heard_ = 0;
        if (on_plug_in) {
            on_plug_in();
        }
    }
    void unplug() {
        if (master_ >= 0) {
            std::filesystem::remove(stable_);
            ::close(master_);
            master_ = -1;
        }
    }
    void say(std::string_view bytes) {
        while (!bytes.empty()) {
            const ssize_t count = ::write(master_, bytes.data(), bytes.size());
            if (count <= 0) {
                std::abort();
            }
            said_ += static_cast<std::uint64_t>(count);
            bytes.remove_prefix(static_cast<std::size_t>(count));
        }
    }
    // All that has been written to the device since the last time.
    [[nodiscard]] std::string listen() {
        std::string all;
        char bytes[4096];
        for (ssize_t count = 0; master_ >= 0 && (count = ::read(master_, bytes, sizeof bytes)) > 0;) {
            all.append(bytes, static_cast<std::size_t>(count));
            heard_ += static_cast<std::uint64_t>(count);
        }
        return all;
    }
    std::function<void()> on_plug_in;
    [[nodiscard]] int master() const { return master_; }
    [[nodiscard]] bool plugged() const { return master_ >= 0; }
    [[nodiscard]] std::uint64_t said() const { return said_; }
    [[nodiscard]] std::uint64_t heard() const { return heard_; }
    [[nodiscard]] const std::string& path() const { return stable_; }
    [[nodiscard]] const std::string& device() const { return device_; }

  private:
    std::string stable_, device_;
    int master_{-1};
    std::uint64_t said_{0}, heard_{0};  // since it was plugged in
};

// Lines in, lines out: what an instrument is to a link.
class ScriptedPeer {
  public:
    // The answer to a line, its end included; "" for none.
    using Script = std::function<std::string(const std::string& line)>;
    ScriptedPeer(std::string stable, Script answers) : pty(std::move(stable)), script(std::move(answers)) {}
    void turn() {
        if (deaf) {
            return;
        }
        const std::string fresh = pty.listen();
        everything += fresh;
        if (raw) {
            const std::string answer = fresh.empty() ? "" : raw(fresh);
            if (pty.plugged() && !answer.empty()) {
                pty.say(answer);
            }
            return;
        }
        pending_ += fresh;
        for (std::size_t end = 0; (end = pending_.find('\n')) != std::string::npos;) {
            const std::string line = pending_.substr(0, end);
            pending_.erase(0, end + 1);
            if (line.empty()) {
                continue;  // the end of a line that somebody else may have begun
            }
            lines.push_back(line);
            const std::string answer = script(line);
            if (pty.plugged() && !answer.empty()) {
                pty.say(answer);
            }
        }
    }
    [[nodiscard]] std::size_t count(std::string_view line) const {
        return static_cast<std::size_t>(std::count(lines.begin(), lines.end(), line));
    }

    PtyPeer pty;
    Script script;
    Script raw;        // in place of lines: the answer to whatever bytes came
    bool deaf{false};  // it does not even read
    std::vector<std::string> lines;
    std::string everything;

  private:
    std::string pending_;
};

// One thread's worth of Asio and a clock that is set by hand. Nothing waits for time: the clock goes on only once every
// byte that was written on either side has been read on the other.
class World {
  public:
    boost::asio::io_context io;
    channel::VirtualTiming timing;

    void join(const channel::Link& link, ScriptedPeer& peer) {
        Line& line = lines_.emplace_back(Line{&link, &peer});
        peer.pty.on_plug_in = [&line] {
            line.received = line.link->received();
            line.sent = line.link->sent();
        };
    }

    // The links are gone.
    void forget() {
        for (Line& line : lines_) {
            line.peer->pty.on_plug_in = nullptr;
        }
        lines_.clear();
    }

    // Runs everything that is ready, until nothing is.
    void settle() {
        for (;;) {
            for (Line& line : lines_) {
                line.peer->turn();
            }
            io.restart();
            if (io.poll() > 0) {
                continue;
            }
            std::vector<pollfd> unread;
            for (Line& line : lines_) {
                line.owes(unread);
            }
            if (unread.empty()) {
                return;
            }
            if (::poll(unread.data(), unread.size(), 10'000) == 0) {
                ADD_FAILURE() << "bytes got lost on a pseudo-terminal";
                return;
            }
        }
    }
    void pass(Duration span) {
        const Time until = timing.steady() + span;
        settle();
        while (timing.steady() < until) {
            const std::optional<Time> next = timing.next();
            timing.set(next && *next < until ? std::max(*next, timing.steady()) : until);
            settle();
        }
    }
    // Lets time go on until `done`, at most for `most`.
    template <class Done>
    bool until(Done done, Duration most) {
        const Time last = timing.steady() + most;
        settle();
        while (!done() && timing.steady() < last) {
            const std::optional<Time> next = timing.next();
            timing.set(next ? std::clamp(*next, timing.steady(), last) : last);
            settle();
        }
        return done();
    }

  private:
    struct Line {
        const channel::Link* link;
        ScriptedPeer* peer;
        std::uint64_t received{0}, sent{0};  // what the link had counted when the peer was plugged in
        // Adds what must become readable before time may go on.
        void owes(std::vector<pollfd>& unread) const {
            const int device = link->descriptor();
            const PtyPeer& pty = peer->pty;
            if (device >= 0 && (!pty.plugged() || pty.said() > link->received() - received)) {
                unread.push_back({device, POLLIN, 0});
            }
            if (device >= 0 && pty.plugged() && !peer->deaf && pty.heard() < link->sent() - sent) {
                unread.push_back({pty.master(), POLLIN, 0});
            }
        }
    };
    std::deque<Line> lines_;
};

}  // namespace slowfilm::test
