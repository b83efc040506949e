// The parsed text as plain values in file order: toml++ stays behind one .cpp.
#pragma once

#include "daemon/core/diagnostic.hpp"
#include "daemon/protocol/toml_reader.hpp"

#include <cstdint>
#include <map>
#include <set>
#include <string>
#include <string_view>
#include <vector>

namespace slowfilm::protocol::detail {

enum class NodeKind : std::uint8_t { text, integer, number, truth, date, array, table };

struct Node {
    NodeKind kind{NodeKind::table};
    Place place;      // of the value
    Place key_place;  // of its key, in a table
    std::string key;
    std::string text;
    std::int64_t integer{0};
    double number{0.0};
    bool truth{false};
    std::vector<Node> children;
    std::vector<std::uint32_t> by_key;  // of a table: its children's indices in the order of their keys

    [[nodiscard]] const Node* find(std::string_view name) const;
};

struct Asked {
    std::string path;
    std::vector<std::string> keys;  // each once, in the order of asking
};

struct DocumentState {
    Diagnostics diagnostics;
    Places places;
    Node root;
    bool readable{true};
    std::map<const Node*, Asked> asked;  // tables that somebody looked into
    std::set<const Node*> left;          // tables that are no concern of refuse_unknown_keys
};

// "a table", "a text", "a bare number" ...
[[nodiscard]] std::string_view kind_phrase(const Node& node);
// The value as a person would write it, for sentences.
[[nodiscard]] std::string shown(const Node& node);

// Fills root, or notes the syntax error.
void parse_into(DocumentState& state, std::string_view text);

}  // namespace slowfilm::protocol::detail
