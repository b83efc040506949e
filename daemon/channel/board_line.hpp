// The owner of a channel board's serial port: one question open at a time, numbered when it goes out, so that Open may
// pass what waits. A reply with another number, garbled, or our own is passed over; another boot number is news.
#pragma once

#include "daemon/channel/board_options.hpp"
#include "daemon/channel/instrument.hpp"
#include "daemon/channel/link.hpp"
#include "daemon/channel/script.hpp"
#include "daemon/wire/board_link.hpp"

#include <boost/asio/io_context.hpp>
#include <functional>
#include <list>
#include <memory>
#include <optional>
#include <string>
#include <vector>

namespace slowfilm::channel {

struct BoardStep {
    wire::BoardCommand command;
    std::function<Outcome(const wire::BoardReply&)> judge;  // trouble ends the script; a refusal comes here too
};

// Questions that are asked one after the other; the next only when the last was answered well.
struct BoardScript {
    Urgency urgency{Urgency::apply};
    std::vector<BoardStep> steps;
    Script::Done done;  // once, unless it is stopped first
    std::size_t at{0};
    bool over{false};
    void stop() { over = true; }
};

class BoardLine {
  public:
    // `lockstep`: it is a virtual board, whose time is ours; null where time is the machine's.
    BoardLine(boost::asio::io_context& io, Timing& timing, const BoardChannelOptions& options, Guarding guarding,
              Lockstep* lockstep = nullptr);
    ~BoardLine();
    BoardLine(const BoardLine&) = delete;
    BoardLine& operator=(const BoardLine&) = delete;

    enum class News : std::uint8_t { up, lost, rebooted };
    // `listener` outlives the line. Opens the port, and for ever again.
    void start(std::function<void(News)> listener);

    // It may be over before this returns.
    std::shared_ptr<BoardScript> run(Urgency urgency, std::vector<BoardStep> steps, Script::Done done);
    // Off, without an answer, where the line is not in step: the board takes that with any number.
    void shout_off();

    [[nodiscard]] const Link& link() const { return link_; }
    [[nodiscard]] Time steady() const { return link_.timing().steady(); }

  private:
    void pump();
    bool pump_once();
    [[nodiscard]] bool is_answer(std::string_view line);
    void answered(const std::shared_ptr<BoardScript>& script, const Result<Answer, LinkFault>& answer);
    void finish(BoardScript& script, const Outcome& outcome);
    void hand_over(int descriptor);
    [[nodiscard]] Trouble no_answer(LinkFault fault) const;

    Guarding guarding_;
    Duration deadline_;
    Link link_;
    wire::BoardHost host_;
    std::function<void(News)> listener_;
    std::list<std::shared_ptr<BoardScript>> scripts_;
    std::optional<wire::BoardReply> reply_;    // to the question that is out
    std::optional<wire::BoardFault> dropped_;  // what was last passed over while it was out
    bool asking_{false};
    bool pumping_{false}, pump_again_{false};
};

}  // namespace slowfilm::channel
