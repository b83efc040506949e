// A protocol made runnable: what stands in text becomes whole numbers, what the channel cannot do is refused.
#include "daemon/engine/plan.hpp"

#include "daemon/engine/connection.hpp"
#include "daemon/engine/plan_guards.hpp"
#include "daemon/engine/plan_steps.hpp"
#include "daemon/protocol/bounds.hpp"
#include "daemon/protocol/check.hpp"

#include <algorithm>
#include <limits>

namespace slowfilm::engine {

namespace {

using namespace literals;
using protocol::Protocol;
using protocol::Step;

class Planner {
  public:
    Planner(const Protocol& protocol, Charge capacity, const ChannelTraits& traits, const BenchCaps& caps)
        : protocol_{protocol} {
        plan_.capacity = capacity;
        plan_.traits = traits;
        plan_.caps = caps;
        plan_.window_min = protocol.cell.window_min;
        plan_.window_max = protocol.cell.window_max;
        plan_.state = protocol.cell.state;
    }

    tl::expected<Plan, Refusals> make() {
        check_channel();
        plan_.end_margin = end_margin(plan_.traits);
        if (plan_guards(protocol_, plan_, refusals_)) {
            set_start();
            set_interruption();
            plan_steps(protocol_, plan_, refusals_);
        }
        if (!refusals_.empty()) {
            return tl::unexpected<Refusals>{std::move(refusals_)};
        }
        return std::move(plan_);
    }

  private:
    void refuse(std::string why) { refusals_.push_back({Failure::bad_data, std::move(why)}); }
    GuardSetting& guard(GuardId id) { return plan_.guards[static_cast<std::size_t>(id)]; }
    Current current(const CurrentOrRate& value) const { return current_of(value, plan_.capacity); }
    Charge charge(const ChargeOrRatio& value) const { return charge_of(value, plan_.capacity); }

    void check_channel();
    void set_start();
    void set_interruption();

    const Protocol& protocol_;
    Plan plan_;
    Refusals refusals_;
};

void Planner::check_channel() {
    const ChannelTraits& traits = plan_.traits;
    if (traits.period.count <= 0) {
        refusals_.push_back({Failure::bad_config, "the channel's period must be longer than 0 s"});
    }
    if (moves_out(protocol_.steps) && traits.sink_max.count <= 0) {
        refuse("the protocol discharges, but this channel cannot sink current; use a channel that can");
    }
    if (traits.temperature_of == TemperatureOf::none) {
        refuse("the protocol has temperature limits, but this channel has no thermometer; give it one");
    }
    if (traits.off_state == OffState::sinks && !traits.has_contactor) {
        refuse(
            "this channel sinks current when off and has no contactor, so it cannot rest or open the circuit; "
            "put a contactor in, or use another channel");
    }
    const Voltage ceiling = protocol_.cell.window_max + end_margin(plan_.traits);
    if (traits.voltage_max < ceiling) {
        refuse("the channel reaches " + print(traits.voltage_max) + ", but the window needs " + print(ceiling));
    }
}

void Planner::set_start() {
    plan_.start_voltage = start_window(plan_.state, plan_.window_min, plan_.window_max);
    if (protocol_.start.voltage.min) {
        plan_.start_voltage.min = protocol_.start.voltage.min;
    }
    if (protocol_.start.voltage.max) {
        plan_.start_voltage.max = protocol_.start.voltage.max;
    }
    const auto hottest = Temperature{guard(GuardId::over_temperature).trip};
    const auto coldest = Temperature{guard(GuardId::under_temperature).low};
    plan_.start_resistance = protocol_.start.resistance;
    plan_.start_temperature = {protocol_.start.temperature.min.value_or(coldest),
                               protocol_.start.temperature.max.value_or(hottest)};
}

void Planner::set_interruption() {
    plan_.interruption = protocol_.interruption;
    plan_.interruption_charge_max = plan_.interruption.charge_uncertain_max
                                        ? charge(*plan_.interruption.charge_uncertain_max)
                                        : Charge{std::numeric_limits<std::int64_t>::max()};
}

}  // namespace

tl::expected<Plan, Refusals> try_plan(const Protocol& protocol, Charge capacity, const ChannelTraits& traits,
                                      const BenchCaps& caps) {
    if (capacity.count <= 0) {
        return tl::unexpected<Refusals>{{{Failure::bad_data, "the cell's capacity must be above 0 Ah"}}};
    }
    return Planner{protocol, capacity, traits, caps}.make();
}

Result<Plan> make_plan(const Protocol& protocol, Charge capacity, const ChannelTraits& traits, const BenchCaps& caps) {
    auto plan = try_plan(protocol, capacity, traits, caps);
    if (plan) {
        return *std::move(plan);
    }
    Error first = plan.error().front();
    if (const std::size_t more = plan.error().size() - 1; more > 0) {
        first.message += "; and " + std::to_string(more) + " more that `slowfilm check --bench` tells";
    }
    return tl::unexpected<Error>{std::move(first)};
}

namespace {

// Once a second, and ten times within the shortest level of a pulse: the two-level method of IEC 61960-3 has one of 1
// s.
Duration period_of_no_name(const Protocol& protocol) {
    Duration period = 1_s;
    protocol::each_step(protocol.steps, [&](const Step& step, std::uint64_t) {
        for (const protocol::PulseLevel& level : step.levels) {
            period = std::min(period, Duration{level.span.count / 10});
        }
    });
    return std::max(period, 10_ms);
}

}  // namespace

ChannelTraits bench_of_no_name(const Protocol& protocol) {
    const Duration period = period_of_no_name(protocol);
    const Charge capacity = protocol.cell.capacity;
    const Current ten_c = current_of(Rate{10, 1}, capacity);
    return {.period = period,
            .settle = Duration{period.count / 2},
            .voltage_min = Voltage{-1'000'000'000},
            .voltage_max = protocol.cell.window_max + 1000_mV,
            .source_max = ten_c,
            .sink_max = ten_c,
            .voltage_accuracy = 1_mV,
            .voltage_resolution = 10_uV,
            .current_accuracy = Current{ten_c.count / 20'000},
            .current_resolution = Current{ten_c.count / 1'000'000},
            .reports_ceiling = true,
            .has_contactor = true,
            .off_state = OffState::relay_open,
            .temperature_of = TemperatureOf::cell,
            .has_ambient = true,
            .has_chamber = true};
}

BenchCaps caps_of_no_name() {
    return {.voltage_max = 100'000_mV, .current_max = 1'000'000_mA, .temperature_max = 200_degC};
}

}  // namespace slowfilm::engine
