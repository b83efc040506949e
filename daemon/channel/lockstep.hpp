// A bench whose instruments are virtual makes its own time, and `slowfilm-virtual`, at the far end of the ports, goes
// by it: over the socket beside the ports (config/virtual-bench.md) it is told how far time may go on, and says what
// has come back by then. Nothing happens on either side meanwhile, so the record does not depend on the pace.
#pragma once

#include "daemon/channel/link.hpp"
#include "daemon/channel/timing.hpp"
#include "daemon/core/quantity.hpp"
#include "daemon/core/result.hpp"

#include <cstdint>
#include <functional>
#include <map>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace slowfilm::channel {

class Lockstep {
  public:
    // Takes the clock of the virtual instruments whose ports stand in this folder; their time is 0 then.
    // no_input: nobody serves such a clock there; try_again: it is another program's.
    [[nodiscard]] static Result<std::unique_ptr<Lockstep>> connect(const std::string& folder);
    ~Lockstep();
    Lockstep(const Lockstep&) = delete;
    Lockstep& operator=(const Lockstep&) = delete;

    // A driven link to one of the folder's ports, before it is started. It must live as long as time goes on.
    void join(Link& link);

    // Lets the other side go on by so much at most, and no further than the millisecond in which something came back.
    // Waits for it; returns by how much it went. Once the clock is lost nobody is asked, and all of it passes.
    [[nodiscard]] Duration pass(Duration at_most);
    // Something was asked whose answer has not come. Where the pace is slow it is worth asking for it as often as time
    // allows, a whole millisecond at a time: in other steps it would be heard at another time.
    [[nodiscard]] bool outstanding() const;
    [[nodiscard]] Duration whole_steps(Duration span) const;
    // Hands the links what has come; timing() has been set forward by what pass() said.
    void deliver();

    // Called once, from deliver(), when the other side is gone or has refused: it goes by the machine's clock from
    // there, and so must whoever drives this one.
    void on_lost(std::function<void(const std::string& why)> tell) { tell_lost_ = std::move(tell); }

    [[nodiscard]] VirtualTiming& timing() { return timing_; }
    [[nodiscard]] const std::string& folder() const { return folder_; }

    static constexpr Duration step{1'000};

  private:
    struct Port {
        Link* link;
        std::string name;
        std::uint64_t opening{0};  // of the link, that the other side knows of
        std::uint64_t told{0};     // bytes sent since, that it knows of
        std::uint64_t came{0};     // bytes that it has written since
        bool gone{false};
    };
    Lockstep(std::string folder, int socket) : folder_(std::move(folder)), socket_(socket) {}

    void add_openings();
    [[nodiscard]] bool add_bytes(std::string& line);
    [[nodiscard]] Result<std::string, std::string> ask(std::string line);
    [[nodiscard]] bool took(std::string_view answer);
    [[nodiscard]] bool took_port(std::string_view word);
    void lose(std::string why);

    std::string folder_;
    int socket_;
    VirtualTiming timing_;
    std::vector<Port> ports_;
    std::map<std::string, std::size_t, std::less<>> by_name_;
    std::string heard_;                // of an answer that is not whole yet
    Time reached_;                     // what the other side said last that it is
    std::optional<Time> next_;         // before it nothing comes unasked
    std::optional<std::string> lost_;  // why, until it has been told
    std::function<void(const std::string&)> tell_lost_;
};

}  // namespace slowfilm::channel
