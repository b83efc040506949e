// One question to the daemon and its answer, as most verbs that operate a bench are.
#pragma once

#include "daemon/core/result.hpp"
#include "daemon/main/slowfilm_program.hpp"

#include <boost/json/object.hpp>
#include <functional>
#include <string>
#include <string_view>

namespace slowfilm::command {

// The answer in words.
using Sentence = std::function<std::string(const boost::json::object& answer)>;

// Asks, and prints the answer. An ID that is not UTF-8 is refused before it is sent: it must not become another one.
[[nodiscard]] Result<int> ask(const Common& common, std::string_view method, const boost::json::object& params,
                              const Sentence& sentence);
// The same, without printing.
[[nodiscard]] Result<boost::json::object> question(const Common& common, std::string_view method,
                                                   const boost::json::object& params);

[[nodiscard]] std::string quoted(const boost::json::object& answer, std::string_view key);
// "channel 'a1': run 3 is paused"
[[nodiscard]] std::string state_sentence(const boost::json::object& answer);

}  // namespace slowfilm::command
