#include "daemon/main/slowfilm_ask.hpp"

#include "daemon/core/text.hpp"
#include "daemon/main/slowfilm_output.hpp"

#include <boost/json/array.hpp>
#include <utility>

namespace slowfilm::command {

namespace json = boost::json;

namespace {

Result<void> all_utf8(const json::value& value) {
    if (value.is_string() && valid_utf8(std::string_view{value.get_string()}) != std::string_view{value.get_string()}) {
        return fail(Failure::bad_data,
                    "\"" + escaped(std::string_view{value.get_string()}, 64) + "\" is not UTF-8 text; write it anew");
    }
    if (const json::array* list = value.if_array()) {
        for (const json::value& element : *list) {
            if (auto good = all_utf8(element); !good) {
                return good;
            }
        }
    }
    if (const json::object* object = value.if_object()) {
        for (const auto& member : *object) {
            if (auto good = all_utf8(member.value()); !good) {
                return good;
            }
        }
    }
    return {};
}

}  // namespace

Result<json::object> question(const Common& common, std::string_view method, const json::object& params) {
    if (auto good = all_utf8(params); !good) {
        return tl::unexpected{good.error()};
    }
    auto client = daemon_of(common);
    if (!client) {
        return tl::unexpected{client.error()};
    }
    auto answer = client->call(method, params);
    if (!answer) {
        return tl::unexpected{answer.error()};
    }
    if (!answer->is_object()) {
        return fail(Failure::internal, "the daemon's answer to " + std::string{method} + " is no object");
    }
    return std::move(answer->get_object());
}

Result<int> ask(const Common& common, std::string_view method, const json::object& params, const Sentence& sentence) {
    const auto answer = question(common, method, params);
    if (!answer) {
        return tl::unexpected{answer.error()};
    }
    if (auto put = put_answer(common, with_version(*answer), [&] { return sentence(*answer); }); !put) {
        return tl::unexpected{put.error()};
    }
    return done;
}

std::string quoted(const json::object& answer, std::string_view key) {
    return "'" + escaped(text_in(answer, key)) + "'";
}

std::string state_sentence(const json::object& answer) {
    return "channel " + quoted(answer, "channel") + ": run " + whole_in(answer, "run") + " is " +
           escaped(text_in(answer, "state")) + "\n";
}

}  // namespace slowfilm::command
