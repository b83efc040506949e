#include "daemon/protocol/toml_node.hpp"

#include "daemon/core/text.hpp"
#include "daemon/protocol/toml_explain.hpp"
#include "daemon/protocol/toml_scan.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <numeric>
#include <toml++/toml.h>

namespace slowfilm::protocol::detail {
namespace {

Place to_place(const toml::source_position& position) {
    return {std::max<std::uint32_t>(position.line, 1), std::max<std::uint32_t>(position.column, 1)};
}

// Bounded: scan() has refused anything nested deeper than toml_depth_max.
Node convert(const toml::node& from) {
    Node node;
    node.place = to_place(from.source().begin);
    if (const auto* text = from.as_string()) {
        node.kind = NodeKind::text;
        node.text = text->get();
    } else if (const auto* integer = from.as_integer()) {
        node.kind = NodeKind::integer;
        node.integer = integer->get();
    } else if (const auto* number = from.as_floating_point()) {
        node.kind = NodeKind::number;
        node.number = number->get();
    } else if (const auto* truth = from.as_boolean()) {
        node.kind = NodeKind::truth;
        node.truth = truth->get();
    } else if (const auto* array = from.as_array()) {
        node.kind = NodeKind::array;
        node.children.reserve(array->size());
        for (const toml::node& element : *array) {
            node.children.push_back(convert(element));
        }
    } else if (const auto* table = from.as_table()) {
        node.kind = NodeKind::table;
        node.children.reserve(table->size());
        for (const auto& [key, value] : *table) {
            Node child = convert(value);
            child.key = std::string{key.str()};
            child.key_place = to_place(key.source().begin);
            node.children.push_back(std::move(child));
        }
        std::stable_sort(node.children.begin(), node.children.end(),
                         [](const Node& a, const Node& b) { return a.key_place < b.key_place; });
        node.by_key.resize(node.children.size());
        std::iota(node.by_key.begin(), node.by_key.end(), 0U);
        std::sort(node.by_key.begin(), node.by_key.end(),
                  [&](std::uint32_t a, std::uint32_t b) { return node.children[a].key < node.children[b].key; });
    } else {
        node.kind = NodeKind::date;
    }
    return node;
}

std::string number_text(double value) {
    std::array<char, 40> buffer{};
    const auto end = std::to_chars(buffer.data(), buffer.data() + buffer.size(), value);
    std::string text{buffer.data(), end.ptr};
    // TOML tells 2.0 from 2, and so must a complaint about it.
    return text.find_first_not_of("-0123456789") == std::string::npos ? text + ".0" : text;
}

}  // namespace

const Node* Node::find(std::string_view name) const {
    const auto found =
        std::lower_bound(by_key.begin(), by_key.end(), name,
                         [&](std::uint32_t i, std::string_view wanted) { return children[i].key < wanted; });
    return found != by_key.end() && children[*found].key == name ? &children[*found] : nullptr;
}

std::string_view kind_phrase(const Node& node) {
    switch (node.kind) {
        case NodeKind::text: return "a text in quotes";
        case NodeKind::integer: return "a bare number";
        case NodeKind::number: return "a bare number";
        case NodeKind::truth: return "true or false";
        case NodeKind::date: return "a date or time of day";
        case NodeKind::array: return "a list in [ ]";
        case NodeKind::table: return "a table of keys";
    }
    return "";
}

std::string shown(const Node& node) {
    switch (node.kind) {
        case NodeKind::text: return '"' + escaped(node.text, 60) + '"';
        case NodeKind::integer: return std::to_string(node.integer);
        case NodeKind::number: return number_text(node.number);
        case NodeKind::truth: return node.truth ? "true" : "false";
        case NodeKind::date: return "a date";
        case NodeKind::array: return "[ ... ]";
        case NodeKind::table: return "{ ... }";
    }
    return "";
}

void parse_into(DocumentState& state, std::string_view text) {
    if (auto refused = scan(text, false).refused) {
        state.diagnostics.items.push_back(std::move(*refused));
        state.readable = false;
        return;
    }
    try {
        state.root = convert(toml::parse(text));
        state.root.place = {1, 1};
    } catch (const toml::parse_error& error) {
        state.diagnostics.items.push_back(
            explain_syntax_error(text, to_place(error.source().begin), error.description()));
        state.readable = false;
    } catch (const std::exception& error) {
        state.diagnostics.error({1, 1}, "this text could not be read as TOML: " + escaped(error.what()));
        state.readable = false;
    }
}

}  // namespace slowfilm::protocol::detail
