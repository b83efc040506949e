// Many channels under one roof: who has a turn, which run is where, what operators may ask, and the way down.
#pragma once

#include "daemon/bench/channel_task.hpp"
#include "daemon/bench/clock.hpp"
#include "daemon/bench/config.hpp"
#include "daemon/bench/ledger_feed.hpp"
#include "daemon/bench/preparation.hpp"
#include "daemon/bench/schedule.hpp"
#include "daemon/bench/starting.hpp"
#include "daemon/channel/channel.hpp"
#include "daemon/control/server.hpp"
#include "daemon/core/result.hpp"
#include "daemon/engine/group.hpp"
#include "daemon/ledger/reader.hpp"
#include "daemon/ledger/writer.hpp"

#include <boost/asio/io_context.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/thread_pool.hpp>
#include <boost/json/object.hpp>
#include <functional>
#include <map>
#include <memory>
#include <optional>
#include <set>
#include <string>
#include <string_view>
#include <vector>

namespace slowfilm::bench {

// The second: the chamber around it, or nothing.
using ChannelFactory =
    std::function<Result<std::unique_ptr<channel::Channel>>(const ChannelConfig&, const ChamberConfig*)>;

struct BenchOptions {
    BenchConfig config;
    std::optional<double> time_scale;  // virtual seconds in a second; absent: the machine's clock
    // Whose ports all serial instruments are at, where time is scaled; else null. It must outlive the bench.
    channel::Lockstep* lockstep{nullptr};
    // Whether the process lives that switches real outputs off should this one die; empty: there is none, and none is
    // asked for.
    std::function<bool()> guardian_alive;
    FreeBytes free_bytes{free_bytes_beside};
    std::size_t queue_bytes_max{ledger::WriterOptions{}.queue_bytes_max};
};

inline constexpr double time_scale_max = 1e6;

inline constexpr std::string_view guardian_is_gone =
    "the process that switches outputs off should the daemon die is gone, so nothing real is energised any more; let "
    "what runs end or stop it, and start the daemon anew";

class Bench final : public Surroundings {
  public:
    // Opens the ledger and makes the channels, and binds the ledger's unfinished runs to them as waiting. try_again: a
    // second daemon on this ledger. bad_config: a time scale with a channel that is real.
    [[nodiscard]] static Result<std::unique_ptr<Bench>> open(boost::asio::io_context& io, BenchOptions options,
                                                             const ChannelFactory& factory);
    ~Bench() override;

    // Opens every output and calls back once each is seen open, or known not to be: those are named.
    using Opened = std::function<void(const std::vector<std::string>& not_open)>;
    void open_outputs(Opened done);

    [[nodiscard]] static const std::vector<std::string>& methods();
    void handle(control::Request request, control::Reply reply);
    [[nodiscard]] boost::json::object hello() const;
    [[nodiscard]] Result<void> may_watch(const control::Peer& peer) const;
    // Where events go; without it they are only recorded.
    void on_event(std::function<void(boost::json::object)> publish) { publish_ = std::move(publish); }

    // Told when something is wrong with the bench as a whole.
    void on_trouble(std::function<void(const std::string&)> tell) { on_trouble_ = std::move(tell); }

    // No more commands; every output opened and verified, everything committed. Calls back once, within `patience`.
    struct Ending {
        std::vector<std::string> not_open;  // channels whose output is not seen open
        bool recorded{false};               // all that was put is on disk
        [[nodiscard]] bool good() const { return not_open.empty() && recorded; }
    };
    void shut_down(std::string why, std::chrono::milliseconds patience, std::function<void(const Ending&)> done);

    // What a log should say of how the bench was found: runs that wait for a person.
    [[nodiscard]] const std::vector<std::string>& findings() const { return findings_; }

  private:
    Bench(boost::asio::io_context& io, BenchOptions options, std::unique_ptr<ledger::Writer> writer);

    // building (bench.cpp)
    [[nodiscard]] Result<void> make_channels(const ChannelFactory& factory);
    [[nodiscard]] bool still_brought_up() const;
    void watch_outputs(std::chrono::steady_clock::time_point until, Opened done);
    void interval();
    void warn_when_behind();
    [[nodiscard]] bool guardian_lives();
    void tell_not_ready();
    void lost_record(const std::string& why);
    void lost_lockstep(const std::string& why);

    // unfinished runs (restart.cpp)
    [[nodiscard]] Result<void> find_runs(ledger::Reader& reader);
    void bind_run(ledger::Reader& reader, ledger::RunData data, ChannelTask& task);
    void bind_unrestored(const ledger::RunData& data, ChannelTask* task, std::string why);
    void mark_interrupted(ChannelTask& task);
    void go_on_after(std::string_view boot, Time last, std::int64_t last_utc);

    // Surroundings
    [[nodiscard]] Clock& clock() override { return *clock_; }
    [[nodiscard]] LedgerFeed& ledger() override { return feed_; }
    void hold() override { schedule_->hold(); }
    void release() override { schedule_->release(); }
    void wake(std::size_t channel) override { schedule_->wake(channel); }
    void hurry(std::size_t channel, Duration period) override { schedule_->hurry(channel, period); }
    void open_group_of(std::size_t channel) override;
    void publish(std::size_t channel, const Event& event) override;
    void decided(std::size_t channel, bool told) override;
    void wants_test(std::size_t channel) override;
    void test_over(std::size_t channel) override;
    void sampled(std::size_t channel) override;
    void watch_unplanned(std::size_t channel) override;
    [[nodiscard]] bool test_beside(std::size_t channel) override;
    [[nodiscard]] bool watched(std::size_t channel) const override;
    [[nodiscard]] bool guarded(std::size_t channel) override;
    void noticed(std::size_t channel) override;

    // what channels have in common: latches, groups, chambers, trays (together.cpp)
    void judge_latch(std::size_t channel, const Event& event);
    void latch(const ChannelTask& task, std::string text);
    void unlatch(const ChannelTask& task);
    [[nodiscard]] const ledger::ChannelLatch* latch_of(const ChannelTask& task) const;
    // What is wrong now with the channel itself, and with its neighbours in the group (a stuck output, heat), as a
    // clause; "" where nothing is.
    [[nodiscard]] std::string trouble_of(const ChannelTask& task) const;
    [[nodiscard]] std::string trouble_beside(const ChannelTask& task) const;
    [[nodiscard]] Temperature hot_above(const ChannelTask& task) const;
    [[nodiscard]] bool is_hot(const ChannelTask& task) const;
    [[nodiscard]] std::string empty_alarm(const ChannelTask& task) const;
    void watch_empty(const ChannelTask& task);
    void cool_chamber_of(const ChannelTask& task);
    [[nodiscard]] Result<void> chamber_allows(const ChannelTask& task, const engine::Plan& plan,
                                              ledger::RunNumber tray) const;
    void gather(ledger::RunNumber tray);

    // The channels of one group: one test current at a time, the others watched (groups.cpp).
    struct Group {
        std::vector<std::size_t> channels;
        engine::GroupTests tests{0};
    };
    void make_groups();
    void grant_test(Group& group);
    [[nodiscard]] Group* group_of(std::size_t channel);
    [[nodiscard]] static std::size_t place_in(const Group& group, std::size_t channel);

    // operations (operations.cpp, acknowledge.cpp, cells.cpp, moves.cpp, start.cpp, status.cpp)
    using Answer = Result<boost::json::value>;
    [[nodiscard]] Answer status(const control::Request& request);
    void commit(const control::Request& request, control::Reply reply);
    [[nodiscard]] Answer pause(const control::Request& request);
    [[nodiscard]] Answer stop(const control::Request& request);
    [[nodiscard]] Answer resume(const control::Request& request);
    [[nodiscard]] Answer confirm(const control::Request& request);
    [[nodiscard]] Answer acknowledge(const control::Request& request);
    [[nodiscard]] Answer remove(const control::Request& request);
    void start(const control::Request& request, control::Reply reply);
    void start_tray(const control::Request& request, control::Reply reply);
    void begin_starting(std::shared_ptr<Starting> starting);
    void reserve(Starting& starting);
    [[nodiscard]] Result<void> may_start(const Starting& starting, std::size_t place) const;
    void prepare(const std::shared_ptr<Starting>& starting);
    void finish_starting(const std::shared_ptr<Starting>& starting);
    void give_up(Starting& starting);
    void make_run(Starting& starting, StartingCell& cell, ledger::RunNumber tray);
    void tell_started(const Starting& starting);
    void load_fixture(ChannelTask& task, const ActiveRun& run, protocol::Chemistry chemistry);
    void enter(const control::Request& request, control::Reply reply);
    void note_run(const control::Request& request, control::Reply reply);
    void lift_quarantine(const control::Request& request, control::Reply reply);
    void move(const control::Request& request, control::Reply reply);
    [[nodiscard]] Result<ChannelTask*> movable(ledger::RunNumber run, const ChannelTask& to) const;
    struct Replanned {
        engine::Plan plan;
        protocol::Chemistry chemistry;
    };
    [[nodiscard]] Answer finish_move(const control::Peer& peer, ledger::RunNumber run, ChannelTask& to,
                                     Result<Replanned> replanned);
    // Asks the ledger, away from the turns, once all that has happened is on disk.
    template <class T>
    void ask_ledger(std::function<Result<T>(ledger::Reader&)> question, std::function<void(Result<T>)> then);
    void reply_once_recorded(std::string_view verb, Answer result, control::Reply reply);
    [[nodiscard]] Result<void> may_operate(const control::Peer& peer) const;
    [[nodiscard]] Result<ChannelTask*> channel_named(const boost::json::object& params);
    [[nodiscard]] Result<ChannelTask*> run_named(const boost::json::object& params);
    [[nodiscard]] Result<std::vector<ChannelTask*>> channels_named(const boost::json::object& params);
    [[nodiscard]] Result<std::string> cell_there(const control::Request& request, const ChannelTask& task,
                                                 std::string_view verb);
    [[nodiscard]] Result<void> energising_allowed(const ChannelTask& task) const;
    [[nodiscard]] std::optional<ledger::RunNumber> stop_orphan(const control::Peer& peer, std::string_view channel);
    [[nodiscard]] std::string where_cell_is(std::string_view cell) const;
    [[nodiscard]] boost::json::object channel_status(const ChannelTask& task) const;
    [[nodiscard]] boost::json::object answer(std::string_view kind) const;
    void note(const control::Peer& peer, const ChannelTask* task, std::string_view verb, std::string detail);
    [[nodiscard]] static std::string who(const control::Peer& peer);
    [[nodiscard]] std::string state_word(const ChannelTask& task) const;

    boost::asio::io_context& io_;
    BenchOptions options_;
    std::unique_ptr<ledger::Writer> writer_;
    std::unique_ptr<Clock> clock_;
    LedgerFeed feed_;
    std::unique_ptr<Schedule> schedule_;
    std::vector<std::unique_ptr<ChannelTask>> tasks_;
    std::map<std::string, std::size_t, std::less<>> by_name_;
    std::map<std::string, Group, std::less<>> groups_;
    std::map<std::string, std::string, std::less<>> starting_;  // cells whose start is under way, and their channels
    boost::asio::steady_timer interval_timer_, watch_timer_;
    boost::asio::thread_pool preparation_{1};  // reads protocols and the ledger, away from the turns
    std::shared_ptr<bool> alive_{std::make_shared<bool>(true)};
    std::function<void(boost::json::object)> publish_;
    std::function<void(const std::string&)> on_trouble_;
    std::vector<std::string> findings_;
    struct Orphan {
        ledger::RunNumber run{0};
        std::string channel;
        ledger::RunStatus status;
    };
    std::map<std::string, Orphan, std::less<>> orphans_;  // by cell: unfinished runs whose channel is not on this bench
    std::set<std::string, std::less<>> quarantined_;      // cells that may get no current
    std::map<std::string, ledger::ChannelLatch, std::less<>> latches_;             // by channel
    std::vector<std::pair<ChannelTask*, std::unique_ptr<ActiveRun>>> found_runs_;  // while the daemon starts
    std::set<std::size_t> hot_empty_;  // channels without a run whose heat has been told
    bool outputs_opened_{false};       // once: before it no command is taken
    bool closing_{false};
    bool warned_behind_{false};
    bool guardian_gone_{false};
};

template <class T>
void Bench::ask_ledger(std::function<Result<T>(ledger::Reader&)> question, std::function<void(Result<T>)> then) {
    feed_.commit_then([this, question = std::move(question), then = std::move(then)](bool on_disk) {
        if (!on_disk) {
            then(fail(Failure::cannot_write, "nothing can be recorded: " + feed_.why_lost()));
            return;
        }
        boost::asio::post(preparation_, [this, alive = alive_, question, then, path = options_.config.ledger] {
            const Result<std::unique_ptr<ledger::Reader>> reader = ledger::Reader::open(path);
            Result<T> answer = reader ? question(**reader) : Result<T>(tl::unexpected(reader.error()));
            boost::asio::post(io_, [alive, then, answer = std::move(answer)]() mutable {
                if (*alive) {
                    then(std::move(answer));
                }
            });
        });
    });
}

}  // namespace slowfilm::bench
