#include "daemon/protocol/parse_steps.hpp"

#include <algorithm>
#include <utility>

namespace slowfilm::protocol {
namespace {

constexpr std::size_t name_bytes_max = 100;
constexpr std::size_t prompt_bytes_max = 1'000;

std::string line_of(Place place) {
    return "line " + std::to_string(place.line);
}

// visits_max + 1 stands for "more": sums and products stay far from overflow.
std::uint64_t capped(std::uint64_t visits) {
    return std::min(visits, visits_max + 1);
}

std::uint64_t visits_of(const Step& step) {
    return step.kind == StepKind::repeat ? capped(1 + step.times * count_visits(step.steps)) : 1;
}

class StepsReader {
  public:
    ParsedSteps read(Table root) {
        std::vector<Table> tables = root.tables("step", Need::required, "step");
        if (root.has("step") && tables.empty() && !root.has_table("step")) {
            root.error(root.place_of("step"), "there is no step; write at least one [[step]]");
        }
        result_.steps = list(tables, 0);
        if (result_.whole) {
            bound_visits(root, result_.steps);
        }
        return std::move(result_);
    }

  private:
    // `depth`: how many repeats are around these steps.
    std::vector<Step> list(std::vector<Table>& tables, std::size_t depth) {
        std::vector<Step> steps;
        for (Table& table : tables) {
            if (++number_ > steps_max) {
                if (number_ == steps_max + 1) {
                    table.error(table.place(), "a protocol has at most " + std::to_string(steps_max) +
                                                   " steps; use `repeat` for what comes again");
                }
                result_.whole = false;
                break;
            }
            if (auto step = one(table, depth)) {
                steps.push_back(std::move(*step));
            } else {
                result_.whole = false;
            }
        }
        return steps;
    }

    std::optional<Step> one(Table& table, std::size_t depth) {
        const auto kind_index = table.word("do", step_words(), Need::required);
        if (!kind_index) {
            return std::nullopt;
        }
        Step step;
        step.kind = static_cast<StepKind>(*kind_index);
        step.path = table.path().substr(std::string_view{"step."}.size());
        step.place = table.place();
        Fields fields{table, grammar_section("step").keys, step.kind};
        static_cast<void>(fields.word("do"));
        read_name(fields, step);
        drive(fields, step);
        ends(fields, step);
        at_most(fields, step);
        prompt(fields, step);
        repeat(fields, table, step, depth);
        fields.refuse_others();
        return step;
    }

    static void read_name(Fields& fields, Step& step) {
        step.name = fields.text("name").value_or("");
        if (step.name.size() > name_bytes_max) {
            fields.error(fields.place_of("name"), "this name is longer than " + std::to_string(name_bytes_max) +
                                                      " bytes; put what is to be explained into a comment");
        }
        const bool control = std::any_of(step.name.begin(), step.name.end(),
                                         [](char c) { return static_cast<unsigned char>(c) < 0x20U || c == '\x7F'; });
        if (control) {
            fields.error(fields.place_of("name"), "a name is one line without control characters");
        }
    }

    // A rate where amperes belong or the other way round is the commonest slip: say the other key.
    static bool swapped(Fields& fields, std::string_view rate_key, std::string_view current_key) {
        const auto as_rate = fields.written(rate_key);
        if (as_rate && parse_quantity<Dimension::current>(*as_rate)) {
            fields.pass_over(rate_key);
            fields.error(fields.place_of(rate_key), "'" + std::string{rate_key} +
                                                        "' takes a rate such as \"C/20\"; for amperes write " +
                                                        std::string{current_key} + " = \"" + *as_rate + "\"");
            return true;
        }
        const auto as_current = fields.written(current_key);
        if (as_current && parse_rate(*as_current)) {
            fields.pass_over(current_key);
            fields.error(fields.place_of(current_key), "'" + std::string{current_key} +
                                                           "' takes amperes such as \"250 mA\"; for a rate write " +
                                                           std::string{rate_key} + " = \"" + *as_current + "\"");
            return true;
        }
        return false;
    }

    static std::optional<StepCurrent> rate_or_current(Fields& fields, StepKind kind, std::string_view rate_key,
                                                      std::string_view current_key) {
        if (swapped(fields, rate_key, current_key)) {
            return std::nullopt;
        }
        const auto rate = fields.rate(rate_key);
        const auto current = fields.quantity<Dimension::current>(current_key);
        const std::string both = "'" + std::string{rate_key} + "' and '" + std::string{current_key} + "'";
        if (fields.has(rate_key) && fields.has(current_key)) {
            fields.error(fields.place_of(current_key), both + " are both written; keep one");
            return std::nullopt;
        }
        if (!fields.has(rate_key) && !fields.has(current_key)) {
            fields.error(fields.place(), "this " + std::string{step_word(kind)} + " has neither " +
                                             std::string{rate_key} + " nor " + std::string{current_key} +
                                             "; write one, such as " + std::string{rate_key} + " = \"C/20\"");
        }
        if (rate) {
            return StepCurrent{*rate};
        }
        return current ? std::optional{StepCurrent{*current}} : std::nullopt;
    }

    template <class Value>
    static std::optional<OfCapacity<Value>> of_rated(const std::optional<Value>& value) {
        return value ? std::optional{OfCapacity<Value>{*value}} : std::nullopt;
    }

    static void drive(Fields& fields, Step& step) {
        switch (step.kind) {
            case StepKind::charge:
            case StepKind::discharge: step.current = rate_or_current(fields, step.kind, "rate", "current"); break;
            case StepKind::hold:
                step.current = rate_or_current(fields, step.kind, "rate_max", "current_max");
                step.voltage = fields.quantity<Dimension::voltage>("voltage");
                step.direction = static_cast<Direction>(fields.word("direction").value_or(0));
                break;
            case StepKind::rest:
            case StepKind::ramp:
            case StepKind::pulse:
            case StepKind::ask:
            case StepKind::repeat: break;
        }
    }

    static std::string ends_example(StepKind kind) {
        switch (kind) {
            case StepKind::charge:
            case StepKind::discharge: return "ends = { voltage = \"3.0 V\" }";
            case StepKind::hold: return "ends = { current = \"C/50\" }";
            case StepKind::rest:
            case StepKind::ramp:
            case StepKind::pulse:
            case StepKind::ask:
            case StepKind::repeat: return "ends = { time = \"12 h\" }";
        }
        return "";
    }

    static void ends(Fields& fields, Step& step) {
        const Key& key = grammar_key(grammar_section("step").keys, "ends");
        if ((key.required & only(step.kind)) == 0) {
            return;
        }
        if (!fields.has("ends")) {
            fields.pass_over("ends");
            fields.error(fields.place(), "this " + std::string{step_word(step.kind)} +
                                             " has no ends and would never end; write " + ends_example(step.kind));
            return;
        }
        auto table = fields.table("ends");
        if (!table) {
            return;
        }
        step.ends.voltage = table->quantity<Dimension::voltage>("voltage");
        step.ends.current = of_rated(table->current_or_rate("current"));
        step.ends.time = table->quantity<Dimension::time>("time");
        step.ends.amount = of_rated(table->charge_or_ratio("amount"));
        step.ends.net = of_rated(table->charge_or_ratio("net"));
        if (table->empty()) {
            table->error(table->place(),
                         "'ends' has no condition, so this step would never end; write " + ends_example(step.kind));
        }
        table->refuse_others();
    }

    static void at_most(Fields& fields, Step& step) {
        const Key& key = grammar_key(grammar_section("step").keys, "at_most");
        const bool required = (key.required & only(step.kind)) != 0 ||
                              (step.kind == StepKind::rest && !step.ends.time && fields.has("ends"));
        if (!fields.has("at_most")) {
            fields.pass_over("at_most");
            if (required) {
                fields.error(fields.place(), "this " + std::string{step_word(step.kind)} +
                                                 " has no at_most, the cap that stops it when it goes wrong; write "
                                                 "at_most = \"14 h\" or what fits");
            }
        } else if (fields.holds_table("at_most")) {
            if (auto table = fields.table("at_most")) {
                step.at_most.time = table->quantity<Dimension::time>("time");
                step.at_most.amount = of_rated(table->charge_or_ratio("amount"));
                table->refuse_others();
            }
        } else {
            step.at_most.time = fields.quantity<Dimension::time>("at_most");
        }
        overrun(fields, step);
    }

    static void overrun(Fields& fields, Step& step) {
        const auto word = fields.word("on_overrun");
        if (!word) {
            return;
        }
        step.on_overrun = static_cast<OnOverrun>(*word);
        const Place place = fields.place_of("on_overrun");
        if (!fields.has("at_most")) {
            fields.error(place, "'on_overrun' without at_most says nothing; write at_most, or remove the line");
        } else if (step.on_overrun == OnOverrun::next && step.at_most.amount) {
            fields.error(
                place,
                "on_overrun = \"next\" is for a cap of time only; with a cap of charge write \"stop\" or \"wait\"");
        } else if (step.on_overrun == OnOverrun::next && step.kind == StepKind::ask) {
            fields.error(place,
                         "on_overrun = \"next\" would go on though nobody has confirmed; write \"stop\" or \"wait\"");
        }
    }

    static void prompt(Fields& fields, Step& step) {
        step.prompt = fields.text("prompt").value_or("");
        if (step.kind != StepKind::ask || !fields.written("prompt")) {
            return;
        }
        if (step.prompt.find_first_not_of(" \t\n") == std::string::npos) {
            fields.error(fields.place_of("prompt"), "the prompt is empty; say what the person is to do");
        } else if (step.prompt.size() > prompt_bytes_max) {
            fields.error(fields.place_of("prompt"),
                         "this prompt is longer than " + std::to_string(prompt_bytes_max) + " bytes; say it shorter");
        }
    }

    void repeat(Fields& fields, Table& table, Step& step, std::size_t depth) {
        if (step.kind != StepKind::repeat) {
            refuse_steps_inside(table, step);
            fields.settled("step");
            return;
        }
        step.times = fields.count("times").value_or(1);
        if (depth == repeat_depth_max) {
            fields.pass_over("step");
            fields.error(step.place, "repeats stand more than " + std::to_string(repeat_depth_max) +
                                         " deep; make the protocol flatter");
            result_.whole = false;
            return;
        }
        if (!fields.has("step")) {
            fields.pass_over("step");
            fields.error(
                step.place,
                "this repeat has no steps; write [[step.step]] under it, a level deeper for each repeat around it");
            return;
        }
        std::vector<Table> inner = fields.steps("step", table.path());
        if (inner.empty() && !table.has_table("step")) {
            fields.error(fields.place_of("step"), "this repeat has no steps; write at least one");
        }
        step.steps = list(inner, depth + 1);
    }

    // Said once, at the inner step, with both lines.
    static void refuse_steps_inside(Table& table, const Step& step) {
        if (!table.has("step")) {
            return;
        }
        table.know("step");
        const Place inner = table.has_tables("step")
                                ? table.tables("step", Need::optional, table.path()).front().place()
                                : table.place_of("step");
        table.error(inner, "the step in " + line_of(inner) + " stands inside the " + std::string{step_word(step.kind)} +
                               " step in " + line_of(step.place) +
                               ", and only repeat has steps inside; TOML puts a [[step.step]] under the last [[step]] "
                               "before it: move it there where its repeat is, or write [[step]]");
    }

    static void bound_visits(Table& root, const std::vector<Step>& steps) {
        std::uint64_t sum = 0;
        for (const Step& step : steps) {
            sum = capped(sum + visits_of(step));
            if (sum > visits_max) {
                const Step* where = &step;
                while (const Step* inner = too_many_inside(*where)) {
                    where = inner;
                }
                root.error(where->place, "with this step the run would go through more than " +
                                             std::to_string(visits_max) + " steps; lower its times");
                return;
            }
        }
    }
    static const Step* too_many_inside(const Step& step) {
        for (const Step& inner : step.steps) {
            if (visits_of(inner) > visits_max) {
                return &inner;
            }
        }
        return nullptr;
    }

    ParsedSteps result_;
    std::size_t number_{0};
};

}  // namespace

std::uint64_t count_visits(const std::vector<Step>& steps) {
    std::uint64_t sum = 0;
    for (const Step& step : steps) {
        sum = capped(sum + visits_of(step));
    }
    return sum;
}

ParsedSteps parse_steps(Table root) {
    return StepsReader{}.read(std::move(root));
}

}  // namespace slowfilm::protocol
