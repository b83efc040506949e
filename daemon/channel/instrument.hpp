// One serial instrument: its link, what all of its outputs share (identity, event register, error queue, front panel),
// and the news that it went or rebooted, which every output hears whoever of them noticed.
#pragma once

#include "daemon/channel/guardian.hpp"
#include "daemon/channel/link.hpp"
#include "daemon/channel/lockstep.hpp"
#include "daemon/channel/profile.hpp"
#include "daemon/channel/script.hpp"
#include "daemon/wire/scpi.hpp"

#include <boost/asio/io_context.hpp>
#include <cstdint>
#include <functional>
#include <map>
#include <memory>
#include <string>
#include <string_view>
#include <vector>

namespace slowfilm::channel {

// Identities that begin so are ours: `slowfilm-virtual` at the far end of a pseudo-terminal.
inline constexpr std::string_view virtual_maker = "slowfilm,virtual";

// Who switches the outputs behind a port off should this process die, and the number it knows the port by.
struct Guarding {
    Guardian* guardian{nullptr};  // null: nobody
    std::uint32_t port{0};
};

class Instrument {
  public:
    // `serial`: the third field of its identity must be this; "": any will do. `lockstep`: it must be a virtual one,
    // and goes by this clock.
    Instrument(boost::asio::io_context& io, Timing& timing, InstrumentProfile profile, const std::string& serial,
               Guarding guarding = {}, Lockstep* lockstep = nullptr);
    // What it is guarded with stays with the guardian, until that is released.
    ~Instrument();

    // An output is behind it that this line switches off: from now on the guardian has it whenever the port is open.
    // bad_config: more outputs than one port can be guarded for.
    [[nodiscard]] Result<void> guard(const std::string& off_line);

    enum class News : std::uint8_t { up, lost, rebooted };
    using Listener = std::function<void(News)>;
    [[nodiscard]] std::size_t join(Listener listener);
    void leave(std::size_t number);

    // Remote, lock, registers and error queue cleared: once after each opening or reboot,
    // whichever listener asks.
    void prepare(std::size_t listener, Script::Done done);

    // The answer to the events question. A restart is told to all; it is the value's own trouble besides.
    [[nodiscard]] Result<Verdict, Trouble> judge_events(const Heard& heard);
    // The whole error queue, after settings: any entry is trouble. The queue is the instrument's: an entry may be
    // another output's, which then has its own reading back alone to go by.
    [[nodiscard]] std::vector<Step> errors_empty();

    [[nodiscard]] std::shared_ptr<Script> run(Urgency urgency, std::vector<Step> steps, Script::Done done);
    [[nodiscard]] wire::ReplyRules rules(const std::string& unit = "") const { return {profile_.prefix, unit}; }
    // Trouble that says what an answer should have been; the line is brought in step.
    [[nodiscard]] tl::unexpected<Trouble> no_answer(std::string_view question, const Heard& heard,
                                                    wire::ReplyFault fault);

    [[nodiscard]] Link& link() { return link_; }
    [[nodiscard]] const InstrumentProfile& profile() const { return profile_; }

  private:
    void tell(News news);
    void prepared(const Outcome& outcome);
    void hand_over(int descriptor);
    void off_unheard();

    InstrumentProfile profile_;
    Guarding guarding_;
    OffFrames off_;
    Link link_;
    std::map<std::size_t, Listener> listeners_;
    std::size_t listeners_made_{0};
    bool prepared_{false};
    std::shared_ptr<Script> preparing_;
    std::map<std::size_t, Script::Done> waiting_;  // for the preparation, by listener
};

// All serial instruments of a bench: a port is opened once, however many outputs hang on it.
class Instruments {
  public:
    // `guardian`: null where nobody switches off after this process; else it must outlive all of them.
    Instruments(boost::asio::io_context& io, Timing& timing, Guardian* guardian = nullptr)
        : io_(io), timing_(timing), guardian_(guardian) {}
    // All of them are virtual, at ports of its folder; it must outlive them.
    Instruments(boost::asio::io_context& io, Lockstep& lockstep, Guardian* guardian)
        : io_(io), timing_(lockstep.timing()), guardian_(guardian), lockstep_(&lockstep) {}
    // bad_config: the port is another profile's already.
    [[nodiscard]] Result<std::shared_ptr<Instrument>> at(const std::string& path, const InstrumentProfile& profile,
                                                         const std::string& serial);
    [[nodiscard]] Timing& timing() { return timing_; }
    // For a port that is opened elsewhere: a number that no other has.
    [[nodiscard]] Guarding next_guarding() { return {guardian_, ports_++}; }

  private:
    struct Known {
        std::shared_ptr<Instrument> instrument;
        std::string serial;
    };
    boost::asio::io_context& io_;
    Timing& timing_;
    Guardian* guardian_;
    Lockstep* lockstep_{nullptr};
    std::map<std::string, Known> by_path_;
    std::uint32_t ports_{0};
};

}  // namespace slowfilm::channel
