#include "daemon/protocol/print.hpp"

#include "daemon/protocol/grammar.hpp"
#include "daemon/protocol/print_text.hpp"

#include <string_view>

namespace slowfilm::protocol {
namespace {

using namespace printed;

class Printer {
  public:
    std::string print_all(const Protocol& protocol) {
        line("format", "1");
        words("title", protocol.title);
        words("about", protocol.about);
        cell(protocol.cell);
        start(protocol.start);
        limits(protocol.limits);
        keep(protocol.keep);
        interruption(protocol.interruption);
        for (const Step& each : protocol.steps) {
            step(each, "step", 0);
        }
        accept(protocol.accept);
        if (protocol.ship != Ship::no) {
            heading("[after]");
            word("after", "ship", static_cast<std::size_t>(protocol.ship) - 1);
        }
        return std::move(text_);
    }

  private:
    void line(std::string_view key, const std::string& value) {
        text_ += indent_ + std::string{key} + " = " + value + "\n";
    }
    void words(std::string_view key, const std::string& value) {
        if (!value.empty()) {
            line(key, quoted(value));
        }
    }
    template <class V>
    void put(std::string_view key, const std::optional<V>& value) {
        if (value) {
            line(key, text_of(*value));
        }
    }
    void braces(std::string_view key, const Braces& value) {
        if (!value.empty()) {
            line(key, value.text());
        }
    }
    void heading(const std::string& name) { text_ += "\n" + indent_ + name + "\n"; }
    void word(std::string_view section, std::string_view key, std::size_t index) {
        line(key, quoted(grammar_key(grammar_section(section).keys, key).words[index]));
    }

    void cell(const Cell& cell) {
        heading("[cell]");
        word("cell", "chemistry", static_cast<std::size_t>(cell.chemistry));
        if (cell.format != CellFormat::unsaid) {
            word("cell", "format", static_cast<std::size_t>(cell.format) - 1);
        }
        line("capacity", text_of(cell.capacity));
        Braces window;
        window.add("min", text_of(cell.window_min));
        window.add("max", text_of(cell.window_max));
        braces("window", window);
        word("cell", "state", static_cast<std::size_t>(cell.state));
        words("unusual_window", cell.unusual_window);
    }

    void start(const Start& start) {
        if (start == Start{}) {
            return;
        }
        heading("[start]");
        braces("voltage", Braces{}.put("min", start.voltage.min).put("max", start.voltage.max));
        braces("temperature", Braces{}.put("min", start.temperature.min).put("max", start.temperature.max));
        braces("resistance", Braces{}.put("min", start.resistance.min).put("max", start.resistance.max));
        put("soaked", start.soaked);
    }

    template <class V>
    static std::string text_of_limit(const Limit<V>& limit, const std::optional<Voltage>& armed_above) {
        if (limit.off) {
            return quoted("off");
        }
        if (limit.trip && !limit.warn && !limit.persistence && !armed_above) {
            return text_of(*limit.trip);
        }
        return Braces{}
            .put("warn", limit.warn)
            .put("trip", limit.trip)
            .put("for", limit.persistence)
            .put("armed_above", armed_above)
            .text();
    }

    // `say(key, text)` for each that is written: a line of [limits], or an entry of a step's table.
    template <class Say>
    static void each_limit(const Limits& limits, const Say& say) {
        const auto one = [&](std::string_view key, const auto& limit, const std::optional<Voltage>& armed_above) {
            if (limit.written) {
                say(key, text_of_limit(limit, armed_above));
            }
        };
        const auto window = [&](std::string_view key, const TemperatureWindow& w) {
            if (w.written) {
                say(key, Braces{}.put("min", w.min).put("max", w.max).put("for", w.persistence).text());
            }
        };
        one("voltage_max", limits.voltage_max, {});
        one("low_voltage", limits.low_voltage, limits.armed_above);
        one("voltage_fall", limits.voltage_fall, {});
        one("discharge_floor", limits.discharge_floor, {});
        one("current_max", limits.current_max, {});
        one("current_error", limits.current_error, {});
        one("leakage_max", limits.leakage_max, {});
        one("hold_error", limits.hold_error, {});
        one("voltage_jump", limits.voltage_jump, {});
        one("lead_drop", limits.lead_drop, {});
        one("stuck", limits.stuck, {});
        one("temperature_max", limits.temperature_max, {});
        one("temperature_min", limits.temperature_min, {});
        window("charge_temperature", limits.charge_temperature);
        window("discharge_temperature", limits.discharge_temperature);
        one("temperature_rise", limits.temperature_rise, {});
        one("above_ambient", limits.above_ambient, {});
    }

    void limits(const Limits& limits) {
        heading("[limits]");
        each_limit(limits, [&](std::string_view key, const std::string& text) { line(key, text); });
        climb(limits.climb);
        braces("charge_leg_max", Braces{}.put("first", limits.charge_leg_first).put("later", limits.charge_leg_later));
        put("net_max", limits.net_max);
        braces("stale_after", Braces{}
                                  .put("voltage", limits.stale_voltage)
                                  .put("current", limits.stale_current)
                                  .put("temperature", limits.stale_temperature));
        put("run_time_max", limits.run_time_max);
    }
    void climb(const std::vector<Climb>& gates) {
        std::string list;
        for (const Climb& gate : gates) {
            Braces braces;
            braces.add("by", text_of(gate.by));
            braces.add("above", text_of(gate.above));
            list += (list.empty() ? " " : ", ") + braces.text();
        }
        if (!list.empty()) {
            line("climb", "[" + list + " ]");
        }
    }

    void keep(const Keep& keep) {
        if (keep == Keep{}) {
            return;
        }
        heading("[keep]");
        put("every", keep.every);
        braces("on_change", changes_of(keep));
        if (!keep.at.empty()) {
            line("at", text_of(keep.at));
        }
        put("mean_of", keep.mean_of);
    }
    static Braces changes_of(const Keep& keep) {
        return Braces{}
            .put("voltage", keep.on_voltage_change)
            .put("current", keep.on_current_change)
            .put("temperature", keep.on_temperature_change);
    }

    void interruption(const Interruption& interruption) {
        if (interruption == Interruption{}) {
            return;
        }
        heading("[interruption]");
        word("interruption", "then", static_cast<std::size_t>(interruption.then));
        put("longest", interruption.longest);
        put("total", interruption.total);
        put("voltage_fall_max", interruption.voltage_fall_max);
        put("voltage_rise_max", interruption.voltage_rise_max);
        put("charge_uncertain_max", interruption.charge_uncertain_max);
    }

    void step(const Step& step, const std::string& name, std::size_t depth) {
        indent_.assign(2 * depth, ' ');
        heading("[[" + name + "]]");
        words("name", step.name);
        line("do", quoted(step_word(step.kind)));
        drive(step);
        braces("ends", ends_of(step.ends));
        if (step.at_most.amount) {
            braces("at_most", Braces{}.put("time", step.at_most.time).put("amount", step.at_most.amount));
        } else {
            put("at_most", step.at_most.time);
        }
        if (step.on_overrun != OnOverrun::stop) {
            word("step", "on_overrun", static_cast<std::size_t>(step.on_overrun));
        }
        if (step.good_end != GoodEnd::any) {
            word("step", "good_end", static_cast<std::size_t>(step.good_end) - 1);
        }
        put("not_before", step.not_before);
        common(step);
        ask(step);
        if (step.kind == StepKind::repeat) {
            line("times", std::to_string(step.times));
            for (const Step& inner : step.steps) {
                this->step(inner, name + ".step", depth + 1);
            }
        }
        indent_.clear();
    }

    static Braces ends_of(const Ends& ends) {
        Braces braces;
        braces.put("voltage", ends.voltage);
        if (ends.above || ends.below) {
            braces.add("voltage", Braces{}.put("above", ends.above).put("below", ends.below).text());
        }
        braces.put("current", ends.current).put("time", ends.time).put("amount", ends.amount).put("net", ends.net);
        if (const auto& t = ends.temperature) {
            braces.add("temperature", Braces{}.put("min", t->min).put("max", t->max).put("for", t->held).text());
        }
        if (const auto& settle = ends.settle) {
            braces.add("settle", "{ below = " + text_of(settle->below) + ", over = " + text_of(settle->over) + " }");
        }
        if (const auto& figure = ends.figure) {
            braces.add("figure", quoted(name(figure->figure)));
            braces.add("below", text_of(figure->below));
        }
        return braces;
    }

    void common(const Step& step) {
        if (const auto& only_if = step.only_if) {
            const Dimension dimension = dimension_of(only_if->figure);
            Braces inside;
            inside.add("figure", quoted(name(only_if->figure)));
            inside.put("above", bound_text(dimension, only_if->above))
                .put("below", bound_text(dimension, only_if->below));
            braces("only_if", inside.put("from", only_if->from).put("to", only_if->to));
        }
        put("ambient", step.ambient);
        if (step.together) {
            line("together", text_of(true));
        }
        if (step.limits) {
            Braces inside;
            each_limit(*step.limits, [&](std::string_view key, const std::string& text) { inside.add(key, text); });
            braces("limits", inside);
        }
        if (step.keep) {
            Braces inside;
            inside.put("every", step.keep->every);
            if (const Braces changes = changes_of(*step.keep); !changes.empty()) {
                inside.add("on_change", changes.text());
            }
            if (!step.keep->at.empty()) {
                inside.add("at", text_of(step.keep->at));
            }
            braces("keep", inside.put("mean_of", step.keep->mean_of));
        }
    }

    void ask(const Step& step) {
        words("prompt", step.prompt);
        std::string fields;
        for (const EnterField& field : step.enter) {
            Braces inside;
            inside.add("name", quoted(field.name));
            inside.add("unit", quoted(field.unit));
            fields += (fields.empty() ? " " : ", ") + inside.put("min", field.min).put("max", field.max).text();
        }
        if (!fields.empty()) {
            line("enter", "[" + fields + " ]");
        }
        if (!step.same_cell) {
            line("same_cell", text_of(false));
        }
        if (step.delay.count > 0) {
            line("delay", text_of(step.delay));
        }
    }

    void drive(const Step& step) {
        const bool charges_or_discharges = step.kind == StepKind::charge || step.kind == StepKind::discharge;
        put("voltage", step.voltage);
        if (const auto& ramp = step.voltage_ramp) {
            Braces sweep;
            sweep.add("from", ramp->from ? text_of(*ramp->from) : quoted("now"));
            sweep.add("to", text_of(ramp->to));
            sweep.add("rate", text_of(ramp->rate));
            braces("voltage", sweep);
        }
        if (const auto& ramp = step.current_ramp) {
            Braces sweep;
            sweep.add("from", ramp->from ? text_of(*ramp->from) : quoted("now"));
            sweep.add("to", text_of(ramp->to));
            sweep.add("over", text_of(ramp->over));
            braces("current", sweep);
        }
        if (step.current) {
            const bool rate = std::holds_alternative<Rate>(step.current->value);
            const std::string_view key =
                charges_or_discharges ? (rate ? "rate" : "current") : (rate ? "rate_max" : "current_max");
            line(key, text_of(*step.current));
        }
        if (step.direction != Direction::charge) {
            word("step", "direction", static_cast<std::size_t>(step.direction));
        }
        levels(step.levels);
        if (step.measures) {
            word("step", "measures", 0);
        }
        if (step.ends_cycle) {
            line("ends_cycle", text_of(true));
        }
    }
    void levels(const std::vector<PulseLevel>& levels) {
        std::string list;
        for (const PulseLevel& level : levels) {
            Braces inside;
            inside.add(level.charges ? "charge" : "discharge", text_of(level.current));
            inside.add("for", text_of(level.span));
            list += (list.empty() ? " " : ", ") + inside.text();
        }
        if (!list.empty()) {
            line("levels", "[" + list + " ]");
        }
    }

    static std::optional<std::string> bound_text(Dimension dimension, const std::optional<std::int64_t>& bound) {
        return bound ? std::optional{print_count(dimension, *bound)} : std::nullopt;
    }
    static Braces rule_braces(const AcceptRule& rule) {
        return Braces{}
            .put("min", bound_text(rule.dimension, rule.min))
            .put("max", bound_text(rule.dimension, rule.max))
            .put("within_mad", rule.within_mad)
            .put("step", rule.step)
            .put("cycle", rule.cycle)
            .put("pass", rule.pass)
            .put("from", rule.from)
            .put("to", rule.to);
    }
    void accept(const Acceptance& accept) {
        if (accept == Acceptance{}) {
            return;
        }
        heading("[accept]");
        for (const AcceptRule& rule : accept.rules) {
            braces(rule.figure, rule_braces(rule));
        }
        std::string list;
        for (const Grade& grade : accept.grades) {
            Braces inside;
            inside.put("name", std::optional{grade.name});
            for (const AcceptRule& rule : grade.rules) {
                inside.add(rule.figure, rule_braces(rule).text());
            }
            list += (list.empty() ? " " : ", ") + inside.text();
        }
        if (!list.empty()) {
            line("grades", "[" + list + " ]");
        }
    }

    std::string text_;
    std::string indent_;
};

}  // namespace

std::string to_toml(const Protocol& protocol) {
    return Printer{}.print_all(protocol);
}

}  // namespace slowfilm::protocol
