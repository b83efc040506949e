// The owner of one serial port: every question and answer of everything that hangs on it goes through here, one at a
// time. A late answer to an earlier question is never taken for the answer to a later one: after silence, garbage or an
// answer that nobody asked for, the line is listened to until it is quiet and a question of known answer (the
// instrument's identity) is asked, before anything else is.
#pragma once

#include "daemon/channel/port.hpp"
#include "daemon/channel/timing.hpp"
#include "daemon/core/quantity.hpp"
#include "daemon/core/result.hpp"

#include <boost/asio/io_context.hpp>
#include <cstddef>
#include <cstdint>
#include <deque>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

namespace slowfilm::channel {

// What waits for the line goes in this order.
enum class Urgency : std::uint8_t { safe, apply, sample };

enum class LinkFault : std::uint8_t {
    lost,       // the port is closed, or what hangs on it has not said who it is yet
    silent,     // no whole answer within the deadline
    garbled,    // too long, or bytes that came before the question was out
    echoed,     // the question came back as its own answer
    cancelled,  // by whoever asked
};
[[nodiscard]] std::string_view name(LinkFault fault);

struct Answer {
    std::string bytes;  // whole, its end included; "" where none was asked for
    Time asked;         // steady time at which the question was begun: what is answered is not older
};

// How many bytes of what came are the first whole answer; 0: it is not whole yet.
using AnswerEnd = std::function<std::size_t(std::string_view)>;
// A line of text: up to and with its last character, '\n' or '\r'.
[[nodiscard]] AnswerEnd line_ending_in(char last);

struct Exchange {
    Urgency urgency{Urgency::sample};
    std::string question;  // as it is written, its end included
    AnswerEnd answer;      // empty: none comes
    Duration deadline;     // from the beginning of the question to the end of the answer
    // Whether an answer is to this question, where it can be told (a number in the frame); others are passed over.
    // Empty: it is.
    std::function<bool(std::string_view)> belongs;
    // Called exactly once; it may ask again. Possibly before ask() returns.
    std::function<void(Result<Answer, LinkFault>)> done;
};

// A question whose answer cannot be mistaken for another's.
struct Identity {
    std::string question;
    AnswerEnd answer;
    Duration deadline;
    std::function<bool(std::string_view)> looks_like;        // an answer to this question, whoever gives it
    std::function<Result<void>(std::string_view)> is_right;  // the instrument that is meant; the error goes to a person
};

struct LinkOptions {
    PortOptions port;
    Duration pause;        // from an answer, or a command without one, to the next
    Duration quiet;        // nothing for so long: nothing more comes
    Duration boot;         // after opening: a board that starts anew then
    std::string line_end;  // ends a line that may be half written; "": lines have no end
    std::string between;   // bytes that mean nothing before an answer, such as line ends
    bool echoes{false};    // everything written comes back first
    bool driven{false};    // what comes is read when hear() is called, and never before: Lockstep does
    std::size_t answer_max{4096};
    std::optional<Identity> identity;  // absent: silence alone must do
};

class Link {
  public:
    Link(boost::asio::io_context& io, Timing& timing, LinkOptions options);
    ~Link();
    Link(const Link&) = delete;
    Link& operator=(const Link&) = delete;

    // Opens the port, now and again with a growing delay for as long as the link lives.
    void start();

    using Ticket = std::uint64_t;
    Ticket ask(Exchange exchange);
    // Its handler is called with `cancelled` before this returns, unless it has been called already.
    void cancel(Ticket ticket);
    // Takes it back only if it still waits; its handler is not called then.
    bool withdraw(Ticket ticket);
    // An answer made no sense: the line is not believed until it is in step again.
    void distrust();

    // Of a driven link: waits for the rest of so many bytes since the opening, which are on their way, and takes them.
    void hear(std::uint64_t total);
    // Of a driven link: the other end is gone.
    void hang_up();
    // It is driven no longer.
    void hear_by_itself();

    // Called when the port is open and its instrument has said who it is, and when it is lost.
    void on_change(std::function<void(bool up)> listener);
    // Called with the descriptor once the port is open, before anything is written, and with -1 before it is closed.
    void on_port(std::function<void(int descriptor)> listener) { port_listener_ = std::move(listener); }

    enum class State : std::uint8_t {
        closed,    // waits to be opened again
        greeting,  // open; the instrument has not said who it is
        ready,
        resync,   // getting in step again; questions wait
        unheard,  // did not get in step; questions fail, the next try waits
    };
    [[nodiscard]] State state() const { return state_; }
    [[nodiscard]] bool up() const { return state_ != State::closed && state_ != State::greeting; }
    // Why it is not well, as a sentence; "" when it is.
    [[nodiscard]] const std::string& trouble() const { return trouble_; }
    // As the instrument last said it, without its line end.
    [[nodiscard]] const std::string& identity() const { return identity_; }
    // How often it was out of step: who asks several questions for one reading compares before and after.
    [[nodiscard]] std::uint64_t upsets() const { return upsets_; }
    // How often something came that nobody had asked for, or that no answer can be: what came just before may have been
    // the answer to something else.
    [[nodiscard]] std::uint64_t strays() const { return strays_; }
    [[nodiscard]] std::uint64_t openings() const { return openings_; }
    // Bytes that have come and gone since it was made.
    [[nodiscard]] std::uint64_t received() const { return received_; }
    [[nodiscard]] std::uint64_t sent() const { return sent_; }
    // And since the port was last opened.
    [[nodiscard]] std::uint64_t received_since_opening() const { return received_ - received_before_; }
    [[nodiscard]] std::uint64_t sent_since_opening() const { return sent_ - sent_before_; }
    // Whether it is open on a pseudo-terminal.
    [[nodiscard]] bool is_virtual() const;
    // -1 while closed.
    [[nodiscard]] int descriptor() const;
    [[nodiscard]] Timing& timing() const { return timing_; }
    [[nodiscard]] const LinkOptions& options() const { return options_; }

    static constexpr Duration reopen_first{250'000};
    static constexpr Duration reopen_most{5'000'000};
    // Nothing for so many of its deadlines: an identity that has not come by then does not come.
    static constexpr int deadlines_to_lose_one = 4;

  private:
    struct Line;
    struct Waiting {
        Ticket ticket{0};
        Exchange exchange;
    };
    // Which of our own questions is out while no exchange is.
    enum class Step : std::uint8_t { none, boot, drain, identity, settle };

    // the line (link_line.cpp)
    void open();
    void opened(Port port);
    void close_line();
    void lost(std::string why);
    void retry(std::string why);
    void listen();
    void read(std::size_t count);  // 0: the port is gone
    void write(std::string bytes);
    void write_on();
    void wait_writable();

    // exchanges (link.cpp)
    void pump();
    // Open again, and whoever is there now, the last to say who it is was ours.
    [[nodiscard]] bool was_ours() const;
    [[nodiscard]] static bool makes_safe(const Exchange& exchange);
    [[nodiscard]] std::optional<std::size_t> next_in_queue() const;
    void pump_once();
    void begin(Waiting waiting);
    void ran_out();
    void written();
    void took(std::string_view bytes);
    void take_echo();
    void take_answer();
    void finish(Result<Answer, LinkFault> result, bool upset);
    void fail_all(LinkFault fault);
    [[nodiscard]] std::string_view meaningful(std::string_view bytes) const;

    // getting in step (link_resync.cpp)
    void resync();
    void drain(Step step);
    void quiet_now();
    void ask_identity();
    void take_identity();
    void count_identities(std::string_view bytes);
    [[nodiscard]] bool is_identity(std::string_view answer) const;
    [[nodiscard]] Time lost_by() const;
    void in_step();
    void out_of_step(std::string why);
    void tell(bool up);

    boost::asio::io_context& io_;
    Timing& timing_;
    LinkOptions options_;
    State state_{State::closed};
    Step step_{Step::none};
    std::shared_ptr<Line> line_;
    std::deque<Waiting> queue_;
    std::optional<Waiting> current_;
    Time asked_;
    Time next_write_;
    std::string output_;     // not yet taken by the port
    std::string echo_;       // of what was written, not yet come back
    std::string input_;      // of an answer that is not whole yet
    std::string overheard_;  // of all that comes, the beginning of an answer
    std::uint32_t owed_{0};  // answers to identity questions that have not come
    bool answered_{false};   // one of them came since the last of the questions
    Time last_traffic_;      // of a byte that came, or a question that went
    bool half_written_{false};
    bool pumping_{false}, pump_again_{false};
    bool early_{false};  // something came before the question was out
    Ticket tickets_{0};
    Duration delay_{reopen_first};
    Time drain_until_;
    Alarm deadline_, pause_, step_alarm_, retry_, broken_;
    std::string trouble_, identity_;
    std::uint64_t upsets_{0}, strays_{0}, openings_{0}, received_{0}, sent_{0};
    std::uint64_t received_before_{0}, sent_before_{0};  // when the port was last opened
    std::vector<std::function<void(bool)>> listeners_;
    std::function<void(int)> port_listener_;
};

}  // namespace slowfilm::channel
