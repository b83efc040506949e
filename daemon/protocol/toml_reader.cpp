#include "daemon/protocol/toml_reader.hpp"

#include "daemon/core/text.hpp"
#include "daemon/protocol/toml_node.hpp"

#include <algorithm>
#include <cmath>

namespace slowfilm::protocol {
namespace {

using detail::Node;
using detail::NodeKind;

std::string words_list(std::span<const std::string_view> words) {
    std::string list;
    for (std::size_t i = 0; i < words.size(); ++i) {
        list += i == 0 ? "" : (i + 1 == words.size() ? " or " : ", ");
        list += '"';
        list += words[i];
        list += '"';
    }
    return list;
}

std::string key_phrase(std::string_view key) {
    return "'" + escaped(key, 60) + "'";
}

bool is_number(std::string_view text) {
    return !text.empty() && text.find_first_not_of("0123456789") == std::string_view::npos;
}

// "[limits]", "step 6.2", "'ends'": how a person would name the table.
std::string table_phrase(std::string_view path) {
    if (path.empty()) {
        return "the top of the file";
    }
    const std::size_t dot = path.rfind('.');
    if (dot == std::string_view::npos) {
        return "[" + escaped(path, 60) + "]";
    }
    if (!is_number(path.substr(dot + 1))) {
        return key_phrase(path.substr(dot + 1));
    }
    std::size_t numbers = dot;  // the dot before the first of the numbers at the end
    std::size_t before = path.rfind('.', dot - 1);
    while (before != std::string_view::npos && is_number(path.substr(before + 1, numbers - before - 1))) {
        numbers = before;
        before = path.rfind('.', numbers - 1);
    }
    const std::string_view name = path.substr(0, numbers);
    return escaped(name.substr(name.rfind('.') + 1), 60) + " " + std::string{path.substr(numbers + 1)};
}

}  // namespace

Table::Table(detail::DocumentState* state, const Node* node, std::string path)
    : state_(state), node_(node), path_(std::move(path)) {
    state_->asked.try_emplace(node_, detail::Asked{path_, {}});
    state_->places.note(path_, node_->place);
}

std::string Table::path_of(std::string_view key) const {
    return path_.empty() ? std::string{key} : path_ + "." + std::string{key};
}

void Table::know(std::string_view key) {
    std::vector<std::string>& keys = state_->asked.at(node_).keys;
    if (std::find(keys.begin(), keys.end(), key) == keys.end()) {
        keys.emplace_back(key);
    }
}

void Table::leave() {
    state_->left.insert(node_);
}

const Node* Table::ask(std::string_view key, Need need, std::string_view example) {
    know(key);
    const Node* value = node_->find(key);
    if (value != nullptr) {
        state_->places.note(path_of(key), value->place);
    } else if (need == Need::required) {
        const bool heading =
            example.find("[" + std::string{key}) != std::string_view::npos || example.starts_with("[[");
        error(node_->place, key_phrase(key) + " is missing in " + table_phrase(path_) + "; write " +
                                (heading ? "" : std::string{key} + " = ") + std::string{example});
    }
    return value;
}

std::optional<std::string> Table::text(std::string_view key, Need need) {
    const Node* value = ask(key, need, "\"...\"");
    if (value == nullptr) {
        return std::nullopt;
    }
    if (value->kind == NodeKind::text) {
        return value->text;
    }
    error(value->place, key_phrase(key) + " is " + std::string{kind_phrase(*value)} + "; write a text in quotes");
    return std::nullopt;
}

std::optional<std::int64_t> Table::integer(std::string_view key, std::int64_t least, std::int64_t most, Need need) {
    const Node* value = ask(key, need, std::to_string(least));
    if (value == nullptr) {
        return std::nullopt;
    }
    const std::string wanted = "a whole number from " + std::to_string(least) + " to " + std::to_string(most);
    if (value->kind != NodeKind::integer) {
        error(value->place, key_phrase(key) + " is " + shown(*value) + "; write " + wanted + ", without quotes");
        return std::nullopt;
    }
    if (value->integer < least || value->integer > most) {
        error(value->place, key_phrase(key) + " is " + shown(*value) + "; it must be " + wanted);
        return std::nullopt;
    }
    return value->integer;
}

std::optional<std::uint32_t> Table::count(std::string_view key, Need need) {
    const auto value = integer(key, 1, 1'000'000, need);
    return value ? std::optional{static_cast<std::uint32_t>(*value)} : std::nullopt;
}

std::optional<double> Table::number(std::string_view key, Need need) {
    const Node* value = ask(key, need, "1.0");
    if (value == nullptr) {
        return std::nullopt;
    }
    if (value->kind == NodeKind::integer) {
        return static_cast<double>(value->integer);
    }
    if (value->kind == NodeKind::number && std::isfinite(value->number)) {
        return value->number;
    }
    error(value->place, key_phrase(key) + " is " + shown(*value) + "; write a finite number without quotes");
    return std::nullopt;
}

std::optional<bool> Table::truth(std::string_view key, Need need) {
    const Node* value = ask(key, need, "true or false");
    if (value == nullptr) {
        return std::nullopt;
    }
    if (value->kind == NodeKind::truth) {
        return value->truth;
    }
    error(value->place, key_phrase(key) + " is " + shown(*value) + "; write true or false, without quotes");
    return std::nullopt;
}

std::optional<std::size_t> Table::word(std::string_view key, std::span<const std::string_view> words, Need need) {
    const Node* value = ask(key, need, words_list(words));
    if (value == nullptr) {
        return std::nullopt;
    }
    if (value->kind == NodeKind::text) {
        const auto found = std::find(words.begin(), words.end(), value->text);
        if (found != words.end()) {
            return static_cast<std::size_t>(found - words.begin());
        }
    }
    const std::string_view near = value->kind == NodeKind::text ? nearest(value->text, words) : std::string_view{};
    const std::string meant = near.empty() ? "" : "did you mean \"" + std::string{near} + "\"? ";
    error(value->place, key_phrase(key) + " is " + shown(*value) + "; " + meant + "it must be " + words_list(words));
    return std::nullopt;
}

std::optional<Table> Table::table(std::string_view key, Need need, std::string_view example) {
    const Node* value = ask(key, need, path_.empty() ? "[" + std::string{key} + "]" : std::string{example});
    if (value == nullptr) {
        return std::nullopt;
    }
    if (value->kind == NodeKind::table) {
        return Table{state_, value, path_of(key)};
    }
    const bool array = value->kind == NodeKind::array;
    error(value->place,
          key_phrase(key) +
              (array ? " is a list; there is only one of it: write [" + path_of(key) + "] with single brackets"
                     : " is " + shown(*value) + "; write a table of keys, such as " + std::string{example}));
    return std::nullopt;
}

std::vector<Table> Table::tables(std::string_view key, Need need, std::optional<std::string> path) {
    const Node* value = ask(key, need, "[[" + path_of(key) + "]]");
    std::vector<Table> result;
    if (value == nullptr) {
        return result;
    }
    if (value->kind == NodeKind::table) {
        error(value->place, key_phrase(key) + " is a single table; it is a list: write [[" + escaped(path_of(key), 60) +
                                "]] with double brackets, or [ { ... } ]");
        return result;
    }
    if (value->kind != NodeKind::array) {
        error(value->place, key_phrase(key) + " is " + shown(*value) + "; write a list of tables");
        return result;
    }
    const std::string prefix = path ? std::move(*path) : path_of(key);
    for (std::size_t i = 0; i < value->children.size(); ++i) {
        const Node& element = value->children[i];
        if (element.kind == NodeKind::table) {
            result.push_back(Table{state_, &element, prefix + "." + std::to_string(i + 1)});
        } else {
            error(element.place,
                  key_phrase(key) + " holds " + shown(element) + "; every element must be a table of keys");
        }
    }
    return result;
}

std::optional<std::vector<std::string>> Table::texts(std::string_view key, Need need) {
    const Node* value = ask(key, need, "[\"a\", \"b\"]");
    if (value == nullptr) {
        return std::nullopt;
    }
    std::vector<std::string> result;
    const bool good = value->kind == NodeKind::array &&
                      std::all_of(value->children.begin(), value->children.end(),
                                  [](const Node& element) { return element.kind == NodeKind::text; });
    if (!good) {
        error(value->place,
              key_phrase(key) + " is " + shown(*value) + "; write a list of texts, such as [\"a\", \"b\"]");
        return std::nullopt;
    }
    for (const Node& element : value->children) {
        result.push_back(element.text);
    }
    return result;
}

std::optional<std::vector<std::int64_t>> Table::integers(std::string_view key, std::int64_t least, std::int64_t most,
                                                         Need need) {
    const Node* value = ask(key, need, "[1000, 1001]");
    if (value == nullptr) {
        return std::nullopt;
    }
    std::vector<std::int64_t> result;
    const bool good =
        value->kind == NodeKind::array &&
        std::all_of(value->children.begin(), value->children.end(), [&](const Node& element) {
            return element.kind == NodeKind::integer && element.integer >= least && element.integer <= most;
        });
    if (!good) {
        error(value->place, key_phrase(key) + " is " + shown(*value) + "; write a list of whole numbers from " +
                                std::to_string(least) + " to " + std::to_string(most) + ", such as [1000, 1001]");
        return std::nullopt;
    }
    for (const Node& element : value->children) {
        result.push_back(element.integer);
    }
    return result;
}

bool Table::has(std::string_view key) const {
    return node_->find(key) != nullptr;
}

bool Table::has_table(std::string_view key) const {
    const Node* value = node_->find(key);
    return value != nullptr && value->kind == NodeKind::table;
}

bool Table::has_tables(std::string_view key) const {
    const Node* value = node_->find(key);
    return value != nullptr && value->kind == NodeKind::array && !value->children.empty() &&
           value->children.front().kind == NodeKind::table;
}

bool Table::has_empty_list(std::string_view key) const {
    const Node* value = node_->find(key);
    return value != nullptr && value->kind == NodeKind::array && value->children.empty();
}

std::optional<std::string> Table::written_text(std::string_view key) const {
    const Node* value = node_->find(key);
    return value != nullptr && value->kind == NodeKind::text ? std::optional{value->text} : std::nullopt;
}

bool Table::has_text(std::string_view key, std::string_view text) const {
    const Node* value = node_->find(key);
    return value != nullptr && value->kind == NodeKind::text && value->text == text;
}

std::vector<std::string> Table::keys() const {
    std::vector<std::string> result;
    for (const Node& child : node_->children) {
        result.push_back(child.key);
    }
    return result;
}

bool Table::empty() const {
    return node_->children.empty();
}

Place Table::place() const {
    return node_->place;
}

Place Table::place_of(std::string_view key) const {
    const Node* value = node_->find(key);
    return value == nullptr ? node_->place : value->place;
}

Place Table::place_of_key(std::string_view key) const {
    const Node* value = node_->find(key);
    return value == nullptr ? node_->place : value->key_place;
}

Place Table::place_of_element(std::string_view key, std::size_t index) const {
    const Node* value = node_->find(key);
    return value == nullptr || index >= value->children.size() ? place_of(key) : value->children[index].place;
}

void Table::error(Place place, std::string message) {
    state_->diagnostics.error(place, std::move(message));
}

void Table::warning(Place place, std::string message) {
    state_->diagnostics.warning(place, std::move(message));
}

}  // namespace slowfilm::protocol
