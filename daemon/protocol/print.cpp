#include "daemon/protocol/print.hpp"

#include "daemon/protocol/grammar.hpp"

#include <array>
#include <string_view>

namespace slowfilm::protocol {
namespace {

// A TOML basic string.
std::string quoted(std::string_view text) {
    constexpr std::string_view hex = "0123456789ABCDEF";
    std::string result{'"'};
    for (const char c : text) {
        const auto byte = static_cast<unsigned char>(c);
        if (c == '"' || c == '\\') {
            result += '\\';
            result += c;
        } else if (c == '\n') {
            result += "\\n";
        } else if (c == '\t') {
            result += "\\t";
        } else if (byte < 0x20U || byte == 0x7FU) {
            result += "\\u00";
            result += hex[byte >> 4U];
            result += hex[byte & 0x0FU];
        } else {
            result += c;
        }
    }
    result += '"';
    return result;
}

template <Dimension D>
std::string text_of(Quantity<D> value) {
    return quoted(print(value));
}
std::string text_of(const CurrentOrRate& value) {
    return quoted(print(value));
}
std::string text_of(const ChargeOrRatio& value) {
    return quoted(print(value));
}
std::string text_of(const std::variant<Current, Ratio>& value) {
    return std::visit([](const auto& each) { return quoted(print(each)); }, value);
}
std::string text_of(const std::string& value) {
    return quoted(value);
}
std::string text_of(std::uint32_t value) {
    return std::to_string(value);
}

template <class Value>
std::string text_of(const OfCapacity<Value>& share) {
    const std::string text = print(share.value);
    return quoted(share.measured ? text + " of measured" : text);
}

// { a = ..., b = ... }
class Braces {
  public:
    template <class V>
    Braces& put(std::string_view key, const std::optional<V>& value) {
        if (value) {
            add(key, text_of(*value));
        }
        return *this;
    }
    void add(std::string_view key, const std::string& value) {
        inside_ += (inside_.empty() ? " " : ", ") + std::string{key} + " = " + value;
    }
    [[nodiscard]] bool empty() const { return inside_.empty(); }
    [[nodiscard]] std::string text() const { return empty() ? "{}" : "{" + inside_ + " }"; }

  private:
    std::string inside_;
};

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
    }

    template <class V>
    void limit(std::string_view key, const Limit<V>& limit, const std::optional<Voltage>& armed_above = std::nullopt) {
        if (!limit.written) {
            return;
        }
        if (limit.off) {
            line(key, quoted("off"));
        } else if (limit.trip && !limit.warn && !limit.persistence && !armed_above) {
            line(key, text_of(*limit.trip));
        } else {
            braces(key, Braces{}
                            .put("warn", limit.warn)
                            .put("trip", limit.trip)
                            .put("for", limit.persistence)
                            .put("armed_above", armed_above));
        }
    }
    void window(std::string_view key, const TemperatureWindow& window) {
        braces(key, Braces{}.put("min", window.min).put("max", window.max).put("for", window.persistence));
    }

    void limits(const Limits& limits) {
        heading("[limits]");
        limit("voltage_max", limits.voltage_max);
        limit("low_voltage", limits.low_voltage, limits.armed_above);
        limit("discharge_floor", limits.discharge_floor);
        limit("current_max", limits.current_max);
        limit("current_error", limits.current_error);
        limit("leakage_max", limits.leakage_max);
        limit("hold_error", limits.hold_error);
        limit("temperature_max", limits.temperature_max);
        limit("temperature_min", limits.temperature_min);
        window("charge_temperature", limits.charge_temperature);
        window("discharge_temperature", limits.discharge_temperature);
        limit("temperature_rise", limits.temperature_rise);
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
        braces("on_change", Braces{}
                                .put("voltage", keep.on_voltage_change)
                                .put("current", keep.on_current_change)
                                .put("temperature", keep.on_temperature_change));
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
        braces("ends", Braces{}
                           .put("voltage", step.ends.voltage)
                           .put("current", step.ends.current)
                           .put("time", step.ends.time)
                           .put("amount", step.ends.amount)
                           .put("net", step.ends.net));
        if (step.at_most.amount) {
            braces("at_most", Braces{}.put("time", step.at_most.time).put("amount", step.at_most.amount));
        } else {
            put("at_most", step.at_most.time);
        }
        if (step.on_overrun != OnOverrun::stop) {
            word("step", "on_overrun", static_cast<std::size_t>(step.on_overrun));
        }
        words("prompt", step.prompt);
        if (step.kind == StepKind::repeat) {
            line("times", std::to_string(step.times));
            for (const Step& inner : step.steps) {
                this->step(inner, name + ".step", depth + 1);
            }
        }
        indent_.clear();
    }

    void drive(const Step& step) {
        const bool hold = step.kind == StepKind::hold;
        put("voltage", step.voltage);
        if (step.current) {
            const bool rate = std::holds_alternative<Rate>(step.current->value);
            const std::string_view key = hold ? (rate ? "rate_max" : "current_max") : (rate ? "rate" : "current");
            line(key, text_of(*step.current));
        }
        if (hold && step.direction != Direction::charge) {
            word("step", "direction", static_cast<std::size_t>(step.direction));
        }
    }

    static std::optional<std::string> bound_text(Dimension dimension, const std::optional<std::int64_t>& bound) {
        if (!bound) {
            return std::nullopt;
        }
        return dimension == Dimension::ratio ? print(Ratio{*bound}) : print(Charge{*bound});
    }
    void accept(const std::vector<AcceptRule>& rules) {
        if (rules.empty()) {
            return;
        }
        heading("[accept]");
        for (const AcceptRule& rule : rules) {
            braces(rule.figure, Braces{}
                                    .put("min", bound_text(rule.dimension, rule.min))
                                    .put("max", bound_text(rule.dimension, rule.max))
                                    .put("step", rule.step)
                                    .put("cycle", rule.cycle)
                                    .put("pass", rule.pass));
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
