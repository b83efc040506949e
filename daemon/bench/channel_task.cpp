#include "daemon/bench/channel_task.hpp"

#include "daemon/core/ensure.hpp"
#include "daemon/core/text.hpp"
#include "daemon/engine/describe.hpp"
#include "daemon/protocol/bounds.hpp"

#include <algorithm>
#include <utility>
#include <variant>

namespace slowfilm::bench {
namespace {

using namespace literals;

constexpr Duration verify_period = 50_ms;
constexpr Duration checkpoint_every = 60_s;
constexpr Duration slept_least = 1_s;
constexpr Duration even_after = 10_s;  // its own current has changed: after it a voltage moves evenly; common practice
constexpr Duration idle_period = 5_s;  // of a channel whose run is over, until its cell is taken away
constexpr Duration idle_fresh = 30_s;  // a reading of such a channel is not older

// Readings of a channel without a run: each quantity's newest.
template <class Q>
void take_newer(Reading<Q>& kept, const Reading<Q>& fresh) {
    if (fresh.quality != Quality::absent) {
        kept = fresh;
    }
}

}  // namespace

ChannelTask::ChannelTask(std::size_t index, const ChannelConfig& config, std::unique_ptr<channel::Channel> channel,
                         Surroundings& surroundings)
    : index_(index), config_(config), channel_(std::move(channel)), surroundings_(surroundings) {
    slept_ = surroundings_.clock().slept();
    last_turn_ = surroundings_.clock().now();
    channel_->on_fault([this](FaultKind kind) { noticed(kind); });
}

// Until an instrument has been there, that it is not is no news: its output is not seen open, and no run begins.
bool ChannelTask::met() {
    met_ = met_ || channel_->health().ready;
    return met_;
}

std::optional<Schedule::Next> ChannelTask::turn() {
    const Time now = surroundings_.clock().now();
    (void)met();
    const bool idle = feeds_run() && settled();
    if (feeds_run() && !idle) {
        notice_gap(now);
    }
    last_turn_ = now;
    heard_ = false;
    // A channel that answers at once gives the tick a fresh reading to judge: a step that ends by time ends on its
    // sample.
    ask_sample(now);
    // One that is over decides nothing by time alone: its tape grows by a sample, or by a tick that tells of silence.
    if (feeds_run() && !(idle && heard_)) {
        feed(Tick{});
    }
    judge_opening(now);
    if (opening_.wanted && !opening_.verified) {
        return Schedule::Next{std::min(verify_period, config_.traits.period)};
    }
    if (!feeds_run()) {
        const bool cell_without_plan = run_ != nullptr && !closing_;
        return surroundings_.test_beside(index_) ? std::optional(Schedule::Next{config_.traits.period})
               : cell_without_plan || surroundings_.watched(index_)
                   ? std::optional(Schedule::Next{std::max(idle_period, config_.traits.period), false})
                   : std::nullopt;
    }
    return settled() && !surroundings_.test_beside(index_)
               ? Schedule::Next{std::max(idle_period, config_.traits.period), false}
               : Schedule::Next{config_.traits.period};
}

// Over, and seen open. A cell that tripped is watched as closely as before: its heat still opens the neighbours.
bool ChannelTask::settled() const {
    return run_->over() && run_->run.opening.verified && run_->run.state != RunState::tripped;
}

engine::Neighbour ChannelTask::as_neighbour() const {
    using engine::Neighbour;
    if (!feeds_run()) {
        return !opening_.verified ? Neighbour::itself : run_ == nullptr ? Neighbour::empty : Neighbour::open;
    }
    const engine::Run& run = run_->run;
    if (is_open(run.demand)) {
        return run.opening.verified ? Neighbour::open : Neighbour::itself;
    }
    const bool constant = std::holds_alternative<DriveCurrent>(run.demand) && run.state == RunState::forming &&
                          run_->plan->steps[run.step].kind != engine::StepKind::ramp;
    return constant && run.taken && run.now - run.applied_at > even_after ? Neighbour::driven : Neighbour::itself;
}

std::string ChannelTask::trouble() const {
    const Time now = surroundings_.clock().now();
    const Duration longest = std::max(config_.traits.period * 3, idle_fresh);
    const auto fresh = [&](const auto& reading) { return reading.good() && now - reading.time <= longest; };
    const std::string channel = "channel '" + escaped(config_.name) + "'";
    if (!opening_.verified) {
        return "the output of " + channel + " is not seen open; open it by hand";
    }
    if (!fresh(last_.current)) {
        return channel + " has no fresh reading of its current";
    }
    if (config_.traits.temperature_of == TemperatureOf::none) {
        return "";
    }
    const Temperature least = std::max(config_.traits.temperature_plausible_min, protocol::temperature_min_default);
    const Temperature most = config_.traits.temperature_plausible_max;
    if (!fresh(last_.temperature)) {
        return "the thermometer of " + channel + " gives no fresh reading";
    }
    if (!(last_.temperature.value >= least && last_.temperature.value <= most)) {
        return "the thermometer of " + channel + " reads " + print(last_.temperature.value) + ", outside " +
               print(least) + " to " + print(most);
    }
    return "";
}

Current ChannelTask::leakage() const {
    if (run_ != nullptr && run_->plan != nullptr) {
        return Current{run_->plan->guards[static_cast<std::size_t>(GuardId::leakage)].trip};
    }
    return config_.traits.current_accuracy * 2 + config_.traits.current_resolution;
}

Duration ChannelTask::stale_after() const {
    const engine::Plan& plan = *run_->plan;
    return std::min(plan.stale_voltage, plan.stale_current);
}

void ChannelTask::notice_gap(Time now) {
    const Duration slept = surroundings_.clock().slept();
    const bool machine_slept = slept - slept_ > slept_least;
    slept_ = slept;
    if (machine_slept || now - last_turn_ > stale_after()) {
        feed(Gap{last_turn_});
    }
}

void ChannelTask::ask_sample(Time now) {
    if (sampling_) {
        return;  // the channel still owes the last one; ticks tell the run
    }
    sampling_ = true;
    hold();
    channel_->sample(now, [this](const Sample& sample) {
        sampling_ = false;
        took(sample);
        release();
    });
}

void ChannelTask::hold() {
    if (!config_.serial()) {
        surroundings_.hold();
    }
}

void ChannelTask::release() {
    if (!config_.serial()) {
        surroundings_.release();
    }
}

void ChannelTask::took(const Sample& sample) {
    take_newer(last_.voltage, sample.voltage);
    take_newer(last_.terminals, sample.terminals);
    take_newer(last_.current, sample.current);
    take_newer(last_.temperature, sample.temperature);
    take_newer(last_.ambient, sample.ambient);
    last_.mode = sample.mode;
    heard_ = sample.voltage.quality != Quality::absent || sample.current.quality != Quality::absent;
    if (feeds_run()) {
        feed(sample);
    } else if (!closing_) {
        surroundings_.watch_unplanned(index_);
    }
    if (sample.voltage.good()) {
        surroundings_.sampled(index_);
    }
}

void ChannelTask::open_output() {
    const Time now = surroundings_.clock().now();
    opening_ = engine::Opening{};
    engine::ask_opening(opening_, now);
    channel_->apply(Open{}, now, [this, of_run = runs_begun_](const Result<Demand, FaultKind>& taken) {
        // A run that asks for nothing else is told: after a restart its record may end before the stage had answered.
        if (feeds_run() && is_open(run_->run.demand)) {
            answered(of_run, taken);
        }
    });
    surroundings_.hurry(index_, std::min(verify_period, config_.traits.period));
}

void ChannelTask::judge_opening(Time now) {
    if (run_ != nullptr && run_->plan != nullptr && !is_open(run_->run.demand)) {
        opening_ = engine::Opening{};  // the run has taken over, and current is what it asked for
    }
    if (!opening_.wanted || (opening_.verified && feeds_run())) {
        return;
    }
    const engine::OpeningStep step =
        engine::check_opening(opening_, last_.current, last_.mode, leakage(), config_.traits, now);
    if (step.resend) {
        channel_->apply(Open{}, now, [](const Result<Demand, FaultKind>&) {});
    }
}

void ChannelTask::close() {
    // For the run it is an interruption; the second says that nothing goes on by itself while the daemon ends.
    for (int i = 0; i < 2 && feeds_run() && engine::is_live(run_->run.state); ++i) {
        feed(Gap{surroundings_.clock().now()});
    }
    ++demand_number_;
    open_output();
}

void ChannelTask::seal() {
    if (feeds_run() && !run_->over()) {
        hand_over(true);
        ledger::RunStatus status = run_->recorder->status(run_->run);
        if (status.state == RunState::waiting) {
            status.wait = WaitReason::restart;
            status.needs = "the daemon was stopped during this run; start it again, then resume --cell ID or stop";
        }
        surroundings_.ledger().put(status);
    }
    closing_ = true;
}

void ChannelTask::begin(std::unique_ptr<ActiveRun> run) {
    ENSURE(run_ == nullptr && run != nullptr);
    run_ = std::move(run);
    ++runs_begun_;
    ++demand_number_;
    reserved_ = false;
    last_turn_ = surroundings_.clock().now();
    slept_ = surroundings_.clock().slept();
    run_->checkpoint_at = last_turn_;
    surroundings_.wake(index_);
}

std::unique_ptr<ActiveRun> ChannelTask::remove() {
    ENSURE(run_ != nullptr && !taking_);
    hand_over(true);
    std::unique_ptr<ActiveRun> gone = std::move(run_);
    ++demand_number_;
    last_ = Sample{};
    open_output();
    return gone;
}

void ChannelTask::stop_by_record() {
    ENSURE(run_ != nullptr && run_->plan == nullptr);
    run_->status.state = RunState::stopped;
    run_->status.wait = WaitReason::none;
    run_->status.needs.clear();
    run_->status.ended = surroundings_.clock().now();
    run_->status.ended_utc = surroundings_.clock().utc();
    surroundings_.ledger().put(run_->status);
    surroundings_.ledger().commit();
}

engine::Decision ChannelTask::command(CommandKind kind) {
    ENSURE(!taking_ && feeds_run());
    engine::Decision decision = take(Command{kind});
    if (kind == CommandKind::resume && run_->run.state != RunState::waiting) {
        run_->restarted = false;
    }
    surroundings_.wake(index_);
    return decision;
}

void ChannelTask::feed(const InputBody& body) {
    if (!feeds_run()) {
        return;
    }
    if (taking_) {
        nested_.push_back(body);
        return;
    }
    take(body);
}

engine::Decision ChannelTask::take(const InputBody& body) {
    taking_ = true;
    const auto once = [this](const InputBody& one) {
        engine::Run& run = run_->run;
        const Input input{run.sequence + 1, std::max(surroundings_.clock().now(), run.now), one};
        const engine::Decision decision = engine::advance(*run_->plan, run, input);
        carry_out(input, decision);
        return decision;
    };
    const engine::Decision first = once(body);
    for (std::size_t i = 0; i < nested_.size(); ++i) {
        const InputBody next = nested_[i];  // a copy: the list grows while it is carried out
        once(next);
    }
    nested_.clear();
    taking_ = false;
    surroundings_.decided(index_, std::exchange(told_, false));
    return first;
}

void ChannelTask::carry_out(const Input& input, const engine::Decision& decision) {
    if (decision.apply) {
        ++demand_number_;
        if (is_open(decision.demand)) {
            send(decision.demand);
        }
    }
    run_->tape.add(input);
    run_->recorder->saw(input);
    if (record::Recorder::has_records(decision)) {
        run_->recorder->took(run_->run, input, decision, surroundings_.clock().utc(),
                             [this](ledger::Record record) { run_->keep(std::move(record)); });
    }
    if (decision.commit || decision.record_first) {
        hand_over(true);
    }
    if (decision.apply && !is_open(decision.demand)) {
        decision.record_first ? send_once_recorded(decision.demand) : send(decision.demand);
    }
    if (decision.commit && !decision.record_first) {
        surroundings_.ledger().commit();
    }
    if (decision.apply_ambient) {
        channel_->set_ambient(run_->run.ambient, input.time);
    }
    for (const Event& event : decision.all_events()) {
        told_ = true;
        surroundings_.publish(index_, event);
    }
    if (decision.wants_test) {
        surroundings_.wants_test(index_);
    }
    if (decision.test_over) {
        surroundings_.test_over(index_);
    }
    if (decision.trip_group && !std::holds_alternative<GroupTrip>(input.body)) {
        surroundings_.open_group_of(index_);
    }
}

void ChannelTask::hand_over(bool whole) {
    if (!run_ || !run_->plan || closing_) {
        return;
    }
    LedgerFeed& ledger = surroundings_.ledger();
    const std::int64_t utc = surroundings_.clock().utc();
    if (std::optional<ledger::TapeChunk> chunk = record::tape_chunk(run_->number, run_->tape, utc)) {
        ledger.put(std::move(*chunk));
    } else if (!whole) {
        return;
    }
    for (ledger::Record& record : run_->records) {
        ledger.put(std::move(record));
    }
    run_->records.clear();
    if (whole || run_->run.now - run_->checkpoint_at >= checkpoint_every) {
        run_->checkpoint_at = run_->run.now;
        ledger.put(record::checkpoint(run_->number, run_->run));
    }
    if (whole) {
        ledger.put(record::margins(run_->number, *run_->plan, run_->run));
    }
}

void ChannelTask::send(const Demand& demand) {
    const std::uint64_t of_run = runs_begun_;
    if (!is_open(demand) && !surroundings_.guarded(index_)) {
        answered(of_run, tl::unexpected<FaultKind>(FaultKind::refused));
        return;
    }
    hold();
    channel_->apply(demand, surroundings_.clock().now(), [this, of_run](const Result<Demand, FaultKind>& taken) {
        answered(of_run, taken);
        release();
    });
}

void ChannelTask::send_once_recorded(const Demand& demand) {
    surroundings_.hold();
    const std::uint64_t number = demand_number_;
    surroundings_.ledger().commit_then([this, number, demand](bool on_disk) {
        if (on_disk && number == demand_number_ && feeds_run()) {
            send(demand);
        }
        surroundings_.release();
    });
}

void ChannelTask::answered(std::uint64_t of_run, const Result<Demand, FaultKind>& taken) {
    if (!feeds_run() || of_run != runs_begun_) {
        return;
    }
    if (taken) {
        feed(Applied{*taken});
    } else if (met()) {
        feed(ChannelFault{taken.error()});
    }
}

void ChannelTask::noticed(FaultKind kind) {
    if (!met()) {
        return;
    }
    if (feeds_run()) {
        feed(ChannelFault{kind});
        return;
    }
    surroundings_.noticed(index_);
    open_output();
}

}  // namespace slowfilm::bench
