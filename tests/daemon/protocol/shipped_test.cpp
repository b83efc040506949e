// The protocols that are shipped, and the reference beside them: models for a practitioner, so they must be without a
// flaw.
#include "daemon/protocol/check.hpp"
#include "daemon/protocol/grammar.hpp"
#include "daemon/protocol/guard_table.hpp"
#include "tests/daemon/protocol/files.hpp"

#include <algorithm>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <sstream>

namespace slowfilm::protocol {
namespace {

using namespace literals;
using ::testing::HasSubstr;
using ::testing::IsEmpty;

const std::filesystem::path folder = SLOWFILM_SOURCE_DIR "/protocols";

std::vector<std::string> shipped() {
    std::vector<std::string> names;
    for (const auto& entry : std::filesystem::directory_iterator(folder)) {
        if (entry.path().extension() == ".toml") {
            names.push_back(entry.path().filename().string());
        }
    }
    std::ranges::sort(names);
    return names;
}

class Shipped : public ::testing::TestWithParam<std::string> {
  protected:
    void SetUp() override {
        text = contents(folder / GetParam());
        checked = check_protocol(GetParam(), text);
        ASSERT_TRUE(checked.protocol) << render(checked.diagnostics, text);
    }
    std::string text;
    Checked checked;
};

TEST_P(Shipped, passes_check_without_errors_or_warnings) {
    EXPECT_THAT(checked.diagnostics.items, IsEmpty()) << render(checked.diagnostics, text);
}

TEST_P(Shipped, is_a_model_in_what_it_writes) {
    const Protocol& p = *checked.protocol;
    EXPECT_TRUE(text.starts_with("# ")) << "begins with what it is for";
    EXPECT_FALSE(p.title.empty());
    EXPECT_FALSE(p.about.empty());
    EXPECT_TRUE(p.start.temperature.min && p.start.temperature.max);
    EXPECT_TRUE(p.limits.low_voltage.written);
    EXPECT_TRUE(p.limits.temperature_max.warn);
    EXPECT_TRUE(p.keep.every);
    EXPECT_FALSE(p.accept.rules.empty());
    EXPECT_THAT(text, HasSubstr("[interruption]"));
    for (const Step& step : p.steps) {
        EXPECT_FALSE(step.name.empty()) << "step " << step.path;
    }
}

// The room that a first charge needs over the rated capacity: 115 % for NMC and 110 % for LFP, numbers of the trade
// quoted from memory; measured first charges of cells rated by their discharge lie at 110 to 115 %.
TEST_P(Shipped, leaves_room_for_the_first_charge) {
    const Protocol& p = *checked.protocol;
    if (p.cell.state != CellState::pristine) {
        EXPECT_TRUE(p.limits.climb.empty());
        return;
    }
    EXPECT_FALSE(p.limits.climb.empty());
    const Ratio needed = p.cell.chemistry == Chemistry::lfp_graphite ? 110_percent : 115_percent;
    const Charge most = charge_of(ChargeOrRatio{needed}, p.cell.capacity);
    EXPECT_GE(charge_of(*with_defaults(p).charge_leg_first, p.cell.capacity), most);
    EXPECT_GE(checked.bounds.charge_leg, most) << "the caps by time leave room too";
}

// Every full charge or discharge at a constant current may take 1.2 times what its rate says for the rated capacity.
TEST_P(Shipped, gives_full_charges_and_discharges_time) {
    const Protocol& p = *checked.protocol;
    const auto look = [&](const auto& self, const std::vector<Step>& steps) -> void {
        for (const Step& step : steps) {
            const bool down = step.kind == StepKind::discharge && step.ends.voltage == p.cell.window_min;
            if (down) {
                const Current current = current_of(step.current->value, p.cell.capacity);
                const Duration whole{p.cell.capacity.count / current.count * 1000};  // pC / nA is ms
                EXPECT_GE(*step.at_most.time, whole * 6 / 5) << "step " << step.path;
            }
            self(self, step.steps);
        }
    };
    look(look, p.steps);
}

INSTANTIATE_TEST_SUITE_P(Files, Shipped, ::testing::ValuesIn(shipped()), [](const auto& info) {
    std::string name = info.param.substr(0, info.param.find('.'));
    std::ranges::replace(name, '-', '_');
    return name;
});

TEST(ShippedProtocols, are_at_least_six_and_cover_the_states_and_chemistries) {
    bool lfp = false, nmc = false, formed = false, asks = false;
    for (const std::string& name : shipped()) {
        const std::string text = contents(folder / name);
        const Checked checked = check_protocol(name, text);
        ASSERT_TRUE(checked.protocol) << name;
        lfp = lfp || checked.protocol->cell.chemistry == Chemistry::lfp_graphite;
        nmc = nmc || checked.protocol->cell.chemistry == Chemistry::nmc_graphite;
        formed = formed || checked.protocol->cell.state == CellState::formed;
        asks = asks || checked.bounds.ask_time.count > 0;
    }
    EXPECT_GE(shipped().size(), 6U);
    EXPECT_TRUE(lfp && nmc && formed && asks);
}

// The reference, out of the grammar and the guard table.

std::string words_of(std::span<const std::string_view> words) {
    std::string text;
    for (const std::string_view word : words) {
        text += (text.empty() ? "`\"" : ", `\"") + std::string(word) + "\"`";
    }
    return text;
}

std::string example_of(Dimension dimension) {
    switch (dimension) {
        case Dimension::time: return "a time: `\"90 s\"`, `\"36 h\"`";
        case Dimension::voltage: return "a voltage: `\"4.20 V\"`, `\"2 mV\"`";
        case Dimension::current: return "a current: `\"350 mA\"`";
        case Dimension::charge: return "a charge: `\"0.5 Ah\"`";
        case Dimension::temperature: return "a temperature: `\"45 degC\"`";
        case Dimension::temperature_difference: return "a difference: `\"2 K\"`";
        case Dimension::temperature_slope: return "a slope: `\"2 K/min\"`";
        case Dimension::voltage_slope: return "a slope: `\"0.5 mV/h\"`";
        case Dimension::resistance: return "a resistance: `\"2.1 mohm\"`";
        case Dimension::ratio: return "a percentage: `\"84 %\"`";
        case Dimension::rate: return "a rate: `\"C/20\"`, `\"0.1C\"`";
    }
    return {};
}

std::string takes(const Key& key) {
    const std::string also = key.also == Also::of_measured ? ", also `of measured`"
                             : key.also == Also::now       ? ", or `\"now\"`"
                                                           : "";
    switch (key.kind) {
        case KeyKind::text: return "text";
        case KeyKind::truth: return "`true` or `false`";
        case KeyKind::count: return "a bare integer from 1";
        case KeyKind::number: return "a bare number";
        case KeyKind::word: return (key.words.size() > 1 ? "one of " : "") + words_of(key.words);
        case KeyKind::quantity: return example_of(key.dimension) + also;
        case KeyKind::rate: return example_of(Dimension::rate) + also;
        case KeyKind::current_or_rate:
            return std::string(key.sign == Sign::any ? "a current or a rate, signed: `\"-350 mA\"`, `\"C/50\"`"
                                                     : "a current or a rate: `\"350 mA\"`, `\"C/50\"`") +
                   also;
        case KeyKind::charge_or_ratio: return "a charge or a percentage of rated: `\"0.5 Ah\"`, `\"35 %\"`" + also;
        case KeyKind::current_or_ratio: return "a current or a percentage: `\"10 mA\"`, `\"1 %\"`";
        case KeyKind::figure_value:
            return "a value of the figure: `\"84 %\"`, `\"4.8 Ah\"`, `\"40 mohm\"`, `\"2 mV/d\"`";
        case KeyKind::times: return "a list of times: `[\"1 h\", \"3 d\"]`";
        case KeyKind::table: return "a table";
        case KeyKind::value_or_table: return example_of(key.dimension) + "; or a table";
        case KeyKind::limit: return example_of(key.dimension) + "; or a table";
        case KeyKind::current_limit: return "a current or a rate: `\"1.2 A\"`, `\"C/4\"`; or a table";
        case KeyKind::charge_limit: return "a charge or a percentage of rated: `\"50 mAh\"`, `\"2 %\"`; or a table";
        case KeyKind::list: return "a list of tables";
        case KeyKind::steps: return "steps of its own";
    }
    return {};
}

const GuardRow* guard_of(std::string_view key) {
    const auto table = guard_table();
    const auto found = std::ranges::find_if(table, [&](const GuardRow& row) { return !key.empty() && row.key == key; });
    return found == table.end() ? nullptr : &*found;
}

// The dotted name of a key, as complaints of the checker spell it.
void rows(std::string& out, std::span<const Key> keys, const std::string& prefix, bool steps, bool limits) {
    for (const Key& key : keys) {
        const GuardRow* guard = (limits && prefix.empty()) || prefix == "limits." ? guard_of(key.name) : nullptr;
        const std::string name = prefix + std::string(key.name);
        std::string need;
        if (steps) {
            need = key.allowed == every_kind ? "all" : step_list(key.allowed);
            if (key.required == every_kind || (key.required == key.allowed && key.required != 0)) {
                need += "; required";
            } else if (key.required != 0) {
                need += "; required in " + step_list(key.required);
            }
        } else {
            need = key.required != 0 ? "must be written" : std::string(guard ? guard->by_default : key.by_default);
        }
        std::string meaning(guard ? "trips when " + std::string(guard->fires_when) : std::string(key.meaning));
        if (steps && !key.by_default.empty()) {
            meaning += " (default `\"" + std::string(key.by_default) + "\"`)";
        }
        out += "| `" + name + "` | " + takes(key) + " | " + need + " | " + meaning + " |\n";
        // warn, trip and for mean the same in every limit; the text above the reference says what.
        const bool limit =
            key.kind == KeyKind::limit || key.kind == KeyKind::current_limit || key.kind == KeyKind::charge_limit;
        for (const Key& inner : key.inside) {
            if (!limit || (inner.name != "warn" && inner.name != "trip" && inner.name != "for")) {
                rows(out, std::span(&inner, 1), name + ".", steps, limits);
            }
        }
    }
}

std::string persistence_of(const GuardRow& row) {
    if (!row.persists) {
        return "-";
    }
    std::string text = row.persistence.count == 0 ? "2 samples" : print(row.persistence);
    if (row.hardness != Hardness::soft && row.persistence_max > row.persistence) {
        text += ", at most " + print(row.persistence_max);
    }
    return text;
}

std::string_view hardness_word(Hardness hardness) {
    switch (hardness) {
        case Hardness::soft: return "soft";
        case Hardness::hard: return "hard";
        case Hardness::hard_where_on: return "hard where on";
    }
    return {};
}

std::string reference() {
    std::string out;
    for (const Section& section : grammar()) {
        const bool steps = section.name == "step";
        out +=
            "### " +
            (section.heading.empty() ? std::string("The top of the file") : "`" + std::string(section.heading) + "`") +
            "\n\n" + std::string(section.meaning) + (section.required ? " (required)" : "") + "\n\n";
        out += steps ? "| key | takes | in | meaning |\n" : "| key | takes | default | meaning |\n";
        out += "| --- | --- | --- | --- |\n";
        rows(out, section.keys, "", steps, section.name == "limits");
        out += "\n";
    }
    out +=
        "### Every guard\n\nA cell trip ends the run and quarantines the cell. A channel trip waits for a person.\n\n";
    out += "| guard | key | class | kind | default | must last | reads | judged | trips when | why |\n";
    out += "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |\n";
    for (const GuardRow& row : guard_table()) {
        out += "| " + std::string(row.name) + " | " +
               (row.key.empty() ? std::string("-") : "`" + std::string(row.key) + "`") + " | " +
               (row.trip_class == TripClass::cell ? "cell" : "channel") + " | " +
               std::string(hardness_word(row.hardness)) + " | " + std::string(row.by_default) + " | " +
               persistence_of(row) + " | " + std::string(row.reads) + " | " + std::string(row.judged) + " | " +
               std::string(row.fires_when) + " | " + std::string(row.why) + " |\n";
    }
    return out;
}

constexpr std::string_view begin_mark = "<!-- generated from the grammar: begin -->\n";
constexpr std::string_view end_mark = "<!-- generated from the grammar: end -->\n";

TEST(ProtocolsReadme, says_of_the_language_what_the_grammar_says) {
    const std::filesystem::path path = folder / "README.md";
    const std::string text = contents(path);
    const std::size_t begin = text.find(begin_mark);
    const std::size_t end = text.find(end_mark);
    ASSERT_NE(begin, std::string::npos);
    ASSERT_NE(end, std::string::npos);
    const std::size_t from = begin + begin_mark.size();
    const std::string wanted = "\n" + reference() + "\n";
    if (const char* update = std::getenv("SLOWFILM_UPDATE"); update != nullptr && std::string_view(update) == "1") {
        std::ofstream(path, std::ios::binary) << text.substr(0, from) << wanted << text.substr(end);
        return;
    }
    EXPECT_EQ(text.substr(from, end - from), wanted)
        << "run this test with SLOWFILM_UPDATE=1 to write the reference anew";
}

TEST(ProtocolsReadme, names_every_shipped_protocol) {
    const std::string text = contents(folder / "README.md");
    for (const std::string& name : shipped()) {
        EXPECT_THAT(text, HasSubstr("](" + name + ")"));
    }
}

// The examples between ```toml and ``` are whole protocols or steps; the whole ones must pass.
TEST(ProtocolsReadme, shows_a_first_protocol_that_passes) {
    const std::string text = contents(folder / "README.md");
    const std::size_t begin = text.find("```toml\nformat = 1");
    ASSERT_NE(begin, std::string::npos);
    const std::size_t from = begin + std::string_view("```toml\n").size();
    const std::string example = text.substr(from, text.find("```\n", from) - from);
    const Checked checked = check_protocol("README.md", example);
    EXPECT_THAT(checked.diagnostics.items, IsEmpty()) << render(checked.diagnostics, example);
}

}  // namespace
}  // namespace slowfilm::protocol
