// What ends a step, what caps it, and when it is done at all.
#include "daemon/protocol/parse_limits.hpp"
#include "daemon/protocol/parse_steps.hpp"

#include <utility>

namespace slowfilm::protocol {
namespace {

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

}  // namespace

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

}  // namespace slowfilm::protocol
