#include "daemon/core/ensure.hpp"
#include "daemon/protocol/grammar.hpp"

#include <algorithm>
#include <vector>

namespace slowfilm::protocol {

const Section& grammar_section(std::string_view name) {
    const auto found =
        std::find_if(grammar().begin(), grammar().end(), [&](const Section& section) { return section.name == name; });
    ENSURE(found != grammar().end());
    return *found;
}

const Key& grammar_key(std::span<const Key> keys, std::string_view name) {
    const auto found = std::find_if(keys.begin(), keys.end(), [&](const Key& key) { return key.name == name; });
    ENSURE(found != keys.end());
    return *found;
}

std::string_view step_word(StepKind kind) {
    const auto index = static_cast<std::size_t>(kind);
    ENSURE(index < step_words().size());
    return step_words()[index];
}

std::string step_list(StepSet kinds) {
    std::vector<std::string_view> words;
    for (std::size_t i = 0; i < step_words().size(); ++i) {
        if ((kinds & only(static_cast<StepKind>(i))) != 0) {
            words.push_back(step_words()[i]);
        }
    }
    std::string list;
    for (std::size_t i = 0; i < words.size(); ++i) {
        list += i == 0 ? "" : (i + 1 == words.size() ? " or " : ", ");
        list += words[i];
    }
    return list;
}

}  // namespace slowfilm::protocol
