// The JSON Schema (2020-12) of the language, for editors that know TOML: written out of the grammar that the parser
// reads by, and judged by a validator that knows nothing of either.
#include "daemon/core/unit_table.hpp"
#include "daemon/protocol/grammar.hpp"
#include "daemon/protocol/guard_table.hpp"
#include "daemon/protocol/parse.hpp"
#include "daemon/protocol/print.hpp"
#include "tests/daemon/protocol/any_protocol.hpp"
#include "tests/daemon/protocol/files.hpp"
#include "tests/property.hpp"

#include <algorithm>
#include <boost/json/array.hpp>
#include <boost/json/object.hpp>
#include <boost/json/parse.hpp>
#include <boost/json/serialize.hpp>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <map>
#include <set>
#include <sstream>

namespace slowfilm::protocol {
namespace {

namespace json = boost::json;
using ::testing::HasSubstr;

const std::filesystem::path source = SLOWFILM_SOURCE_DIR;
const std::filesystem::path schema_file = source / "protocols/protocol.schema.json";

// --- grammar to schema

// As core/decimal.cpp reads it.
constexpr std::string_view unsigned_number = R"([0-9]+(\.[0-9]+)?(e-?[0-9]+)?)";

std::string number_of(bool with_sign) {
    return (with_sign ? "-?" : "") + std::string(unsigned_number);
}

std::string quantity_pattern(Dimension dimension, bool with_sign) {
    std::string units;
    for (const WrittenUnit& unit : words_of(dimension).units) {
        // Letters, "/" and "%": nothing that a pattern takes for its own.
        units += (units.empty() ? "" : "|") + std::string(unit.name);
    }
    return number_of(with_sign && words_of(dimension).may_be_negative) + " ?(" + units + ")";
}

std::string rate_pattern() {
    return "(C/" + std::string(unsigned_number) + "|" + std::string(unsigned_number) + " ?C)";
}

// Under $defs, once for all that are alike: {"$ref": "#/$defs/NAME"}.
class Definitions {
  public:
    json::object refer(const std::string& name, json::object definition) {
        const auto [at, added] = all_.try_emplace(name, definition);
        EXPECT_EQ(at->second, definition) << name << " stands for two";
        return {{"$ref", "#/$defs/" + name}};
    }
    void put_into(json::object& defs) const {
        for (const auto& [name, definition] : all_) {
            defs[name] = definition;
        }
    }

  private:
    std::map<std::string, json::object> all_;
};

Definitions& definitions() {
    static Definitions all;
    return all;
}

// What a text may be: one of `forms`, from its first character to its last.
json::object text_like(const std::vector<std::string>& forms) {
    std::string pattern;
    for (const std::string& form : forms) {
        pattern += (pattern.empty() ? "" : "|") + form;
    }
    return {{"type", "string"}, {"pattern", "^(" + pattern + ")$"}};
}

std::string snake(std::string_view words) {
    std::string name(words);
    std::ranges::replace(name, ' ', '_');
    return name;
}

json::object pattern_of(const Key& key, KeyKind kind) {
    std::string name = snake(words_of(key.dimension).name);
    const bool with_sign = key.sign == Sign::any;
    const std::string measured = key.also == Also::of_measured ? "( of measured)?" : "";
    std::vector<std::string> forms;
    switch (kind) {
        case KeyKind::rate:
            name = "rate";
            forms = {rate_pattern() + measured};
            break;
        case KeyKind::current_or_rate: {
            const std::string sign = with_sign ? "-?" : "";
            name = "current_or_rate";
            forms = {sign + quantity_pattern(Dimension::current, false), sign + rate_pattern() + measured};
            break;
        }
        case KeyKind::charge_or_ratio:
            name = "charge_or_ratio";
            forms = {quantity_pattern(Dimension::charge, false), quantity_pattern(Dimension::ratio, false) + measured};
            break;
        case KeyKind::current_or_ratio:
            name = "current_or_ratio";
            forms = {quantity_pattern(Dimension::current, false), quantity_pattern(Dimension::ratio, false)};
            break;
        case KeyKind::figure_value:
            name = "figure_value";
            for (const Dimension each :
                 {Dimension::ratio, Dimension::charge, Dimension::resistance, Dimension::voltage_slope}) {
                forms.push_back(quantity_pattern(each, true));
            }
            break;
        case KeyKind::quantity:
        case KeyKind::times:
        case KeyKind::value_or_table:
        case KeyKind::limit:
        case KeyKind::text:
        case KeyKind::truth:
        case KeyKind::count:
        case KeyKind::number:
        case KeyKind::word:
        case KeyKind::table:
        case KeyKind::current_limit:
        case KeyKind::charge_limit:
        case KeyKind::list:
        case KeyKind::steps: forms = {quantity_pattern(key.dimension, with_sign)}; break;
    }
    if (key.also == Also::now) {
        forms.emplace_back("now");
    }
    name += with_sign ? "_signed" : "";
    name += key.also == Also::of_measured ? "_of_measured" : key.also == Also::now ? "_or_now" : "";
    return definitions().refer(name, text_like(forms));
}

bool allowed(const Key& key, std::optional<StepKind> kind) {
    return !kind || (key.allowed & only(*kind)) != 0;
}

bool required(const Key& key, std::optional<StepKind> kind) {
    return kind ? (key.required & only(*kind)) != 0 : key.required != 0;
}

const GuardRow* guard_of(std::string_view key) {
    const auto table = guard_table();
    const auto found = std::ranges::find_if(table, [&](const GuardRow& row) { return !key.empty() && row.key == key; });
    return found == table.end() ? nullptr : &*found;
}

// Whose table is read: a step's limits are never off and always trip.
struct Where {
    std::optional<StepKind> kind;
    bool limits{false};
};

json::object table_schema(std::span<const Key> keys, Where where);

json::object any_of(json::array choices) {
    return choices.size() == 1 ? choices[0].as_object() : json::object{{"anyOf", std::move(choices)}};
}

json::object limit_schema(const Key& key, KeyKind value, Where where) {
    json::object table = table_schema(key.inside, {});
    const GuardRow* const guard = guard_of(key.name);
    const bool in_step = where.kind.has_value();
    if (in_step || key.required != 0) {
        table["required"] = json::array{"trip"};
    } else if (guard->hardness != Hardness::soft) {
        table["dependentRequired"] = json::object{{"warn", json::array{"trip"}}};
    }
    table["minProperties"] = 1;
    json::array choices{pattern_of(key, value), std::move(table)};
    if (!in_step && guard->hardness != Hardness::hard) {
        choices.push_back(json::object{{"const", "off"}});
    }
    return any_of(std::move(choices));
}

json::object value_or_table(const Key& key, Where where) {
    json::array choices;
    if (!where.kind || (key.plain & only(*where.kind)) != 0) {
        choices.push_back(pattern_of(key, KeyKind::quantity));
    }
    if (std::ranges::any_of(key.inside, [&](const Key& inner) { return allowed(inner, where.kind); })) {
        choices.push_back(table_schema(key.inside, where));
    }
    return any_of(std::move(choices));
}

json::array words(std::span<const std::string_view> list) {
    json::array array;
    for (const std::string_view word : list) {
        array.emplace_back(word);
    }
    return array;
}

json::object value_schema(const Key& key, Where where) {
    switch (key.kind) {
        case KeyKind::text: return {{"type", "string"}};
        case KeyKind::truth: return {{"type", "boolean"}};
        case KeyKind::count: return {{"type", "integer"}, {"minimum", 1}, {"maximum", 1'000'000}};
        case KeyKind::number:
            return {{"type", "number"}, {"minimum", -1.7976931348623157e308}, {"maximum", 1.7976931348623157e308}};
        case KeyKind::word: return {{"enum", words(key.words)}};
        case KeyKind::quantity:
        case KeyKind::rate:
        case KeyKind::current_or_rate:
        case KeyKind::charge_or_ratio:
        case KeyKind::current_or_ratio:
        case KeyKind::figure_value: return pattern_of(key, key.kind);
        case KeyKind::times:
            return {{"type", "array"},
                    {"minItems", 1},
                    {"maxItems", keep_at_max},
                    {"items", pattern_of(key, KeyKind::quantity)}};
        case KeyKind::table: {
            json::object table = table_schema(key.inside, {where.kind, key.name == "limits"});
            table["minProperties"] = 1;
            // These are the same in every kind of step.
            const bool alike = where.kind && (key.name == "limits" || key.name == "keep" || key.name == "only_if");
            return alike ? definitions().refer("step_" + std::string(key.name), std::move(table)) : table;
        }
        case KeyKind::value_or_table: return value_or_table(key, where);
        case KeyKind::limit: return limit_schema(key, KeyKind::quantity, where);
        case KeyKind::current_limit: return limit_schema(key, KeyKind::current_or_rate, where);
        case KeyKind::charge_limit: return limit_schema(key, KeyKind::charge_or_ratio, where);
        case KeyKind::list: {
            json::object list{{"type", "array"}, {"maxItems", 16}, {"items", table_schema(key.inside, where)}};
            if (required(key, where.kind)) {
                list["minItems"] = 1;
            }
            return list;
        }
        case KeyKind::steps:
            return {{"type", "array"}, {"minItems", 1}, {"items", json::object{{"$ref", "#/$defs/step"}}}};
    }
    return {};
}

// Where exactly one of several keys must be written.
json::array exactly_one(std::span<const Key> keys, Where where) {
    std::map<std::string_view, json::array> groups;
    for (const Key& key : keys) {
        const bool here = !where.kind || (key.one_in & only(*where.kind)) != 0;
        if (!key.one_of.empty() && here && allowed(key, where.kind)) {
            groups[key.one_of].push_back(json::object{{"required", json::array{key.name}}});
        }
    }
    json::array all;
    for (auto& [word, choices] : groups) {
        if (choices.size() > 1) {
            all.push_back(json::object{{"oneOf", std::move(choices)}});
        }
    }
    return all;
}

json::object table_schema(std::span<const Key> keys, Where where) {
    json::object properties;
    json::array must;
    for (const Key& key : keys) {
        if (!allowed(key, where.kind)) {
            continue;
        }
        json::object value = value_schema(key, where);
        const GuardRow* const guard = where.limits ? guard_of(key.name) : nullptr;
        if (const std::string_view meaning = guard != nullptr ? guard->fires_when : key.meaning; !meaning.empty()) {
            value["description"] = (guard != nullptr ? "trips when " : "") + std::string(meaning);
        }
        properties[key.name] = std::move(value);
        if (required(key, where.kind)) {
            must.emplace_back(key.name);
        }
    }
    json::object table{{"type", "object"}, {"additionalProperties", false}, {"properties", std::move(properties)}};
    if (!must.empty()) {
        table["required"] = std::move(must);
    }
    if (json::array one = exactly_one(keys, where); !one.empty()) {
        table["allOf"] = std::move(one);
    }
    return table;
}

json::object step_schema(StepKind kind) {
    json::object step = table_schema(grammar_section("step").keys, {kind});
    step["properties"].as_object()["do"] = json::object{{"const", step_word(kind)}};
    if (kind == StepKind::rest) {  // what may never come needs a cap
        step["anyOf"] = json::array{
            json::object{{"required", json::array{"at_most"}}},
            json::object{{"properties", json::object{{"ends", json::object{{"required", json::array{"time"}}}}}}}};
    }
    if ((only(kind) & grammar_key(grammar_section("step").keys, "ends").required) != 0) {
        step["properties"].as_object()["ends"].as_object()["minProperties"] = 1;
    }
    return step;
}

json::object schema() {
    json::object properties;
    json::array must;
    json::object defs;
    json::array kinds;
    for (std::size_t i = 0; i < step_words().size(); ++i) {
        const std::string name = "step_" + std::string(step_words()[i]);
        defs[name] = step_schema(static_cast<StepKind>(i));
        kinds.push_back(json::object{{"$ref", "#/$defs/" + name}});
    }
    defs["step"] = json::object{{"oneOf", std::move(kinds)}};
    for (const Section& section : grammar()) {
        if (section.name.empty()) {
            const json::object top = table_schema(section.keys, {});
            properties = top.at("properties").as_object();
            must = top.at("required").as_array();
            properties["format"].as_object()["const"] = 1;
            continue;
        }
        json::object value =
            section.name == "step"
                ? json::object{{"type", "array"}, {"minItems", 1}, {"items", json::object{{"$ref", "#/$defs/step"}}}}
                : table_schema(section.keys, {std::nullopt, section.name == "limits"});
        value["description"] = section.meaning;
        properties[section.name] = std::move(value);
        if (section.required) {
            must.emplace_back(section.name);
        }
    }
    definitions().put_into(defs);
    return {
        {"$schema", "https://json-schema.org/draft/2020-12/schema"},
        {"title", "A slowfilm protocol"},
        {"description",
         "Keys, types and units, out of the grammar that `slowfilm check` reads by; what the values mean for a cell, "
         "only `slowfilm check` knows."},
        {"type", "object"},
        {"additionalProperties", false},
        {"properties", std::move(properties)},
        {"required", std::move(must)},
        {"$defs", std::move(defs)}};
}

void pretty(std::string& out, const json::value& value, std::size_t depth) {
    const std::string indent(2 * depth, ' ');
    const bool flat = json::serialize(value).size() + 2 * depth <= 100;
    if (const json::object* object = value.if_object(); object != nullptr && !flat) {
        out += "{";
        for (const auto& member : *object) {
            out +=
                (out.back() == '{' ? "\n" : ",\n") + indent + "  " + json::serialize(json::value(member.key())) + ": ";
            pretty(out, member.value(), depth + 1);
        }
        out += "\n" + indent + "}";
    } else if (const json::array* array = value.if_array(); array != nullptr && !flat) {
        out += "[";
        for (const json::value& element : *array) {
            out += (out.back() == '[' ? "\n" : ",\n") + indent + "  ";
            pretty(out, element, depth + 1);
        }
        out += "\n" + indent + "]";
    } else {
        out += json::serialize(value);
    }
}

TEST(Schema, says_of_the_language_what_the_grammar_says) {
    std::string wanted;
    pretty(wanted, schema(), 0);
    wanted += "\n";
    if (const char* update = std::getenv("SLOWFILM_UPDATE"); update != nullptr && std::string_view(update) == "1") {
        std::ofstream(schema_file, std::ios::binary) << wanted;
        return;
    }
    EXPECT_TRUE(contents(schema_file) == wanted) << "run this test with SLOWFILM_UPDATE=1 to write the schema anew";
}

// --- an independent validator: python3-jsonschema

// What it says of each file: "" where it takes it, else why not.
std::map<std::string, std::string> verdicts(const std::filesystem::path& folder) {
    const std::string command = "python3 '" + (source / "tests/daemon/protocol/schema.py").string() + "' '" +
                                schema_file.string() + "' '" + folder.string() + "' 2>&1";
    std::string said;
    FILE* const pipe = ::popen(command.c_str(), "r");
    EXPECT_NE(pipe, nullptr);
    for (int c = std::fgetc(pipe); c != EOF; c = std::fgetc(pipe)) {
        said += static_cast<char>(c);
    }
    EXPECT_EQ(::pclose(pipe), 0) << said;
    std::map<std::string, std::string> answers;
    const json::value parsed = json::parse(said);
    for (const auto& member : parsed.as_object()) {
        answers[std::string(member.key())] = std::string(member.value().as_string());
    }
    return answers;
}

TEST(Schema, takes_every_shipped_protocol) {
    const auto answers = verdicts(source / "protocols");
    EXPECT_GE(answers.size(), 6U);
    for (const auto& [file, why] : answers) {
        EXPECT_EQ(why, "") << file;
    }
}

// Faults of the file that are neither key, type nor unit: a schema cannot say them.
const std::set<std::string> beyond_a_schema{
    // two values compared
    "syntax-accept-upside-down.toml", "syntax-keep-at-goes-back.toml", "syntax-window-upside-down.toml",
    "syntax-warn-after-trip.toml", "syntax-warn-after-trip-low.toml", "syntax-warn-after-trip-rate.toml",
    // a value out of bounds, zero or beyond sense
    "syntax-hard-guard-slow.toml", "syntax-temperature-guard-slow.toml", "syntax-charge-temperature-slow.toml",
    "syntax-too-high.toml", "syntax-too-hot.toml", "syntax-too-long.toml", "syntax-zero-capacity.toml",
    "syntax-zero-time.toml",
    // what a text says
    "syntax-empty-prompt.toml", "syntax-accept-two-steps.toml", "syntax-accept-unknown-step.toml",
    // one key against another
    "syntax-next-in-ask.toml", "syntax-next-with-amount.toml", "syntax-overrun-without-cap.toml",
    "syntax-too-many-visits.toml", "syntax-k-value-without-times.toml"};

TEST(Schema, refuses_what_is_wrong_in_key_type_or_unit_and_leaves_meaning_to_the_checker) {
    const auto answers = verdicts(source / "tests/data/bad-protocols");
    EXPECT_GE(answers.size(), 200U);
    for (const auto& [file, why] : answers) {
        const bool grammar_refuses =
            !parse_protocol(file, contents(source / "tests/data/bad-protocols" / file)).protocol.has_value();
        if (!grammar_refuses) {
            EXPECT_EQ(why, "") << file << ": the grammar takes it, so must the schema";
        } else if (beyond_a_schema.contains(file)) {
            EXPECT_EQ(why, "") << file << " is refused after all; take it off the list";
        } else {
            EXPECT_NE(why, "") << file;
        }
    }
}

// What the parser takes, whatever it means.
TEST(Schema, takes_whatever_the_grammar_takes) {
    const std::filesystem::path folder =
        std::filesystem::temp_directory_path() / ("slowfilm-schema-" + std::to_string(::getpid()));
    std::filesystem::create_directories(folder);
    std::size_t number = 0;
    test::holds([&] {
        const std::string text = to_toml(generated::any_protocol());
        RC_ASSERT(parse_protocol("any.toml", text).protocol.has_value());
        std::ofstream(folder / (std::to_string(++number) + ".toml"), std::ios::binary) << text;
    });
    const auto answers = verdicts(folder);
    EXPECT_GE(answers.size(), 100U);
    for (const auto& [file, why] : answers) {
        EXPECT_EQ(why, "") << contents(folder / file);
    }
    std::filesystem::remove_all(folder);
}

}  // namespace
}  // namespace slowfilm::protocol
