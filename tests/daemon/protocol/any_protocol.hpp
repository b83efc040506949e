// Any protocol that the grammar can say, sensible or not.
#pragma once

#include "daemon/protocol/grammar.hpp"
#include "daemon/protocol/protocol.hpp"

#include <string>
#include <tuple>
#include <vector>

#include <rapidcheck.h>

namespace slowfilm::protocol::generated {

using namespace literals;

template <Dimension D>
inline rc::Gen<Quantity<D>> quantities(std::int64_t least, std::int64_t most) {
    return rc::gen::map(rc::gen::inRange(least, most), [](std::int64_t count) { return Quantity<D>{count}; });
}
inline const rc::Gen<Voltage> voltages = quantities<Dimension::voltage>(1, 100'000'000'000);
inline const rc::Gen<Current> currents = quantities<Dimension::current>(1, 1'000'000'000'000);
inline const rc::Gen<Charge> charges = quantities<Dimension::charge>(1, 3'600'000'000'000'000'000);
inline const rc::Gen<Duration> durations = quantities<Dimension::time>(1, 315'000'000'000'000);
inline const rc::Gen<Ratio> ratios = quantities<Dimension::ratio>(1, 5'000'000);
inline const rc::Gen<Temperature> temperatures = quantities<Dimension::temperature>(173'150, 473'150);
inline const rc::Gen<Rate> rates =
    rc::gen::map(rc::gen::pair(rc::gen::inRange<std::int64_t>(1, 400), rc::gen::inRange<std::int64_t>(1, 400)),
                 [](const auto& pair) {
                     // Rates that text can say: C/n, or a decimal multiple.
                     const bool part = pair.first % 2 == 0;
                     const Rate rate = part ? Rate{1, pair.second} : Rate{pair.first, 100};
                     return parse_rate(print(rate)).value();
                 });

template <class A, class B>
inline rc::Gen<std::variant<A, B>> either(const rc::Gen<A>& a, const rc::Gen<B>& b) {
    return rc::gen::oneOf(rc::gen::cast<std::variant<A, B>>(a), rc::gen::cast<std::variant<A, B>>(b));
}
inline const rc::Gen<CurrentOrRate> currents_or_rates = either(currents, rates);
inline const rc::Gen<ChargeOrRatio> charges_or_ratios = either(charges, ratios);

inline const rc::Gen<VoltageSlope> voltage_slopes = quantities<Dimension::voltage_slope>(1, 2'400'000'000'000);
inline const rc::Gen<Resistance> resistances = quantities<Dimension::resistance>(1, 1'000'000'000'000);
inline const rc::Gen<TemperatureDifference> differences = quantities<Dimension::temperature_difference>(1, 300'000);
// Any whole ampere value with a sign, or a rate with one.
inline const rc::Gen<CurrentOrRate> signed_currents =
    rc::gen::map(rc::gen::pair(rc::gen::arbitrary<bool>(), currents_or_rates), [](const auto& pair) {
        if (!pair.first) {
            return pair.second;
        }
        const auto* rate = std::get_if<Rate>(&pair.second);
        return rate != nullptr ? CurrentOrRate{Rate{-rate->numerator, rate->denominator}}
                               : CurrentOrRate{-std::get<Current>(pair.second)};
    });

template <class T>
inline std::optional<T> perhaps(const rc::Gen<T>& gen) {
    return *rc::gen::arbitrary<bool>() ? std::optional<T>{*gen} : std::nullopt;
}
template <class T>
inline T one_of(std::initializer_list<T> values) {
    return *rc::gen::elementOf(std::vector<T>(values));
}
inline bool coin() {
    return *rc::gen::arbitrary<bool>();
}

inline StepCurrent step_current() {
    const CurrentOrRate value = *currents_or_rates;
    return {value, std::holds_alternative<Rate>(value) && coin()};
}
inline StepCharge step_charge() {
    const ChargeOrRatio value = *charges_or_ratios;
    return {value, std::holds_alternative<Ratio>(value) && coin()};
}
inline std::optional<StepCharge> perhaps_step_charge() {
    return coin() ? std::optional{step_charge()} : std::nullopt;
}

inline std::string words(std::size_t most) {
    const auto letters =
        *rc::gen::resize(static_cast<int>(most),
                         rc::gen::container<std::vector<std::string>>(rc::gen::element<std::string>(
                             "a", "B", "7", " ", "\"", "\\", "#", "'", "[", "=", "\xC3\xA4", "\xE2\x82\xAC", ".")));
    std::string text;
    for (const std::string& letter : letters) {
        if (text.size() + letter.size() <= most) {
            text += letter;
        }
    }
    return text;
}

// Two different values, the lower first. Built so that any shrinking keeps them apart.
template <class Q>
inline std::pair<Q, Q> ordered(std::int64_t least, std::int64_t most) {
    const std::int64_t middle = least + (most - least) / 2;
    const std::int64_t low = *rc::gen::inRange(least, middle);
    const std::int64_t above = *rc::gen::inRange<std::int64_t>(0, most - middle);
    return {Q{low}, Q{low + 1 + above}};
}
inline std::pair<Voltage, Voltage> two_voltages() {
    return ordered<Voltage>(1, 100'000'000'000);
}
inline std::pair<Temperature, Temperature> two_temperatures() {
    return ordered<Temperature>(173'150, 473'150);
}

template <class Q>
inline Range<Q> range(std::pair<Q, Q> ends) {
    switch (*rc::gen::inRange(0, 4)) {
        case 0: return {};
        case 1: return {ends.first, std::nullopt};
        case 2: return {std::nullopt, ends.second};
        default: return {ends.first, ends.second};
    }
}

inline constexpr Place somewhere{1, 1};

// A hard limit trips; `cap` bounds its persistence.
template <class V>
inline Limit<V> hard_limit(const rc::Gen<V>& gen, Duration cap) {
    Limit<V> limit;
    limit.written = somewhere;
    limit.trip = *gen;
    if (coin()) {
        limit.persistence = Duration{*rc::gen::inRange<std::int64_t>(1, cap.count + 1)};
    }
    return limit;
}
template <class V>
inline Limit<V> warned(Limit<V> limit, V warn, V trip) {
    limit.warn = warn;
    limit.trip = trip;
    return limit;
}
template <class V>
inline Limit<V> soft_limit(const rc::Gen<V>& gen) {
    switch (*rc::gen::inRange(0, 4)) {
        case 0: return {};
        case 1: return {.off = true, .written = somewhere};
        case 2: return {.warn = *gen, .persistence = perhaps(durations), .written = somewhere};
        default: return {.trip = *gen, .persistence = perhaps(durations), .written = somewhere};
    }
}
template <class V>
inline Limit<V> perhaps_hard(const rc::Gen<V>& gen, Duration cap) {
    return coin() ? hard_limit(gen, cap) : Limit<V>{};
}

inline TemperatureWindow temperature_window() {
    const auto [low, high] = two_temperatures();
    TemperatureWindow window{low, high, std::nullopt, somewhere};
    if (coin()) {
        window.persistence = Duration{*rc::gen::inRange<std::int64_t>(1, (10_s).count + 1)};
    }
    return window;
}

inline Limits limits() {
    Limits l;
    l.voltage_max = hard_limit(voltages, 2_s);
    if (coin()) {
        const auto [low, high] = two_voltages();
        l.voltage_max = warned(l.voltage_max, low, high);
    }
    l.low_voltage = perhaps_hard(voltages, 2_s);
    if (coin()) {
        l.low_voltage.written = somewhere;
        l.armed_above = *voltages;
    }
    l.discharge_floor = perhaps_hard(voltages, 2_s);
    l.voltage_fall = perhaps_hard(voltages, 60_s);
    l.current_max = hard_limit(currents_or_rates, 2_s);
    l.current_error = soft_limit(currents_or_rates);
    l.leakage_max = perhaps_hard(currents_or_rates, 2_s);
    l.hold_error = soft_limit(voltages);
    l.voltage_jump = soft_limit(voltages);
    l.lead_drop = soft_limit(voltages);
    l.stuck = soft_limit(charges_or_ratios);
    l.temperature_max = hard_limit(temperatures, 10_s);
    l.temperature_min = soft_limit(temperatures);
    l.charge_temperature = temperature_window();
    if (coin()) {
        l.discharge_temperature = temperature_window();
    }
    l.temperature_rise = perhaps_hard(quantities<Dimension::temperature_slope>(1, 3'600'000'000), 60_s);
    l.above_ambient = soft_limit(differences);
    for (int gates = *rc::gen::inRange(0, 4); gates > 0; --gates) {
        l.climb.push_back({*charges_or_ratios, *voltages});
    }
    l.charge_leg_first = perhaps(charges_or_ratios);
    l.charge_leg_later = perhaps(charges_or_ratios);
    l.net_max = perhaps(charges_or_ratios);
    l.stale_voltage = perhaps(durations);
    l.stale_current = perhaps(durations);
    l.stale_temperature = perhaps(durations);
    l.run_time_max = perhaps(durations);
    return l;
}

// Of one step: never off, never a warning alone.
inline Limits step_limits() {
    Limits l;
    l.voltage_max = hard_limit(voltages, 2_s);
    l.discharge_floor = perhaps_hard(voltages, 2_s);
    l.voltage_fall = perhaps_hard(voltages, 60_s);
    l.current_max = perhaps_hard(currents_or_rates, 2_s);
    l.current_error = perhaps_hard(currents_or_rates, 10_s);
    l.hold_error = perhaps_hard(voltages, 10_s);
    l.voltage_jump = perhaps_hard(voltages, 10_s);
    l.lead_drop = perhaps_hard(voltages, 10_s);
    l.stuck = perhaps_hard(charges_or_ratios, 10_s);
    l.temperature_max = perhaps_hard(temperatures, 10_s);
    l.temperature_min = perhaps_hard(temperatures, 10_s);
    if (coin()) {
        l.charge_temperature = temperature_window();
        l.charge_temperature.max.reset();
    }
    if (coin()) {
        l.discharge_temperature = temperature_window();
    }
    l.temperature_rise = perhaps_hard(quantities<Dimension::temperature_slope>(1, 3'600'000'000), 60_s);
    l.above_ambient = perhaps_hard(differences, 10_s);
    return l;
}

inline Keep keep() {
    Keep k;
    k.every = perhaps(durations);
    k.on_voltage_change = perhaps(voltages);
    k.on_current_change = perhaps(either(currents, ratios));
    k.on_temperature_change = perhaps(differences);
    for (std::size_t times = *rc::gen::inRange<std::size_t>(0, 5); times > 0; --times) {
        const Duration before = k.at.empty() ? Duration{} : k.at.back();
        k.at.push_back(before + Duration{*rc::gen::inRange<std::int64_t>(1, 10'000'000'000'000)});
    }
    if (!k.at.empty() && coin()) {
        k.mean_of = Duration{*rc::gen::inRange<std::int64_t>(1, k.at.front().count + 1)};
    }
    return k;
}

inline std::optional<TemperatureEnd> temperature_end() {
    const Range<Temperature> r = range(two_temperatures());
    return r.min || r.max ? std::optional{TemperatureEnd{r.min, r.max, perhaps(durations)}} : std::nullopt;
}

inline Ends ends(StepKind kind) {
    Ends e;
    e.time = perhaps(durations);
    e.temperature = temperature_end();
    if (kind == StepKind::rest || kind == StepKind::hold) {
        (coin() ? e.above : e.below) = perhaps(voltages);
    }
    if (kind == StepKind::rest) {
        e.settle = e.empty() || coin() ? std::optional{Settle{*voltage_slopes, *durations}} : std::nullopt;
        return e;
    }
    e.amount = perhaps_step_charge();
    e.net = perhaps_step_charge();
    if (kind == StepKind::hold) {
        e.current = e.empty() || coin() ? std::optional{step_current()} : std::nullopt;
    } else {
        e.voltage = e.empty() || coin() ? std::optional{*voltages} : std::nullopt;
    }
    return e;
}

inline GoodEnd good_end(const Ends& e) {
    if (!coin()) {
        return GoodEnd::any;
    }
    return e.time          ? GoodEnd::time
           : e.temperature ? GoodEnd::temperature
           : e.settle      ? GoodEnd::settle
                           : GoodEnd::voltage;
}

inline OnlyIf only_if() {
    OnlyIf o;
    o.figure = static_cast<FigureId>(*rc::gen::inRange<std::size_t>(0, figure_count));
    (coin() ? o.above : o.below) = *rc::gen::inRange<std::int64_t>(1, 5'000'000);
    if (o.figure == FigureId::k_value) {
        std::tie(o.from, o.to) = ordered<Duration>(1, 315'000'000'000'000);
    }
    return o;
}

inline EnterField enter_field(std::size_t number) {
    EnterField field{"value " + std::to_string(number), one_of<std::string>({"g", "mm", "\xC2\xB5m"}), {}, {}};
    if (coin()) {
        field.min = static_cast<double>(*rc::gen::inRange(-1'000'000, 1'000'000)) / 7.0;
    }
    if (coin()) {
        field.max = 150'000.0 + static_cast<double>(*rc::gen::inRange(0, 1'000'000)) * 1e9;
    }
    return field;
}

inline Step step(const std::string& path, std::size_t depth, std::size_t& left);

inline std::vector<Step> steps(const std::string& prefix, std::size_t depth, std::size_t& left) {
    std::vector<Step> list;
    for (std::size_t number = *rc::gen::inRange<std::size_t>(1, 4); number > 0; --number) {
        list.push_back(step(prefix + std::to_string(list.size() + 1), depth, left));
    }
    return list;
}

inline void drive(Step& s) {
    switch (s.kind) {
        case StepKind::discharge: s.measures = coin(); [[fallthrough]];
        case StepKind::charge:
            s.current = step_current();
            s.ends_cycle = coin();
            break;
        case StepKind::hold:
            s.current = step_current();
            s.voltage = *voltages;
            s.direction = one_of({Direction::charge, Direction::discharge, Direction::either});
            break;
        case StepKind::ramp:
            if (coin()) {
                s.current = step_current();
                s.voltage_ramp = VoltageRamp{perhaps(voltages), *voltages, *voltage_slopes};
            } else {
                s.current_ramp = CurrentRamp{perhaps(signed_currents), *signed_currents, *durations};
            }
            break;
        case StepKind::pulse:
            for (std::size_t n = *rc::gen::inRange<std::size_t>(1, 4); n > 0; --n) {
                s.levels.push_back({coin(), step_current(), *durations});
            }
            break;
        case StepKind::ask:
            s.prompt = "do " + words(50);
            for (std::size_t n = *rc::gen::inRange<std::size_t>(0, 3); n > 0; --n) {
                s.enter.push_back(enter_field(n));
            }
            s.same_cell = coin();
            s.delay = perhaps(durations).value_or(Duration{});
            break;
        case StepKind::rest:
        case StepKind::repeat: break;
    }
}

inline void cap(Step& s) {
    const bool moves = s.kind != StepKind::rest && s.kind != StepKind::ask && s.kind != StepKind::repeat;
    const bool must = s.kind != StepKind::repeat && (s.kind != StepKind::rest || !s.ends.time);
    if (!must && !coin()) {
        return;
    }
    s.at_most.time = *durations;
    if (moves) {
        s.at_most.amount = perhaps_step_charge();
    }
    s.on_overrun = one_of({OnOverrun::stop, OnOverrun::wait, OnOverrun::next});
    if (s.on_overrun == OnOverrun::next && (s.at_most.amount || s.kind == StepKind::ask)) {
        s.on_overrun = OnOverrun::wait;
    }
}

inline Step step(const std::string& path, std::size_t depth, std::size_t& left) {
    Step s;
    s.path = path;
    s.name = words(20);
    s.kind = static_cast<StepKind>(*rc::gen::inRange(0, 8));
    if (s.kind == StepKind::repeat && (depth == repeat_depth_max || left == 0)) {
        s.kind = StepKind::rest;
    }
    drive(s);
    const bool has_ends = s.kind != StepKind::pulse && s.kind != StepKind::ask && s.kind != StepKind::repeat;
    if (has_ends) {
        s.ends = ends(s.kind);
        s.good_end = good_end(s.ends);
        s.not_before = perhaps(durations);
    }
    cap(s);
    s.only_if = coin() ? std::optional{only_if()} : std::nullopt;
    s.ambient = perhaps(temperatures);
    s.together = coin();
    if (s.kind != StepKind::repeat && s.kind != StepKind::ask && coin()) {
        s.limits = step_limits();
    }
    if (s.kind != StepKind::repeat && coin()) {
        s.keep = keep();
        s.keep->every = *durations;  // a keep that says nothing is refused
    }
    if (s.kind == StepKind::repeat) {
        --left;
        s.times = *rc::gen::inRange<std::uint32_t>(1, 5);
        if (coin()) {
            s.ends.figure = FigureEnd{one_of({FigureId::coulombic_efficiency, FigureId::dc_resistance}), *ratios};
        }
        s.steps = steps(path + ".", depth + 1, left);
    }
    return s;
}

inline std::vector<AcceptRule> accept_rules() {
    std::vector<AcceptRule> rules;
    for (const Key& key : grammar_section("accept").keys) {
        if (key.kind != KeyKind::table || !coin()) {
            continue;
        }
        AcceptRule rule;
        rule.figure = std::string{key.name};
        rule.dimension = key.dimension;
        const auto [low, high] = ordered<Ratio>(1, 5'000'000);
        rule.min = low.count;
        rule.max = coin() ? std::optional{high.count} : std::nullopt;
        if (coin()) {
            rule.within_mad = *rc::gen::inRange(1, 800) / 8.0;
        }
        const bool of_a_cycle = key.dimension == Dimension::charge || key.name == "coulombic_efficiency";
        if (of_a_cycle && coin()) {
            rule.cycle = *rc::gen::inRange<std::uint32_t>(1, 1'000'000);
        }
        if (key.dimension != Dimension::ratio && coin()) {
            rule.step = "1";
            rule.pass = *rc::gen::inRange<std::uint32_t>(1, 1'000'000);
        }
        if (key.name == "k_value" && coin()) {
            std::tie(rule.from, rule.to) = ordered<Duration>(1, 315'000'000'000'000);
        }
        rules.push_back(rule);
    }
    return rules;
}

inline Acceptance accept() {
    Acceptance accept{accept_rules(), {}};
    for (const char* name : {"A", "B plus"}) {
        if (std::vector<AcceptRule> rules = accept_rules(); coin() && !rules.empty()) {
            accept.grades.push_back({name, std::move(rules)});
        }
    }
    return accept;
}

inline Protocol any_protocol() {
    Protocol p;
    p.title = words(30);
    p.about = words(30) + (coin() ? "\nsecond line\tand a tab" : "");
    p.cell.chemistry =
        one_of({Chemistry::nmc_graphite, Chemistry::nmc_graphite_siox, Chemistry::lfp_graphite, Chemistry::other});
    p.cell.format = one_of(
        {CellFormat::unsaid, CellFormat::pouch, CellFormat::cylindrical, CellFormat::prismatic, CellFormat::coin});
    p.cell.capacity = *quantities<Dimension::charge>(1, 1'800'000'000'000'000'000);
    std::tie(p.cell.window_min, p.cell.window_max) = two_voltages();
    p.cell.state = one_of({CellState::pristine, CellState::tapped, CellState::formed});
    p.cell.unusual_window = words(20);
    p.start.voltage = range(ordered<Voltage>(-1'000'000'000, 5'000'000'000));
    p.start.temperature = range(two_temperatures());
    if (coin()) {
        p.start.resistance = range(ordered<Resistance>(1, 1'000'000'000'000));
        p.start.soaked = perhaps(durations);
    }
    p.limits = limits();
    p.keep = keep();
    p.ship = one_of({Ship::no, Ship::air, Ship::sea, Ship::road});
    p.interruption.then = one_of({AfterInterruption::wait, AfterInterruption::resume, AfterInterruption::stop});
    p.interruption.longest = perhaps(durations);
    p.interruption.total = perhaps(durations);
    p.interruption.voltage_fall_max = perhaps(voltages);
    p.interruption.voltage_rise_max = perhaps(voltages);
    p.interruption.charge_uncertain_max = perhaps(charges_or_ratios);
    std::size_t repeats = 5;
    p.steps = steps("", 0, repeats);
    p.steps.front().name = "";  // "1" in [accept] means the place alone
    p.accept = accept();
    return p;
}

}  // namespace slowfilm::protocol::generated
