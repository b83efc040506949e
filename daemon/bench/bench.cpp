#include "daemon/bench/bench.hpp"

#include "daemon/core/text.hpp"
#include "daemon/engine/describe.hpp"

#include <algorithm>
#include <utility>

namespace slowfilm::bench {
namespace {

constexpr std::chrono::milliseconds look_at_outputs{5};
constexpr std::chrono::seconds opening_patience{20};

}  // namespace

Bench::Bench(boost::asio::io_context& io, BenchOptions options, std::unique_ptr<ledger::Writer> writer)
    : io_(io),
      options_(std::move(options)),
      writer_(std::move(writer)),
      feed_(io, *writer_, [this](const std::string& why) { lost_record(why); }),
      interval_timer_(io),
      watch_timer_(io) {
    if (options_.time_scale) {
        auto clock = options_.lockstep != nullptr
                         ? std::make_unique<VirtualClock>(machine_utc(), options_.lockstep->timing())
                         : std::make_unique<VirtualClock>(machine_utc());
        schedule_ = std::make_unique<Schedule>(io, *clock, *options_.time_scale, [this] { return !feed_.behind(); });
        if (options_.lockstep != nullptr) {
            schedule_->go_with(*options_.lockstep);
            options_.lockstep->on_lost([this](const std::string& why) { lost_lockstep(why); });
        }
        clock_ = std::move(clock);
    } else {
        auto clock = std::make_unique<MachineClock>();
        schedule_ = std::make_unique<Schedule>(io, *clock);
        clock_ = std::move(clock);
    }
}

Bench::~Bench() {
    *alive_ = false;
    if (options_.lockstep != nullptr) {
        options_.lockstep->on_lost(nullptr);
    }
    schedule_->stop();
    preparation_.join();
}

Result<std::unique_ptr<Bench>> Bench::open(boost::asio::io_context& io, BenchOptions options,
                                           const ChannelFactory& factory) {
    ledger::WriterOptions writing;
    writing.path = options.config.ledger;
    writing.interval = options.config.commit_every;
    writing.queue_bytes_max = options.queue_bytes_max;
    Result<std::unique_ptr<ledger::Writer>> writer = ledger::Writer::open(writing);
    if (!writer) {
        return tl::unexpected(writer.error());
    }
    std::unique_ptr<Bench> bench(new Bench(io, std::move(options), std::move(*writer)));
    if (const Result<void> made = bench->make_channels(factory); !made) {
        return tl::unexpected(made.error());
    }
    const Result<std::unique_ptr<ledger::Reader>> reader = ledger::Reader::open(bench->options_.config.ledger);
    if (!reader) {
        return tl::unexpected(reader.error());
    }
    if (const Result<void> found = bench->find_runs(**reader); !found) {
        return tl::unexpected(found.error());
    }
    bench->interval();
    return bench;
}

Result<void> Bench::make_channels(const ChannelFactory& factory) {
    for (const ChannelConfig& config : options_.config.channels) {
        if (options_.time_scale && config.serial() && options_.lockstep == nullptr) {
            return fail(Failure::bad_config, "channel '" + escaped(config.name) +
                                                 "' hangs on a serial port whose time is its own, and cannot be "
                                                 "scaled; leave out --time-scale");
        }
        Result<std::unique_ptr<channel::Channel>> channel =
            factory(config, find_chamber(options_.config, config.chamber));
        if (!channel) {
            return fail(Failure::bad_config, escaped(options_.config.file) + ":" + std::to_string(config.place.line) +
                                                 ":" + std::to_string(config.place.column) + ": channel '" +
                                                 escaped(config.name) + "': " + channel.error().message);
        }
        if (options_.time_scale && !config.serial() && !(*channel)->simulated()) {
            return fail(Failure::bad_config, "channel '" + escaped(config.name) +
                                                 "' is real, and its time cannot be scaled; leave out --time-scale");
        }
        const std::size_t index = tasks_.size();
        tasks_.push_back(std::make_unique<ChannelTask>(index, config, std::move(*channel), *this));
        by_name_.emplace(config.name, index);
        schedule_->add(config.traits.period, [this, index] {
            (void)guardian_lives();
            return tasks_[index]->turn();
        });
    }
    if (options_.lockstep == nullptr) {
        schedule_->spread_phases();  // in lockstep one grant of time serves all that ask at once
    }
    make_groups();
    return {};
}

void Bench::open_outputs(Opened done) {
    for (const auto& task : tasks_) {
        task->open_output();
    }
    watch_outputs(std::chrono::steady_clock::now() + opening_patience,
                  [this, done = std::move(done)](const std::vector<std::string>& not_open) {
                      outputs_opened_ = true;
                      tell_not_ready();
                      done(not_open);
                  });
}

// Virtual instruments that are being brought up make time go on, though every output is seen open: what was started
// meanwhile would begin at another time in every run. With runs found, or without an instrument, there is no rest.
bool Bench::still_brought_up() const {
    return options_.lockstep != nullptr && !outputs_opened_ && !schedule_->at_rest() &&
           std::none_of(tasks_.begin(), tasks_.end(),
                        [](const auto& task) { return task->opening_failed() || task->run() != nullptr; });
}

void Bench::watch_outputs(std::chrono::steady_clock::time_point until, Opened done) {
    const bool settled = std::all_of(tasks_.begin(), tasks_.end(),
                                     [](const auto& task) { return task->output_open() || task->opening_failed(); });
    if ((settled && !still_brought_up()) || std::chrono::steady_clock::now() >= until) {
        std::vector<std::string> not_open;
        for (const auto& task : tasks_) {
            if (!task->output_open()) {
                not_open.push_back(task->config().name);
            }
        }
        done(not_open);
        return;
    }
    watch_timer_.expires_after(look_at_outputs);
    watch_timer_.async_wait([this, until, done = std::move(done)](const boost::system::error_code& error) mutable {
        if (!error) {
            watch_outputs(until, std::move(done));
        }
    });
}

// Wall time, also when the clock is virtual: a disk does not turn faster.
void Bench::interval() {
    interval_timer_.expires_after(std::chrono::microseconds(options_.config.commit_every.count));
    interval_timer_.async_wait([this](const boost::system::error_code& error) {
        if (error) {
            return;
        }
        bool any = false;
        for (const auto& task : tasks_) {
            any = any || task->run() != nullptr;
            task->hand_over(false);
        }
        if (any) {
            feed_.commit();
        }
        feed_.look_after();
        (void)guardian_lives();
        warn_when_behind();
        interval();
    });
}

void Bench::warn_when_behind() {
    const bool behind = feed_.behind();
    if (behind && !warned_behind_ && on_trouble_ && !options_.time_scale) {
        on_trouble_(
            "the ledger's queue is half full: its disk does not keep up; when it is full, every channel is opened");
    }
    warned_behind_ = behind;
}

bool Bench::guardian_lives() {
    if (!options_.guardian_alive || options_.guardian_alive()) {
        return true;
    }
    if (!std::exchange(guardian_gone_, true) && on_trouble_) {
        on_trouble_(std::string(guardian_is_gone));
    }
    return false;
}

bool Bench::guarded(std::size_t channel) {
    return !tasks_[channel]->config().serial() || guardian_lives();
}

// A channel that nothing runs on: its instrument was lost, or its output was switched on by somebody else.
void Bench::noticed(std::size_t channel) {
    const ChannelTask& task = *tasks_[channel];
    if (on_trouble_) {
        on_trouble_("channel '" + escaped(task.config().name) +
                    "', on which nothing runs, is opened: " + task.channel().health().trouble);
    }
}

void Bench::tell_not_ready() {
    for (const auto& task : tasks_) {
        const channel::Health health = task->channel().health();
        if (!health.ready && on_trouble_) {
            on_trouble_("channel '" + escaped(task->config().name) + "' is not ready: " + health.trouble);
        }
    }
}

void Bench::lost_record(const std::string& why) {
    for (const auto& task : tasks_) {
        task->feed(RecordLost{});
    }
    if (on_trouble_) {
        on_trouble_("nothing can be recorded any more, every channel is opened: " + why);
    }
}

// They have gone by the machine's clock since, if they are there at all; so does the bench.
void Bench::lost_lockstep(const std::string& why) {
    options_.time_scale = 1.0;
    schedule_->at_machines_pace();
    if (on_trouble_) {
        on_trouble_(
            "the virtual instruments no longer go by this daemon's clock (" + why +
            "): their channels are opened, and time is no longer scaled; start slowfilm-virtual and the daemon anew");
    }
    for (const auto& task : tasks_) {
        if (task->config().serial()) {
            task->lose();
        }
    }
}

void Bench::publish(std::size_t channel, const Event& event) {
    judge_latch(channel, event);
    if (!publish_) {
        return;
    }
    const ChannelTask& task = *tasks_[channel];
    const ActiveRun& run = *task.run();
    boost::json::object object;
    object["kind"] = "event";
    object["utc"] = print_utc(clock_->utc());
    object["run"] = run.number;
    object["channel"] = task.config().name;
    object["cell"] = run.cell;
    object["event"] = engine::name(event.kind);
    object["text"] = engine::describe(event, *run.plan);
    object["state"] = engine::name(run.run.state);
    publish_(std::move(object));
}

void Bench::shut_down(std::string why, std::chrono::milliseconds patience, std::function<void(const Ending&)> done) {
    if (closing_) {
        return;
    }
    closing_ = true;
    for (const auto& task : tasks_) {
        task->close();
    }
    feed_.put(ledger::OperatorAction{clock_->utc(), std::nullopt, "", "shutdown", std::move(why), "the daemon itself"});
    interval_timer_.cancel();
    watch_timer_.cancel();
    // The last fifth is the disk's: an output that hangs must not cost the record.
    const auto until = std::chrono::steady_clock::now() + patience;
    watch_outputs(until - patience / 5,
                  [this, until, done = std::move(done)](const std::vector<std::string>& not_open) {
                      for (const auto& task : tasks_) {
                          task->seal();
                      }
                      // Whichever comes first: the disk's word, or the end of patience.
                      const auto ending = std::make_shared<Ending>(Ending{not_open, false});
                      const auto finished = std::make_shared<bool>(false);
                      const auto finish = [ending, finished, done] {
                          if (!std::exchange(*finished, true)) {
                              done(*ending);
                          }
                      };
                      feed_.commit_then([this, ending, finish](bool on_disk) {
                          ending->recorded = on_disk;
                          watch_timer_.cancel();
                          finish();
                      });
                      watch_timer_.expires_at(until);
                      watch_timer_.async_wait([finish](const boost::system::error_code& error) {
                          if (!error) {
                              finish();
                          }
                      });
                  });
}

}  // namespace slowfilm::bench
