// What one step says: its name, how it is driven, what a person does, and what is kept. What ends it: parse_ends.cpp.
#include "daemon/protocol/parse_limits.hpp"
#include "daemon/protocol/parse_steps.hpp"

#include <algorithm>
#include <utility>

namespace slowfilm::protocol {
namespace {

constexpr std::size_t name_bytes_max = 100;
constexpr std::size_t unit_bytes_max = 20;
constexpr std::size_t prompt_bytes_max = 1'000;

// Names stand in lists, tables and events.
bool one_line(std::string_view text) {
    return std::none_of(text.begin(), text.end(),
                        [](char c) { return static_cast<unsigned char>(c) < 0x20U || c == '\x7F'; });
}

void read_name(Fields& fields, Step& step) {
    step.name = fields.text("name").value_or("");
    if (step.name.size() > name_bytes_max) {
        fields.error(fields.place_of("name"), "this name is longer than " + std::to_string(name_bytes_max) +
                                                  " bytes; put what is to be explained into a comment");
    }
    if (!one_line(step.name)) {
        fields.error(fields.place_of("name"), "a name is one line without control characters");
    }
}

// A rate where amperes belong or the other way round is the commonest slip: say the other key.
bool swapped(Fields& fields, std::string_view rate_key, std::string_view current_key) {
    const auto as_rate = fields.written(rate_key);
    if (as_rate && parse_quantity<Dimension::current>(*as_rate)) {
        fields.pass_over(rate_key);
        fields.error(fields.place_of(rate_key), "'" + std::string{rate_key} +
                                                    "' takes a rate such as \"C/20\"; for amperes write " +
                                                    std::string{current_key} + " = \"" + *as_rate + "\"");
        return true;
    }
    const auto as_current = fields.written(current_key);
    if (as_current && parse_step_rate(*as_current)) {
        fields.pass_over(current_key);
        fields.error(fields.place_of(current_key), "'" + std::string{current_key} +
                                                       "' takes amperes such as \"250 mA\"; for a rate write " +
                                                       std::string{rate_key} + " = \"" + *as_current + "\"");
        return true;
    }
    return false;
}

std::optional<StepCurrent> rate_or_current(Fields& fields, const Step& step, std::string_view rate_key,
                                           std::string_view current_key) {
    if (swapped(fields, rate_key, current_key)) {
        return std::nullopt;
    }
    const auto rate = fields.step_current(rate_key);
    const bool table = fields.key(current_key).kind == KeyKind::value_or_table;
    const bool readable = !table || fields.form(current_key) != Fields::Form::refused;
    const auto current = readable ? fields.quantity<Dimension::current>(current_key) : std::nullopt;
    const std::string both = "'" + std::string{rate_key} + "' and '" + std::string{current_key} + "'";
    if (fields.has(rate_key) && fields.has(current_key)) {
        fields.error(fields.place_of(current_key), both + " are both written; keep one");
        return std::nullopt;
    }
    if (!fields.has(rate_key) && !fields.has(current_key)) {
        fields.error(fields.place(), a_step(step) + " has neither " + std::string{rate_key} + " nor " +
                                         std::string{current_key} + "; write one, such as " + std::string{rate_key} +
                                         " = \"C/20\"");
    }
    if (rate) {
        return rate;
    }
    return current ? std::optional{StepCurrent{CurrentOrRate{*current}}} : std::nullopt;
}

void read_hold(Fields& fields, Step& step) {
    step.current = rate_or_current(fields, step, "rate_max", "current_max");
    if (fields.form("voltage") != Fields::Form::refused) {
        step.voltage = fields.quantity<Dimension::voltage>("voltage");
    }
    step.direction = static_cast<Direction>(fields.word("direction").value_or(0));
}

void read_voltage_ramp(Fields& fields, Step& step) {
    auto sweep = fields.table("voltage");
    if (!sweep) {
        return;
    }
    const bool now = sweep->now("from");
    const auto from = now ? std::nullopt : sweep->quantity<Dimension::voltage>("from");
    const auto to = sweep->quantity<Dimension::voltage>("to");
    const auto rate = sweep->quantity<Dimension::voltage_slope>("rate");
    if (to && rate && (from || now)) {
        step.voltage_ramp = VoltageRamp{from, *to, *rate};
    }
    sweep->refuse_others();
}

void read_current_ramp(Fields& fields, Step& step) {
    for (const std::string_view cap : {"rate_max", "current_max"}) {
        if (fields.has(cap)) {
            fields.error(fields.place_of(cap), "'" + std::string{cap} +
                                                   "' belongs to a ramp of the voltage; a ramp of the current is "
                                                   "bounded by its own from and to: remove it");
        }
    }
    step.current.reset();
    auto sweep = fields.table("current");
    if (!sweep) {
        return;
    }
    const bool now = sweep->now("from");
    const auto from = now ? std::nullopt : sweep->current_or_rate("from");
    const auto to = sweep->current_or_rate("to");
    const auto over = sweep->quantity<Dimension::time>("over");
    if (to && over && (from || now)) {
        step.current_ramp = CurrentRamp{from, *to, *over};
    }
    sweep->refuse_others();
}

void read_ramp(Fields& fields, Step& step) {
    const Fields::Form voltage = fields.form("voltage");
    const Fields::Form current = fields.form("current");
    if (voltage != Fields::Form::absent || fields.has("rate_max") || fields.has("current_max")) {
        step.current = rate_or_current(fields, step, "rate_max", "current_max");
    }
    if (voltage != Fields::Form::absent && current != Fields::Form::absent) {
        fields.pass_over("voltage");
        fields.pass_over("current");
        fields.error(fields.place_of("current"),
                     "a ramp sweeps the voltage or the current, and both are written; keep one");
    } else if (voltage == Fields::Form::table) {
        read_voltage_ramp(fields, step);
    } else if (current == Fields::Form::table) {
        read_current_ramp(fields, step);
    } else if (voltage == Fields::Form::absent && current == Fields::Form::absent) {
        fields.error(fields.place(),
                     "this ramp sweeps nothing; write voltage = { from = \"now\", to = \"3.0 V\", rate = "
                     "\"100 mV/h\" } with rate_max, or current = { from = \"0 A\", to = \"C/10\", over = "
                     "\"1 h\" }");
    }
}

void read_levels(Fields& fields, Step& step) {
    std::vector<Fields> levels = fields.list("levels");
    if (fields.holds_empty_list("levels")) {
        fields.error(fields.place_of("levels"),
                     "this pulse has no level; write levels = [ { discharge = \"0.2C\", for = \"10 s\" } ]");
    }
    if (levels.size() > levels_max) {
        fields.error(levels[levels_max].place(), "a pulse has at most " + std::to_string(levels_max) +
                                                     " levels; use a repeat around it for what comes again");
        return;
    }
    for (Fields& table : levels) {
        const auto charge = table.step_current("charge");
        const auto discharge = table.step_current("discharge");
        const auto span = table.quantity<Dimension::time>("for");
        if (table.has("charge") == table.has("discharge")) {
            table.error(table.has("charge") ? table.place_of("discharge") : table.place(),
                        table.has("charge")
                            ? "a level has one direction; keep 'charge' or 'discharge'"
                            : "this level has no current; write charge or discharge, such as discharge = "
                              "\"0.2C\"");
        } else if (span && (charge || discharge)) {
            step.levels.push_back({charge.has_value(), charge ? *charge : *discharge, *span});
        }
        table.refuse_others();
    }
}

void read_drive(Fields& fields, Step& step) {
    switch (step.kind) {
        case StepKind::charge:
        case StepKind::discharge:
            step.current = rate_or_current(fields, step, "rate", "current");
            step.measures = fields.word("measures").has_value();
            step.ends_cycle = fields.truth("ends_cycle").value_or(false);
            break;
        case StepKind::hold: read_hold(fields, step); break;
        case StepKind::ramp: read_ramp(fields, step); break;
        case StepKind::pulse: read_levels(fields, step); break;
        case StepKind::rest:
        case StepKind::ask:
        case StepKind::repeat: break;
    }
}

void check_entered(Fields& table, const EnterField& field, const std::vector<EnterField>& before) {
    const auto fit = [&](std::string_view key, const std::string& text, std::size_t most) {
        if (text.empty() || text.size() > most || !one_line(text)) {
            table.error(table.place_of(key),
                        "'" + std::string{key} + "' must be one line of 1 to " + std::to_string(most) + " bytes");
        }
    };
    if (table.written("name")) {
        fit("name", field.name, name_bytes_max);
    }
    if (table.written("unit")) {
        fit("unit", field.unit, unit_bytes_max);
    }
    if (field.min && field.max && *field.max <= *field.min) {
        table.error(table.place_of("max"), "'max' is at or below 'min'; it must be above it");
    }
    if (std::any_of(before.begin(), before.end(), [&](const EnterField& e) { return e.name == field.name; })) {
        table.error(table.place_of("name"), "two values are entered under this name; each needs its own");
    }
}

void read_ask(Fields& fields, Step& step) {
    step.prompt = fields.text("prompt").value_or("");
    if (fields.written("prompt")) {
        if (step.prompt.find_first_not_of(" \t\n") == std::string::npos) {
            fields.error(fields.place_of("prompt"), "the prompt is empty; say what the person is to do");
        } else if (step.prompt.size() > prompt_bytes_max) {
            fields.error(fields.place_of("prompt"),
                         "this prompt is longer than " + std::to_string(prompt_bytes_max) + " bytes; say it shorter");
        }
    }
    std::vector<Fields> entered = fields.list("enter");
    if (entered.size() > enter_max) {
        fields.error(entered[enter_max].place(),
                     "a person enters at most " + std::to_string(enter_max) + " values at one ask");
        return;
    }
    for (Fields& table : entered) {
        EnterField field;
        field.name = table.text("name").value_or("");
        field.unit = table.text("unit").value_or("");
        field.min = table.number("min");
        field.max = table.number("max");
        check_entered(table, field, step.enter);
        table.refuse_others();
        step.enter.push_back(std::move(field));
    }
    step.same_cell = fields.truth("same_cell").value_or(true);
    step.delay = fields.quantity<Dimension::time>("delay").value_or(Duration{});
}

}  // namespace

Keep read_keep(Fields& fields) {
    Keep keep;
    keep.every = fields.quantity<Dimension::time>("every");
    if (auto change = fields.table("on_change")) {
        keep.on_voltage_change = change->quantity<Dimension::voltage>("voltage");
        keep.on_current_change = change->current_or_ratio("current");
        keep.on_temperature_change = change->quantity<Dimension::temperature_difference>("temperature");
        change->refuse_others();
    }
    keep.at = fields.times("at");
    if (keep.at.size() > keep_at_max) {
        fields.error(fields.place_of_element("at", keep_at_max), "'at' has " + std::to_string(keep.at.size()) +
                                                                     " times; at most " + std::to_string(keep_at_max) +
                                                                     " are possible, and 'every' keeps more");
        keep.at.resize(keep_at_max);
    }
    for (std::size_t i = 0; i < keep.at.size(); ++i) {
        const Duration before = i == 0 ? Duration{} : keep.at[i - 1];
        if (keep.at[i] <= before) {
            fields.error(fields.place_of_element("at", i),
                         "the times of 'at' grow: " + print(keep.at[i]) + " must be later than " + print(before));
        }
    }
    keep.mean_of = fields.quantity<Dimension::time>("mean_of");
    if (fields.has("mean_of") && !fields.has("at")) {
        fields.error(fields.place_of("mean_of"),
                     "'mean_of' is the span before each time of 'at', and there is no 'at'");
    } else if (keep.mean_of && !keep.at.empty() && *keep.mean_of > keep.at.front()) {
        fields.error(fields.place_of("mean_of"), "a mean over " + print(*keep.mean_of) +
                                                     " would begin before the first of 'at', " +
                                                     print(keep.at.front()) + "; write a shorter one");
    }
    fields.refuse_others();
    return keep;
}

void read_step(Fields& fields, Step& step, const Cell& cell) {
    read_name(fields, step);
    read_drive(fields, step);
    read_ends(fields, step);
    read_at_most(fields, step);
    read_only_if(fields, step);
    step.ambient = fields.quantity<Dimension::temperature>("ambient");
    step.together = fields.truth("together").value_or(false);
    if (auto limits = fields.table("limits")) {
        step.limits = parse_step_limits(std::move(*limits), cell);
    }
    if (auto keep = fields.table("keep")) {
        if (keep->empty()) {
            keep->error(keep->place(), "'keep' says nothing; write every, on_change or at, or remove it");
        }
        step.keep = read_keep(*keep);
    }
    if (step.kind == StepKind::ask) {
        read_ask(fields, step);
    }
}

}  // namespace slowfilm::protocol
