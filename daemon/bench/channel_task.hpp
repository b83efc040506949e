// One channel under the bench's roof: asks for its samples, feeds its run, carries out what the run decides, and writes
// it all down. Opening comes first, the record after; energising waits for the record.
#pragma once

#include "daemon/bench/clock.hpp"
#include "daemon/bench/config.hpp"
#include "daemon/bench/ledger_feed.hpp"
#include "daemon/bench/schedule.hpp"
#include "daemon/channel/channel.hpp"
#include "daemon/engine/engine.hpp"
#include "daemon/engine/group.hpp"
#include "daemon/record/record.hpp"

#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <vector>

namespace slowfilm::bench {

// A run on its channel, from its start, or from the daemon's, until it is removed.
struct ActiveRun {
    ledger::RunNumber number{0};
    std::string cell, title;
    ledger::RunNumber tray{0};                 // the first run of its tray; 0: it was started alone
    std::unique_ptr<const engine::Plan> plan;  // null: the state could not be restored, see `trouble`
    engine::Run run;
    std::optional<record::Recorder> recorder;
    ledger::TapeEncoder tape;
    std::vector<ledger::Record>
        records;  // since the tape was last handed over: they go after the inputs they come from
    Time checkpoint_at;
    bool restarted{false};                         // the daemon found it unfinished, and nobody has resumed it since
    double charge_in_ah{0.0}, charge_out_ah{0.0};  // of the visits that have ended
    std::string trip_text;                         // the last trip's sentence
    std::string idle_text;                         // the last alarm's sentence
    std::string trouble;                           // why it cannot be resumed; "": it can
    ledger::RunStatus status;                      // as last recorded, where there is no plan

    [[nodiscard]] RunState state() const { return plan ? run.state : status.state; }
    [[nodiscard]] bool over() const;
    [[nodiscard]] std::string needs() const;
    // Current flows, or may, though open circuit is asked for.
    [[nodiscard]] bool stuck() const { return plan && engine::is_stuck(run); }
    // An alarm that is no trip and is still so, as a sentence; "" when there is none.
    [[nodiscard]] std::string alarm() const;
    // Keeps what is shown of it, and the record itself until the next hand-over.
    void keep(ledger::Record record);
    void note(const ledger::VisitRecord& visit);
    void note(const ledger::EventRecord& event);
};

// What a channel's task uses of the bench around it.
class Surroundings {
  public:
    virtual ~Surroundings() = default;
    Surroundings() = default;
    Surroundings(const Surroundings&) = delete;
    Surroundings& operator=(const Surroundings&) = delete;

    [[nodiscard]] virtual Clock& clock() = 0;
    [[nodiscard]] virtual LedgerFeed& ledger() = 0;
    // Virtual time stands still between the two.
    virtual void hold() = 0;
    virtual void release() = 0;
    virtual void wake(std::size_t channel) = 0;
    virtual void hurry(std::size_t channel, Duration period) = 0;
    // Heat or a stuck output on this channel: its group must open.
    virtual void open_group_of(std::size_t channel) = 0;
    virtual void publish(std::size_t channel, const Event& event) = 0;
    // This channel's run asks for its test current, or needs it no more; and what was read here, for its neighbours'.
    virtual void wants_test(std::size_t channel) = 0;
    virtual void test_over(std::size_t channel) = 0;
    virtual void sampled(std::size_t channel) = 0;
    // A reading of a channel without guards of its own: its run has no plan, or none is on it.
    virtual void watch_unplanned(std::size_t channel) = 0;
    // A neighbour is checked, and will send its test current: this channel must be seen at its own pace meanwhile.
    [[nodiscard]] virtual bool test_beside(std::size_t channel) = 0;
    // This channel is looked at though no run is on it: it is latched, or hot, or beside a run that its heat would
    // reach.
    [[nodiscard]] virtual bool watched(std::size_t channel) const = 0;
    // Whether somebody switches this channel off should the daemon die; without it is not energised.
    [[nodiscard]] virtual bool guarded(std::size_t channel) = 0;
    // The channel noticed a fault, and no run is there to be told.
    virtual void noticed(std::size_t channel) = 0;
    // An input has been carried out whole; `told`: with events.
    virtual void decided(std::size_t channel, bool told) = 0;
};

class ChannelTask {
  public:
    ChannelTask(std::size_t index, const ChannelConfig& config, std::unique_ptr<channel::Channel> channel,
                Surroundings& surroundings);

    // A period has passed.
    [[nodiscard]] std::optional<Schedule::Next> turn();

    // Asks for open circuit behind the run's back, if there is one, and sees to it: at the daemon's start and end.
    void open_output();
    [[nodiscard]] bool output_open() const { return opening_.verified; }
    // What moves its voltage, for a neighbour that is tested.
    [[nodiscard]] engine::Neighbour as_neighbour() const;
    // The largest current that counts as none.
    [[nodiscard]] Current leakage() const;
    [[nodiscard]] bool opening_failed() const { return opening_.escalated; }
    // What is wrong with a channel that no run sees to, as a clause; "" where nothing is.
    [[nodiscard]] std::string trouble() const;
    // The daemon ends: the run hears of it and opens, the output is opened besides. The run is fed until seal(), so
    // that its record shows the circuit open.
    void close();
    // The run's record is completed; it is fed no more.
    void seal();

    // What is behind the channel is no longer in hand: the run hears of it, or the output is opened.
    void lose() { noticed(FaultKind::lost); }

    // The run goes on from here in this task; the caller has written its header.
    void begin(std::unique_ptr<ActiveRun> run);
    // Only with a restored run.
    engine::Decision command(CommandKind kind);
    void feed(const InputBody& body);
    // The channel holds no cell any more.
    std::unique_ptr<ActiveRun> remove();
    // A run without a plan is stopped by record alone.
    void stop_by_record();
    // The interval's tape goes to the ledger; `whole`: with checkpoint and margins.
    void hand_over(bool whole);

    [[nodiscard]] std::size_t index() const { return index_; }
    [[nodiscard]] const ChannelConfig& config() const { return config_; }
    [[nodiscard]] channel::Channel& channel() { return *channel_; }
    [[nodiscard]] const channel::Channel& channel() const { return *channel_; }
    // Lives in this process, and can be brought to any state of before.
    [[nodiscard]] bool simulated() const { return !config_.serial() && channel_->simulated(); }
    [[nodiscard]] const ActiveRun* run() const { return run_.get(); }
    [[nodiscard]] ActiveRun* run() { return run_.get(); }
    [[nodiscard]] const Sample& last_sample() const { return last_; }

    // `start` is preparing a run here: the channel is busy.
    void reserve(bool reserved) { reserved_ = reserved; }
    [[nodiscard]] bool busy() const { return reserved_ || run_ != nullptr; }

  private:
    [[nodiscard]] bool feeds_run() const { return run_ != nullptr && run_->plan != nullptr && !closing_; }
    [[nodiscard]] bool settled() const;
    [[nodiscard]] Duration stale_after() const;
    void notice_gap(Time now);
    void ask_sample(Time now);
    void took(const Sample& sample);
    void judge_opening(Time now);
    engine::Decision take(const InputBody& body);
    void carry_out(const Input& input, const engine::Decision& decision);
    void send(const Demand& demand);
    void send_once_recorded(const Demand& demand);
    void answered(std::uint64_t of_run, const Result<Demand, FaultKind>& taken);
    void noticed(FaultKind kind);
    [[nodiscard]] bool met();
    // Virtual time stands still until the channel has answered, unless answering takes of it.
    void hold();
    void release();

    std::size_t index_;
    const ChannelConfig& config_;
    std::unique_ptr<channel::Channel> channel_;
    Surroundings& surroundings_;
    std::unique_ptr<ActiveRun> run_;
    std::uint64_t runs_begun_{0};     // answers to a run that has gone are not for the next
    std::uint64_t demand_number_{0};  // a demand that waits for its record is void once another was decided
    std::vector<InputBody> nested_;   // inputs that came while one was being carried out
    bool taking_{false};
    bool told_{false};  // what is being carried out had events
    bool sampling_{false};
    bool heard_{false};  // a sample came in this turn
    bool reserved_{false};
    bool closing_{false};
    bool met_{false};          // it has been ready since the daemon started
    Sample last_;              // the newest reading of each quantity, good or not
    engine::Opening opening_;  // where no run sees to it
    Time last_turn_;
    Duration slept_;
};

}  // namespace slowfilm::bench
