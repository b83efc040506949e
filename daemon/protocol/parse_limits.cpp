#include "daemon/protocol/parse_limits.hpp"

#include "daemon/core/ensure.hpp"

namespace slowfilm::protocol {
namespace {

enum class Side : std::uint8_t { upper, lower };

constexpr std::size_t climb_gates_most = 16;

std::string said(std::string_view key) {
    return "'" + std::string{key} + "' ";
}

const GuardRow& row_of(std::string_view key) {
    for (const GuardRow& row : guard_table()) {
        if (row.key == key) {
            return row;
        }
    }
    ENSURE(!"every key of [limits] has a row in the guard table");
    return guard_table().front();
}

class LimitsReader {
  public:
    enum class Of : std::uint8_t { run, step };

    LimitsReader(Fields fields, const Cell& cell, Of of) : fields_(std::move(fields)), cell_(cell), of_(of) {}

    Limits read() {
        Limits limits;
        limits.voltage_max = limit<Voltage>("voltage_max", Side::upper);
        limits.voltage_fall = limit<Voltage>("voltage_fall", Side::upper);
        limits.discharge_floor = limit<Voltage>("discharge_floor", Side::lower);
        limits.current_max = limit<CurrentOrRate>("current_max", Side::upper);
        limits.current_error = limit<CurrentOrRate>("current_error", Side::upper);
        limits.hold_error = limit<Voltage>("hold_error", Side::upper);
        limits.voltage_jump = limit<Voltage>("voltage_jump", Side::upper);
        limits.lead_drop = limit<Voltage>("lead_drop", Side::upper);
        limits.stuck = limit<ChargeOrRatio>("stuck", Side::upper);
        limits.temperature_max = limit<Temperature>("temperature_max", Side::upper);
        limits.temperature_min = limit<Temperature>("temperature_min", Side::lower);
        limits.charge_temperature = window("charge_temperature");
        limits.discharge_temperature = window("discharge_temperature");
        limits.temperature_rise = limit<TemperatureSlope>("temperature_rise", Side::upper);
        limits.above_ambient = limit<TemperatureDifference>("above_ambient", Side::upper);
        if (of_ == Of::run) {
            read_of_run(limits);
        } else if (fields_.empty()) {
            fields_.error(fields_.place(),
                          "'limits' says nothing; write a limit, such as { temperature_max = \"45 "
                          "degC\" }, or remove it");
        }
        fields_.refuse_others();
        return limits;
    }

  private:
    // What is counted over the whole run, or holds outside steps too.
    void read_of_run(Limits& limits) {
        limits.low_voltage = limit<Voltage>("low_voltage", Side::lower, &limits.armed_above);
        limits.leakage_max = limit<CurrentOrRate>("leakage_max", Side::upper);
        limits.climb = climb();
        leg_caps(limits);
        limits.net_max = refused_off("net_max") ? std::nullopt : fields_.charge_or_ratio("net_max");
        stale(limits);
        limits.run_time_max =
            refused_off("run_time_max") ? std::nullopt : fields_.quantity<Dimension::time>("run_time_max");
    }

    [[nodiscard]] bool must(std::string_view key) const { return fields_.key(key).required != 0; }

    // "off" for a guard that may not be: true, and said.
    bool refused_off(std::string_view key) {
        const GuardRow& row = row_of(key);
        if (of_ == Of::step && fields_.says(key, "off")) {
            fields_.pass_over(key);
            fields_.error(fields_.place_of(key),
                          said(key) +
                              "is never off in one step; write a value at or within that of [limits], or "
                              "remove the line");
            return true;
        }
        if (!fields_.says(key, "off") || row.hardness == Hardness::soft) {
            return false;
        }
        fields_.pass_over(key);
        if (row.hardness == Hardness::hard_where_on && key != "climb") {
            return false;
        }
        std::string right = "remove the line for its default (" + std::string{row.by_default} + "), or write a value";
        if (must(key)) {
            right = "write a value";
        }
        if (key == "climb") {
            fields_.error(fields_.place_of(key),
                          "'climb' takes no \"off\"; it is off where it is not written: remove the line");
            return true;
        }
        fields_.error(fields_.place_of(key), said(key) + "is a hard guard and is never off; " + right);
        return true;
    }

    template <class V>
    std::optional<V> value(Fields& fields, std::string_view name) {
        if constexpr (std::is_same_v<V, CurrentOrRate>) {
            return fields.current_or_rate(name);
        } else if constexpr (std::is_same_v<V, Voltage>) {
            return fields.quantity<Dimension::voltage>(name);
        } else if constexpr (std::is_same_v<V, ChargeOrRatio>) {
            return fields.charge_or_ratio(name);
        } else if constexpr (std::is_same_v<V, Temperature>) {
            return fields.quantity<Dimension::temperature>(name);
        } else if constexpr (std::is_same_v<V, TemperatureDifference>) {
            return fields.quantity<Dimension::temperature_difference>(name);
        } else {
            return fields.quantity<Dimension::temperature_slope>(name);
        }
    }

    template <class V>
    Limit<V> limit(std::string_view key, Side side, std::optional<Voltage>* armed_above = nullptr) {
        Limit<V> result;
        if (refused_off(key)) {
            return result;
        }
        if (fields_.has(key)) {
            result.written = fields_.place_of(key);
        }
        if (fields_.says(key, "off")) {
            fields_.pass_over(key);
            result.off = true;
        } else if (fields_.holds_table(key)) {
            read_table(key, side, result, armed_above);
        } else {
            result.trip = value<V>(fields_, key);
        }
        return result;
    }

    template <class V>
    void read_table(std::string_view key, Side side, Limit<V>& result, std::optional<Voltage>* armed_above) {
        auto table = fields_.table(key);
        if (!table) {
            return;
        }
        result.warn = value<V>(*table, "warn");
        result.trip = value<V>(*table, "trip");
        result.persistence = persistence(key, *table);
        if (armed_above != nullptr) {
            *armed_above = table->quantity<Dimension::voltage>("armed_above");
        }
        const GuardRow& row = row_of(key);
        if (of_ == Of::step && !table->has("trip") && !table->empty()) {
            fields_.error(table->place(), said(key) + "of one step has no trip; write trip as well");
        } else if (!table->has("trip") && (must(key) || table->has("warn")) && row.hardness != Hardness::soft) {
            const std::string why =
                table->has("warn") ? "is a hard guard and may not be a warning alone" : "has no trip";
            fields_.error(table->place(), said(key) + why + "; write trip as well, such as { warn = ..., trip = ... }");
        } else if (table->empty()) {
            fields_.error(table->place(), said(key) + "says nothing; write trip, or warn and trip, or remove the line");
        }
        warn_before_trip(key, side, *table, result);
        table->refuse_others();
    }

    template <class V>
    void warn_before_trip(std::string_view key, Side side, Fields& table, const Limit<V>& limit) {
        if (!limit.warn || !limit.trip) {
            return;
        }
        const auto plain = [&](const V& v) {
            if constexpr (std::is_same_v<V, CurrentOrRate>) {
                return current_of(v, cell_.capacity).count;
            } else if constexpr (std::is_same_v<V, ChargeOrRatio>) {
                return charge_of(v, cell_.capacity).count;
            } else {
                return v.count;
            }
        };
        const bool upper = side == Side::upper;
        if (upper ? plain(*limit.warn) >= plain(*limit.trip) : plain(*limit.warn) <= plain(*limit.trip)) {
            fields_.error(table.place_of("warn"), said(key) + "would trip before it warns; warn must be " +
                                                      (upper ? "below" : "above") + " trip");
        }
    }

    std::optional<Duration> persistence(std::string_view key, Fields& table) {
        const auto span = table.quantity<Dimension::time>("for");
        const GuardRow& row = row_of(key);
        if (span && row.hardness != Hardness::soft && *span > row.persistence_max) {
            fields_.error(table.place_of("for"), said(key) + "is a hard guard: `for` may be at most " +
                                                     print(row.persistence_max) + ", not " + print(*span));
            return std::nullopt;
        }
        return span;
    }

    TemperatureWindow window(std::string_view key) {
        TemperatureWindow result;
        if (refused_off(key)) {
            return result;
        }
        if (auto table = fields_.table(key)) {
            result.written = fields_.place_of(key);
            result.min = table->quantity<Dimension::temperature>("min");
            result.max = table->quantity<Dimension::temperature>("max");
            result.persistence = persistence(key, *table);
            if (upside_down(result.min, result.max)) {
                fields_.error(table->place_of("max"),
                              said(key) + "has its max at or below its min; max must be above it");
            }
            if (table->empty() && table->key("min").required == 0) {
                fields_.error(table->place(), said(key) + "says nothing; write min or max, or remove the line");
            }
            table->refuse_others();
        }
        return result;
    }

    std::vector<Climb> climb() {
        std::vector<Climb> gates;
        if (refused_off("climb")) {
            return gates;
        }
        std::vector<Fields> list = fields_.list("climb");
        if (list.size() > climb_gates_most) {
            fields_.error(list[climb_gates_most].place(), "'climb' has " + std::to_string(list.size()) +
                                                              " gates; at most " + std::to_string(climb_gates_most) +
                                                              " are possible");
            list.erase(list.begin() + climb_gates_most, list.end());
        }
        for (Fields& gate : list) {
            const auto by = gate.charge_or_ratio("by");
            const auto above = gate.quantity<Dimension::voltage>("above");
            if (by && above) {
                gates.push_back({*by, *above});
            }
            gate.refuse_others();
        }
        return gates;
    }

    void leg_caps(Limits& limits) {
        if (refused_off("charge_leg_max")) {
            return;
        }
        if (auto table = fields_.table("charge_leg_max")) {
            limits.charge_leg_first = table->charge_or_ratio("first");
            limits.charge_leg_later = table->charge_or_ratio("later");
            if (table->empty()) {
                fields_.error(table->place(), "'charge_leg_max' says nothing; write first, later or both");
            }
            table->refuse_others();
        }
    }

    void stale(Limits& limits) {
        if (refused_off("stale_after")) {
            return;
        }
        if (!fields_.holds_table("stale_after")) {
            const auto all = fields_.quantity<Dimension::time>("stale_after");
            limits.stale_voltage = limits.stale_current = limits.stale_temperature = all;
            return;
        }
        if (auto table = fields_.table("stale_after")) {
            limits.stale_voltage = table->quantity<Dimension::time>("voltage");
            limits.stale_current = table->quantity<Dimension::time>("current");
            limits.stale_temperature = table->quantity<Dimension::time>("temperature");
            if (table->empty()) {
                fields_.error(table->place(), "'stale_after' says nothing; write a time, or one for each quantity");
            }
            table->refuse_others();
        }
    }

    Fields fields_;
    const Cell& cell_;
    Of of_;
};

}  // namespace

Limits parse_limits(Fields fields, const Cell& cell) {
    return LimitsReader{std::move(fields), cell, LimitsReader::Of::run}.read();
}

Limits parse_step_limits(Fields fields, const Cell& cell) {
    return LimitsReader{std::move(fields), cell, LimitsReader::Of::step}.read();
}

}  // namespace slowfilm::protocol
