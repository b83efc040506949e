// What one step says: how it is driven, what ends it, what caps it, and the rest of its keys.
#include "daemon/protocol/parse_limits.hpp"
#include "daemon/protocol/parse_steps.hpp"

#include <algorithm>
#include <utility>

namespace slowfilm::protocol {
namespace {

constexpr std::size_t name_bytes_max = 100;
constexpr std::size_t unit_bytes_max = 20;
constexpr std::size_t prompt_bytes_max = 1'000;

std::string a_step(const Step& step) {
    return "this " + std::string{step_word(step.kind)};
}

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

// --- drive

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

// --- ends

std::string ends_example(StepKind kind) {
    switch (kind) {
        case StepKind::charge:
        case StepKind::discharge: return "ends = { voltage = \"3.0 V\" }";
        case StepKind::hold: return "ends = { current = \"C/50\" }";
        case StepKind::repeat: return "ends = { figure = \"discharge_capacity\", below = \"1 %\" }";
        case StepKind::rest:
        case StepKind::ramp:
        case StepKind::pulse:
        case StepKind::ask: return "ends = { time = \"12 h\" }";
    }
    return "";
}

void read_voltage_end(Fields& ends, Step& step) {
    const Fields::Form form = ends.form("voltage");
    if (form == Fields::Form::plain) {
        step.ends.voltage = ends.quantity<Dimension::voltage>("voltage");
        return;
    }
    if (form != Fields::Form::table) {
        return;
    }
    if (auto side = ends.table("voltage")) {
        step.ends.above = side->quantity<Dimension::voltage>("above");
        step.ends.below = side->quantity<Dimension::voltage>("below");
        if (side->has("above") == side->has("below")) {
            side->error(side->has("above") ? side->place_of("below") : side->place(),
                        "'voltage' takes one side: { above = \"3.0 V\" } or { below = \"3.0 V\" }");
        }
        side->refuse_others();
    }
}

void read_temperature_end(Fields& ends, Step& step) {
    if (auto table = ends.table("temperature")) {
        TemperatureEnd end;
        end.min = table->quantity<Dimension::temperature>("min");
        end.max = table->quantity<Dimension::temperature>("max");
        end.held = table->quantity<Dimension::time>("for");
        if (upside_down(end.min, end.max)) {
            table->error(table->place_of("max"), "'temperature' has its max at or below its min; max must be above it");
        }
        if (!table->has("min") && !table->has("max")) {
            table->error(table->place(),
                         "'temperature' says neither min nor max; write one, such as { min = \"44 degC\" }");
        }
        table->refuse_others();
        if (end.min || end.max) {
            step.ends.temperature = end;
        }
    }
}

void read_settle(Fields& ends, Step& step) {
    if (auto table = ends.table("settle")) {
        const auto below = table->quantity<Dimension::voltage_slope>("below");
        const auto over = table->quantity<Dimension::time>("over");
        table->refuse_others();
        if (below && over) {
            step.ends.settle = Settle{*below, *over};
        }
    }
}

std::optional<FigureId> figure_of(Fields& fields, std::string_view key) {
    const auto word = fields.word(key);
    return word ? figure_named(fields.key(key).words[*word]) : std::nullopt;
}

void read_ends(Fields& fields, Step& step) {
    const Key& key = fields.key("ends");
    const bool allowed = (key.allowed & only(step.kind)) != 0;
    const bool required = (key.required & only(step.kind)) != 0;
    if (!fields.has("ends") && required) {
        fields.pass_over("ends");
        fields.error(fields.place(),
                     a_step(step) + " has no ends and would never end; write " + ends_example(step.kind));
        return;
    }
    auto table = allowed ? fields.table("ends") : std::nullopt;
    if (!table) {
        return;
    }
    if (step.kind == StepKind::repeat) {
        const auto figure = figure_of(*table, "figure");
        const auto below = table->quantity<Dimension::ratio>("below");
        if (figure && below) {
            step.ends.figure = FigureEnd{*figure, *below};
        }
    } else {
        read_voltage_end(*table, step);
        step.ends.current = table->step_current("current");
        step.ends.time = table->quantity<Dimension::time>("time");
        step.ends.amount = table->step_charge("amount");
        step.ends.net = table->step_charge("net");
        read_temperature_end(*table, step);
        read_settle(*table, step);
        if (table->empty()) {
            table->error(table->place(), required ? "'ends' has no condition, so this step would never end; write " +
                                                        ends_example(step.kind)
                                                  : "'ends' has no condition; write one, or remove it");
        }
    }
    table->refuse_others();
}

// --- caps

void read_overrun(Fields& fields, Step& step) {
    const auto word = fields.word("on_overrun");
    if (!word) {
        return;
    }
    step.on_overrun = static_cast<OnOverrun>(*word);
    const Place place = fields.place_of("on_overrun");
    if (!fields.has("at_most") && !fields.has("good_end")) {
        fields.error(place, "'on_overrun' without at_most says nothing; write at_most, or remove the line");
    } else if (step.on_overrun == OnOverrun::next && step.at_most.amount) {
        fields.error(
            place, "on_overrun = \"next\" is for a cap of time only; with a cap of charge write \"stop\" or \"wait\"");
    } else if (step.on_overrun == OnOverrun::next && step.kind == StepKind::ask) {
        fields.error(place,
                     "on_overrun = \"next\" would go on though nobody has confirmed; write \"stop\" or \"wait\"");
    }
}

void read_at_most(Fields& fields, Step& step) {
    const bool required = (fields.key("at_most").required & only(step.kind)) != 0 ||
                          (step.kind == StepKind::rest && !step.ends.time && fields.has("ends"));
    if (!fields.has("at_most")) {
        fields.pass_over("at_most");
        if (required) {
            fields.error(fields.place(), a_step(step) +
                                             " has no at_most, the cap that stops it when it goes wrong; write "
                                             "at_most = \"14 h\" or what fits");
        }
    } else if (fields.holds_table("at_most")) {
        if (auto table = fields.table("at_most")) {
            step.at_most.time = table->quantity<Dimension::time>("time");
            step.at_most.amount = table->step_charge("amount");
            table->refuse_others();
        }
    } else {
        step.at_most.time = fields.quantity<Dimension::time>("at_most");
    }
    read_overrun(fields, step);
    step.not_before = fields.quantity<Dimension::time>("not_before");
    if (const auto good = fields.word("good_end")) {
        step.good_end = static_cast<GoodEnd>(*good + 1);  // GoodEnd::any has no word
    }
}

// --- what else a step may say

void read_only_if(Fields& fields, Step& step) {
    auto table = fields.table("only_if");
    if (!table) {
        return;
    }
    OnlyIf only_if;
    const auto figure = figure_of(*table, "figure");
    if (figure) {
        only_if.figure = *figure;
    }
    const auto dimension = figure ? std::optional{dimension_of(*figure)} : std::nullopt;
    only_if.above = table->figure_value("above", dimension);
    only_if.below = table->figure_value("below", dimension);
    if (table->has("above") == table->has("below")) {
        table->error(table->has("above") ? table->place_of("below") : table->place(),
                     "'only_if' takes one side: 'above' or 'below', with a value of the figure");
    }
    only_if.from = table->quantity<Dimension::time>("from");
    only_if.to = table->quantity<Dimension::time>("to");
    if (figure && *figure != FigureId::k_value && (table->has("from") || table->has("to"))) {
        table->error(table->place_of(table->has("from") ? "from" : "to"),
                     "'from' and 'to' belong to k_value, not to " + std::string{name(*figure)} + "; remove them");
    } else if (figure == FigureId::k_value && !(table->has("from") && table->has("to"))) {
        table->error(table->place(), "k_value is between two times; write from and to, two of a step's keep.at");
    } else if (upside_down(only_if.from, only_if.to)) {
        table->error(table->place_of("to"), "'to' is at or before 'from'; it must be the later of the two");
    }
    table->refuse_others();
    if (figure && (only_if.above || only_if.below)) {
        step.only_if = only_if;
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
