#include "daemon/channel/fitted_channel.hpp"

#include <utility>

namespace slowfilm::channel {
namespace {

class FittedChannel final : public Channel {
  public:
    FittedChannel(std::unique_ptr<Channel> channel, Timing& timing, Fittings fittings)
        : channel_(std::move(channel)), timing_(timing), fittings_(std::move(fittings)) {
        channel_->on_fault([this](FaultKind kind) { tell_fault(kind); });
    }

    [[nodiscard]] const ChannelTraits& traits() const override { return fittings_.traits; }
    [[nodiscard]] bool simulated() const override { return channel_->simulated(); }
    void apply(const Demand& demand, Time now, AppliedHandler handler) override {
        channel_->apply(demand, now, std::move(handler));
    }
    void load_cell(const LoadedCell& cell, Time now) override { channel_->load_cell(cell, now); }
    void set_ambient(Temperature ambient, Time now) override {
        if (fittings_.chamber) {
            fittings_.chamber->set(ambient, true);
        } else {
            channel_->set_ambient(ambient, now);
        }
    }
    void cool(Temperature safe, Time now) override {
        if (fittings_.chamber) {
            fittings_.chamber->set(safe, false);
        } else {
            channel_->cool(safe, now);
        }
    }

    [[nodiscard]] Health health() const override {
        Health health = channel_->health();
        const auto add = [&health](const std::string& trouble) {
            if (health.trouble.empty()) {
                health.trouble = trouble;
            }
        };
        for (const Thermometer* const one : {&fittings_.temperature, &fittings_.ambient}) {
            if (one->unit) {
                add(one->unit->trouble(one->input));
            }
        }
        if (fittings_.chamber) {
            add(fittings_.chamber->trouble());
        }
        return health;
    }

    void sample(Time now, SampleHandler handler) override {
        const Duration shift = now - timing_.steady();
        channel_->sample(now, [this, shift, handler = std::move(handler)](Sample sample) {
            if (fittings_.temperature.unit) {
                sample.temperature =
                    fresh(fittings_.temperature.unit->reading(fittings_.temperature.input), temperature_told_, shift);
            }
            if (fittings_.ambient.unit) {
                sample.ambient = fresh(fittings_.ambient.unit->reading(fittings_.ambient.input), ambient_told_, shift);
            } else if (fittings_.chamber) {
                sample.ambient = fresh(fittings_.chamber->reading(), ambient_told_, shift);
            }
            handler(sample);
        });
    }

  private:
    // A reading counts once: told again, its time would be reckoned anew and could look newer.
    [[nodiscard]] static Reading<Temperature> fresh(const Reading<Temperature>& newest, Time& told, Duration shift) {
        if (newest.quality == Quality::absent || newest.time <= told) {
            return {};
        }
        told = newest.time;
        return {newest.time + shift, newest.value, newest.quality};
    }

    std::unique_ptr<Channel> channel_;
    Timing& timing_;
    Fittings fittings_;
    Time temperature_told_{INT64_MIN}, ambient_told_{INT64_MIN};
};

}  // namespace

std::unique_ptr<Channel> fit_channel(std::unique_ptr<Channel> channel, Timing& timing, Fittings fittings) {
    return std::make_unique<FittedChannel>(std::move(channel), timing, std::move(fittings));
}

}  // namespace slowfilm::channel
