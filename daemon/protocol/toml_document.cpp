#include "daemon/core/text.hpp"
#include "daemon/protocol/toml_node.hpp"
#include "daemon/protocol/toml_reader.hpp"

#include <set>

namespace slowfilm::protocol {

using detail::Node;

void Places::note(std::string path, Place place) {
    places_.insert_or_assign(std::move(path), place);
}

Place Places::of(std::string_view path) const {
    while (true) {
        if (const auto found = places_.find(path); found != places_.end()) {
            return found->second;
        }
        const std::size_t dot = path.rfind('.');
        if (dot == std::string_view::npos) {
            return {1, 1};
        }
        path = path.substr(0, dot);
    }
}

bool Places::knows(std::string_view path) const {
    return places_.find(path) != places_.end();
}

Document::Document(std::unique_ptr<detail::DocumentState> state) : state_(std::move(state)) {}
Document::Document(Document&&) noexcept = default;
Document& Document::operator=(Document&&) noexcept = default;
Document::~Document() = default;

Document Document::parse(std::string file, std::string_view text) {
    auto state = std::make_unique<detail::DocumentState>();
    state->diagnostics.file = std::move(file);
    detail::parse_into(*state, text);
    return Document{std::move(state)};
}

bool Document::readable() const {
    return state_->readable;
}

Table Document::root() {
    return Table{state_.get(), &state_->root, ""};
}

void Document::refuse_unknown_keys() {
    for (const auto& [node, asked] : state_->asked) {
        if (state_->left.contains(node)) {
            continue;
        }
        const std::vector<std::string_view> known(asked.keys.begin(), asked.keys.end());
        const std::set<std::string_view> known_set(known.begin(), known.end());
        std::string known_list = known.empty() ? "; no key is known here" : "; known here: ";
        for (std::size_t i = 0; i < known.size(); ++i) {
            known_list += (i == 0 ? "" : ", ") + std::string{known[i]};
        }
        for (const Node& child : node->children) {
            if (known_set.contains(child.key)) {
                continue;
            }
            const std::string_view near = nearest(child.key, known);
            state_->diagnostics.error(child.key_place,
                                      "unknown key '" + escaped(child.key, 60) + "'" +
                                          (near.empty() ? known_list : "; did you mean '" + std::string{near} + "'?"));
        }
    }
}

Diagnostics& Document::diagnostics() {
    return state_->diagnostics;
}

Places& Document::places() {
    return state_->places;
}

}  // namespace slowfilm::protocol
