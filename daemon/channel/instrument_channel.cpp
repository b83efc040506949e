#include "daemon/channel/instrument_channel.hpp"

#include "daemon/channel/output.hpp"
#include "daemon/channel/targets.hpp"
#include "daemon/core/text.hpp"

#include <algorithm>
#include <optional>
#include <utility>

namespace slowfilm::channel {
namespace {

using namespace literals;

// A current that has not come to rest by then does not come to rest.
constexpr Duration rest_within = 2_s;
constexpr Duration rest_again = 50_ms;

class InstrumentChannel final : public Channel {
  public:
    InstrumentChannel(Timing& timing, InstrumentChannelOptions options, std::shared_ptr<Instrument> source,
                      std::shared_ptr<Instrument> load)
        : timing_(timing),
          options_(std::move(options)),
          pause_(timing),
          source_(std::move(source), options_.profile->source, place(options_.output, false),
                  [this](FaultKind kind) { fault(kind); }) {
        if (load) {
            load_.emplace(std::move(load), *options_.profile->load, place(options_.load_output, true),
                          [this](FaultKind kind) { fault(kind); });
        }
        verified_ = timing_.steady();
    }

    [[nodiscard]] const ChannelTraits& traits() const override { return options_.traits; }
    [[nodiscard]] bool simulated() const override { return is_virtual(source_) && (!load_ || is_virtual(*load_)); }
    [[nodiscard]] Health health() const override;
    void sample(Time now, SampleHandler handler) override;
    void apply(const Demand& demand, Time now, AppliedHandler handler) override;
    // What is around an instrument and what lies in its fixture is set by people.
    void set_ambient(Temperature, Time) override {}
    void load_cell(const LoadedCell&, Time) override {}

  private:
    [[nodiscard]] OutputPlace place(const std::string& number, bool load) const {
        return {.number = number,
                .load = load,
                .four_wire = options_.four_wire,
                .protection = options_.protection,
                .current_protection = options_.current_protection};
    }
    [[nodiscard]] static bool is_virtual(const Output& output) {
        return output.link().is_virtual() && output.link().identity().starts_with(virtual_maker);
    }

    void open_all();
    void converge();
    void rest(Output& own, Output& other, const Target& target);
    void measure_rest(Output& own, Output& other, const Target& target, Time since);
    void drive(Output& own, const Target& target);
    void finish(const Outcome& outcome);
    void fault(FaultKind kind);
    void combine(const OutputReading& source, const std::optional<OutputReading>& load, const SampleHandler& handler);
    [[nodiscard]] StageMode mode_of(const OutputReading& source, const std::optional<OutputReading>& load) const;
    void verify_now_and_then();

    Timing& timing_;
    InstrumentChannelOptions options_;
    Alarm pause_;
    Output source_;
    std::optional<Output> load_;
    Demand wanted_{Open{}};
    std::uint64_t generation_{0};  // of what is wanted: steps towards an older demand end
    bool opening_{false};
    bool driving_{false};  // towards a demand other than Open
    bool again_{false};    // a newer demand waits for the one under way
    std::vector<AppliedHandler> waiting_;
    std::string trouble_;
    Time verified_;
};

Health InstrumentChannel::health() const {
    Health health;
    health.ready = source_.ready() && (!load_ || load_->ready());
    health.trouble = !source_.trouble().empty() ? source_.trouble() : load_ ? load_->trouble() : "";
    // An order to open that failed is no trouble any more once the outputs are seen off.
    const bool seen_open = is_open(wanted_) && source_.is_off() && (!load_ || load_->is_off());
    if (health.trouble.empty() && !seen_open) {
        health.trouble = trouble_;
    }
    health.identity = escaped(source_.link().identity());
    health.settings = source_.settings();
    if (load_) {
        const std::string other = escaped(load_->link().identity());
        health.identity += other == health.identity ? "" : "; " + other;
        health.settings += "; load: " + load_->settings();
    }
    return health;
}

void InstrumentChannel::apply(const Demand& demand, Time, AppliedHandler handler) {
    wanted_ = demand;
    waiting_.push_back(std::move(handler));
    if (is_open(demand)) {
        ++generation_;
        driving_ = again_ = false;
        opening_ = true;
        pause_.cancel();
        open_all();
    } else if (driving_ || opening_) {
        again_ = true;  // on from there, in whole steps: a ramp may be faster than the link
    } else {
        ++generation_;
        converge();
    }
}

// Each at once and for itself: one that does not answer holds up nobody.
void InstrumentChannel::open_all() {
    struct Count {
        int left;
        Outcome first;
    };
    auto count = std::make_shared<Count>(Count{load_ ? 2 : 1, {}});
    const auto done = [this, count, generation = generation_](const Outcome& outcome) {
        if (outcome && !count->first) {
            count->first = outcome;
        }
        if (--count->left > 0 || generation != generation_) {
            return;
        }
        opening_ = false;
        if (!count->first && again_) {
            converge();
        } else {
            finish(count->first);
        }
    };
    source_.switch_off(done);
    if (load_) {
        load_->switch_off(done);
    }
}

void InstrumentChannel::converge() {
    again_ = false;
    const Result<Targets, std::string> targets = targets_of(*options_.profile, wanted_);
    if (!targets) {
        finish(Trouble{FaultKind::refused, targets.error()});
        return;
    }
    driving_ = true;
    Output& own = targets->source ? source_ : *load_;
    const Target& target = targets->source ? *targets->source : *targets->load;
    if (!load_ || own.is_on()) {
        drive(own, target);
        return;
    }
    rest(own, targets->source ? *load_ : source_, target);
}

// Both off, and for a while: what is not known to be off is not off.
void InstrumentChannel::rest(Output& own, Output& other, const Target& target) {
    for (Output* const one : {&other, &own}) {
        if (!one->is_off()) {
            one->switch_off([this, &own, &other, target, generation = generation_](const Outcome& outcome) {
                if (generation != generation_) {
                    return;
                }
                if (outcome) {
                    finish(outcome);
                } else {
                    rest(own, other, target);
                }
            });
            return;
        }
    }
    const Time since = std::max(own.off_since(), other.off_since());
    pause_.set(std::max(timing_.steady(), since + change_over),
               [this, &own, &other, target] { measure_rest(own, other, target, timing_.steady()); });
}

void InstrumentChannel::measure_rest(Output& own, Output& other, const Target& target, Time since) {
    struct Both {
        int left{2};
        bool at_rest{true};
    };
    auto both = std::make_shared<Both>();
    const Current none = options_.traits.current_accuracy * 2 + options_.traits.current_resolution;
    const auto measured = [this, &own, &other, target, since, both, none,
                           generation = generation_](const Reading<Current>& current) {
        both->at_rest = both->at_rest && current.good() && magnitude(current.value) <= none;
        if (--both->left > 0 || generation != generation_) {
            return;
        }
        if (both->at_rest) {
            drive(own, target);
        } else if (timing_.steady() - since > rest_within) {
            finish(Trouble{FaultKind::refused,
                           "supply and load are off, and a current still flows through one of them, or "
                           "its ammeter does not answer; the other is not switched on"});
        } else {
            pause_.set(timing_.steady() + rest_again,
                       [this, &own, &other, target, since] { measure_rest(own, other, target, since); });
        }
    };
    own.read_current(measured);
    other.read_current(measured);
}

void InstrumentChannel::drive(Output& own, const Target& target) {
    own.drive(target, [this, generation = generation_](const Outcome& outcome) {
        if (generation != generation_) {
            return;
        }
        if (!outcome && again_) {
            converge();
        } else {
            finish(outcome);
        }
    });
}

void InstrumentChannel::finish(const Outcome& outcome) {
    driving_ = again_ = false;
    trouble_ = outcome ? outcome->text : "";
    const std::vector<AppliedHandler> waiting = std::exchange(waiting_, {});
    const Demand taken = wanted_;
    for (const AppliedHandler& handler : waiting) {
        if (outcome) {
            handler(tl::unexpected<FaultKind>{outcome->kind});
        } else {
            handler(taken);
        }
    }
}

// Whoever waits for a demand hears it as the answer to that.
void InstrumentChannel::fault(FaultKind kind) {
    if (driving_) {
        ++generation_;
        pause_.cancel();
        // What was under way must not switch on after it has been said that it failed.
        source_.switch_off([](const Outcome&) {});
        if (load_) {
            load_->switch_off([](const Outcome&) {});
        }
        finish(Trouble{kind, source_.trouble().empty() && load_ ? load_->trouble() : source_.trouble()});
        return;
    }
    tell_fault(kind);
}

void InstrumentChannel::sample(Time now, SampleHandler handler) {
    if (!load_) {
        source_.read(now, [this, handler = std::move(handler)](const OutputReading& reading) {
            combine(reading, std::nullopt, handler);
        });
        return;
    }
    struct Both {
        int left{2};
        OutputReading source, load;
    };
    auto both = std::make_shared<Both>();
    const auto done = [this, both, handler = std::move(handler)] {
        if (--both->left == 0) {
            combine(both->source, both->load, handler);
        }
    };
    source_.read(now, [both, done](const OutputReading& reading) {
        both->source = reading;
        done();
    });
    load_->read(now, [both, done](const OutputReading& reading) {
        both->load = reading;
        done();
    });
}

void InstrumentChannel::combine(const OutputReading& source, const std::optional<OutputReading>& load,
                                const SampleHandler& handler) {
    const OutputReading& sensing = load && options_.profile->voltage_from_load ? *load : source;
    Sample sample;
    sample.voltage = sensing.voltage;
    sample.terminals = sensing.terminals;
    sample.current = source.current;
    sample.temperature = source.temperature;
    sample.raw_hash = source.raw_hash;
    if (load) {
        // What flows is the sum of both; where one is not known, neither is the sum.
        sample.raw_hash = (source.raw_hash ^ load->raw_hash) * 16'777'619U;
        sample.current.time = std::min(source.current.time, load->current.time);
        sample.current.value = source.current.value + load->current.value;
        sample.current.quality = std::min(source.current.quality, load->current.quality);
        if (!sample.current.good()) {
            sample.current.value = {};
        }
        if (sample.current.quality == Quality::absent) {
            sample.current = {};
        }
    }
    sample.mode = mode_of(source, load);
    verify_now_and_then();
    handler(sample);
}

StageMode InstrumentChannel::mode_of(const OutputReading& source, const std::optional<OutputReading>& load) const {
    if (source.mode == OutputMode::off && (!load || load->mode == OutputMode::off)) {
        return StageMode::open;
    }
    const OutputMode mode = load && source.mode == OutputMode::off ? load->mode : source.mode;
    switch (mode) {
        case OutputMode::unknown:
        case OutputMode::off: return StageMode::unknown;
        case OutputMode::constant_current: return StageMode::constant_current;
        case OutputMode::constant_voltage: break;
    }
    if (const auto* drive = std::get_if<DriveCurrent>(&wanted_)) {
        return drive->current.count >= 0 ? StageMode::at_ceiling : StageMode::at_floor;
    }
    return StageMode::constant_voltage;
}

void InstrumentChannel::verify_now_and_then() {
    if (timing_.steady() - verified_ < verify_every) {
        return;
    }
    verified_ = timing_.steady();
    source_.verify();
    if (load_) {
        load_->verify();
    }
}

}  // namespace

Result<std::unique_ptr<Channel>> make_instrument_channel(Instruments& instruments, InstrumentChannelOptions options) {
    const std::shared_ptr<const Profile> profile = options.profile;
    if (Result<void> can = can_make(options); !can) {
        return tl::unexpected(std::move(can.error()));
    }
    std::vector<std::shared_ptr<Instrument>> found;
    for (std::size_t i = 0; i < profile->instruments.size(); ++i) {
        Result<std::shared_ptr<Instrument>> one = instruments.at(
            options.ports[i], profile->instruments[i], options.serials.empty() ? std::string{} : options.serials[i]);
        if (!one) {
            return tl::unexpected(std::move(one.error()));
        }
        found.push_back(std::move(*one));
    }
    for (const OffLine& off : off_lines(*profile, options.output, options.load_output)) {
        if (Result<void> guarded = found[off.instrument]->guard(off.line); !guarded) {
            return tl::unexpected(std::move(guarded.error()));
        }
    }
    std::shared_ptr<Instrument> source = found[profile->source_at];
    std::shared_ptr<Instrument> load = profile->load ? found[profile->load_at] : nullptr;
    return std::make_unique<InstrumentChannel>(instruments.timing(), std::move(options), std::move(source),
                                               std::move(load));
}

}  // namespace slowfilm::channel
