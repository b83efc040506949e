#include "daemon/protocol/parse_steps.hpp"

#include <algorithm>
#include <utility>

namespace slowfilm::protocol {
namespace {

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
    explicit StepsReader(const Cell& cell) : cell_(cell) {}

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
        read_step(fields, step, cell_);
        repeat(fields, table, step, depth);
        fields.refuse_others();
        return step;
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

    const Cell& cell_;
    ParsedSteps result_;
    std::size_t number_{0};
};

}  // namespace

std::string a_step(const Step& step) {
    return "this " + std::string{step_word(step.kind)};
}

std::uint64_t count_visits(const std::vector<Step>& steps) {
    std::uint64_t sum = 0;
    for (const Step& step : steps) {
        sum = capped(sum + visits_of(step));
    }
    return sum;
}

ParsedSteps parse_steps(Table root, const Cell& cell) {
    return StepsReader{cell}.read(std::move(root));
}

}  // namespace slowfilm::protocol
