// A step's own limits: narrower than [limits], never wider, and with room for what the step itself does.
#include "daemon/protocol/bounds_arithmetic.hpp"
#include "daemon/protocol/check_judge.hpp"

namespace slowfilm::protocol {
namespace {

enum class Side : std::uint8_t { upper, lower };

class Narrow {
  public:
    Narrow(Judge& judge, const Step& step) : j_(judge), step_(step), own_(*step.limits) {}

    void check() {
        const Limits& run = j_.limits;
        one("voltage_max", own_.voltage_max, run.voltage_max, Side::upper);
        one("voltage_fall", own_.voltage_fall, run.voltage_fall, Side::upper);
        one("discharge_floor", own_.discharge_floor, run.discharge_floor, Side::lower);
        one("current_max", own_.current_max, run.current_max, Side::upper);
        one("current_error", own_.current_error, run.current_error, Side::upper);
        one("hold_error", own_.hold_error, run.hold_error, Side::upper);
        one("voltage_jump", own_.voltage_jump, run.voltage_jump, Side::upper);
        one("lead_drop", own_.lead_drop, run.lead_drop, Side::upper);
        one("stuck", own_.stuck, run.stuck, Side::upper);
        one("temperature_max", own_.temperature_max, run.temperature_max, Side::upper);
        one("temperature_min", own_.temperature_min, run.temperature_min, Side::lower);
        window("charge_temperature", own_.charge_temperature, run.charge_temperature);
        window("discharge_temperature", own_.discharge_temperature, run.discharge_temperature);
        one("temperature_rise", own_.temperature_rise, run.temperature_rise, Side::upper);
        one("above_ambient", own_.above_ambient, run.above_ambient, Side::upper);
        room();
    }

  private:
    template <class V>
    [[nodiscard]] std::int64_t plain(const V& value) const {
        if constexpr (std::is_same_v<V, CurrentOrRate>) {
            return j_.current(value).count;
        } else if constexpr (std::is_same_v<V, ChargeOrRatio>) {
            return j_.charge(value).count;
        } else {
            return value.count;
        }
    }

    // Where [limits] says it, for a person who wants to compare.
    static std::string where(const std::optional<Place>& written) {
        return written ? " of [limits] (line " + std::to_string(written->line) + ")" : " of [limits], its default";
    }

    template <class V>
    void bound(const std::string& path, const std::string& key, const std::optional<V>& own,
               const std::optional<V>& run, Side side, const std::optional<Place>& written) {
        if (!own || !run) {
            return;
        }
        const bool upper = side == Side::upper;
        if (upper ? plain(*own) > plain(*run) : plain(*own) < plain(*run)) {
            j_.error(path, label(step_) + " widens " + key + " to " + quoted(*own) + " from the " + quoted(*run) +
                               where(written) + "; a step's limits are narrower, never wider: at " +
                               (upper ? "most " : "least ") + quoted(*run) + " would be right");
        }
    }

    [[nodiscard]] std::string path(const std::string& key, std::string_view inner = {}) const {
        const std::string whole = path_of(step_, "limits." + key);
        const std::string part = inner.empty() ? whole : whole + "." + std::string(inner);
        return j_.written(part) ? part : whole;
    }

    void persistence(const std::string& key, const std::optional<Duration>& own, const std::optional<Duration>& run,
                     const std::optional<Place>& written) {
        bound(path(key, "for"), key + ".for", own, run, Side::upper, written);
    }

    template <class V>
    void one(const std::string& key, const Limit<V>& own, const Limit<V>& run, Side side) {
        bound(path(key, "trip"), key, own.trip, run.trip, side, run.written);
        bound(path(key, "warn"), key + ".warn", own.warn, run.warn, side, run.written);
        persistence(key, own.persistence, run.off ? std::nullopt : run.persistence, run.written);
    }

    void window(const std::string& key, const TemperatureWindow& own, const TemperatureWindow& run) {
        bound(path(key, "min"), key + ".min", own.min, run.min, Side::lower, run.written);
        bound(path(key, "max"), key + ".max", own.max, run.max, Side::upper, run.written);
        persistence(key, own.persistence, run.persistence, run.written);
        const auto min = own.min ? own.min : run.min;
        const auto max = own.max ? own.max : run.max;
        if (min && max && *min >= *max && !(own.min && own.max)) {
            j_.error(path(key), label(step_) + " leaves nothing of " + key + ": " + quoted(*min) + " is not below " +
                                    quoted(*max) + where(run.written) + "; write both ends, the lower first");
        }
    }

    // The stage's own ceiling or floor must fit between what the step does and its limit, as with [limits].
    void room() {
        const Voltage margin = sum(end_margin_unknown, ceiling_under_limit);
        const std::optional<Voltage> goal = step_.kind == StepKind::hold ? step_.voltage : step_.ends.voltage;
        if (own_.voltage_max.trip && goal && may_charge(step_) && *own_.voltage_max.trip < sum(*goal, margin)) {
            j_.error(path("voltage_max", "trip"), label(step_) + " goes up to " + quoted(*goal) +
                                                      ", and its own voltage_max " + quoted(*own_.voltage_max.trip) +
                                                      " leaves no room for the stage's ceiling; at least " +
                                                      quoted(sum(*goal, margin)) + " would be right");
        }
        if (own_.discharge_floor.trip && goal && step_.kind == StepKind::discharge &&
            *own_.discharge_floor.trip > difference(*goal, margin)) {
            j_.error(path("discharge_floor", "trip"),
                     label(step_) + " goes down to " + quoted(*goal) + ", and its own discharge_floor " +
                         quoted(*own_.discharge_floor.trip) + " leaves no room for the stage's floor; at most " +
                         quoted(difference(*goal, margin)) + " would be right");
        }
    }

    Judge& j_;
    const Step& step_;
    const Limits& own_;
};

}  // namespace

void check_narrow(Judge& judge) {
    each_step(judge.protocol.steps, [&](const Step& step, std::uint64_t) {
        if (step.limits) {
            Narrow(judge, step).check();
        }
    });
}

}  // namespace slowfilm::protocol
