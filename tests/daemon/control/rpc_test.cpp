#include "daemon/control/rpc.hpp"

#include "daemon/core/json.hpp"

#include <gtest/gtest.h>
#include <rapidcheck.h>
#include <rapidcheck/gtest.h>

namespace slowfilm::control {
namespace {

std::vector<std::string> lines_of(LineSplitter& splitter) {
    std::vector<std::string> lines;
    while (auto line = splitter.next()) {
        lines.push_back(line->too_long ? "<too long>" : line->text);
    }
    return lines;
}

TEST(LineSplitter, a_split_at_every_byte_gives_the_same_lines) {
    const std::string stream = "first\n\nthird \xce\xbc\r\nfourth\n";
    const std::vector<std::string> whole{"first", "", "third \xce\xbc\r", "fourth"};
    for (std::size_t split = 0; split <= stream.size(); ++split) {
        LineSplitter splitter{100};
        splitter.feed(std::string_view{stream}.substr(0, split));
        auto lines = lines_of(splitter);
        splitter.feed(std::string_view{stream}.substr(split));
        const auto rest = lines_of(splitter);
        lines.insert(lines.end(), rest.begin(), rest.end());
        EXPECT_EQ(lines, whole) << "split at " << split;
    }
}

TEST(LineSplitter, a_line_without_its_newline_is_not_a_line) {
    LineSplitter splitter{100};
    splitter.feed("half");
    EXPECT_FALSE(splitter.next());
    splitter.feed(" and half\n");
    EXPECT_EQ(splitter.next()->text, "half and half");
}

TEST(LineSplitter, a_line_of_exactly_the_most_is_taken_and_one_more_byte_is_not) {
    LineSplitter splitter{4};
    splitter.feed("1234\n12345\n1234\n");
    EXPECT_EQ(lines_of(splitter), (std::vector<std::string>{"1234", "<too long>", "1234"}));
}

TEST(LineSplitter, a_line_too_long_is_reported_before_it_ends_and_its_rest_is_skipped) {
    LineSplitter splitter{4};
    splitter.feed("12345");
    EXPECT_TRUE(splitter.next()->too_long);
    for (int i = 0; i < 1000; ++i) {
        splitter.feed("more of the same");
        EXPECT_FALSE(splitter.next());
    }
    splitter.feed("\nok\n");
    EXPECT_EQ(splitter.next()->text, "ok");
    EXPECT_EQ(splitter.skipped(), 5U + 1000U * 16U);
}

RC_GTEST_PROP(LineSplitter, any_cutting_of_any_bytes_gives_the_same_lines, (const std::vector<std::string>& pieces)) {
    std::string whole;
    LineSplitter in_pieces{8};
    std::vector<std::string> lines;
    for (const std::string& piece : pieces) {
        whole += piece + "\n";
        in_pieces.feed(piece);
        const auto some = lines_of(in_pieces);
        lines.insert(lines.end(), some.begin(), some.end());
        in_pieces.feed("\n");
        const auto more = lines_of(in_pieces);
        lines.insert(lines.end(), more.begin(), more.end());
    }
    LineSplitter at_once{8};
    at_once.feed(whole);
    RC_ASSERT(lines_of(at_once) == lines);
}

TEST(ParseRequest, takes_a_request) {
    const auto request = parse_request(R"({"jsonrpc":"2.0","id":7,"method":"status","params":{"channel":"a1"}})");
    ASSERT_TRUE(request);
    EXPECT_EQ(request->method, "status");
    EXPECT_EQ(*request->id, boost::json::value(7));
    EXPECT_EQ(request->params.at("channel"), "a1");
}

TEST(ParseRequest, one_without_id_is_a_notification_and_one_with_null_is_not) {
    EXPECT_FALSE(parse_request(R"({"jsonrpc":"2.0","method":"status"})")->id);
    EXPECT_TRUE(parse_request(R"({"jsonrpc":"2.0","id":null,"method":"status"})")->id);
}

// Codes: JSON-RPC 2.0, section 5.1 "Error object".
TEST(ParseRequest, refuses_each_wrong_form_with_the_standards_code) {
    struct Case {
        std::string_view line;
        RpcCode code;
    };
    for (const Case& wrong : {
             Case{"", RpcCode::parse_error},
             Case{"status", RpcCode::parse_error},
             Case{R"({"jsonrpc":"2.0","id":1,"method":"status")", RpcCode::parse_error},
             Case{R"({"jsonrpc":"2.0","id":1,"method":"status"} {})", RpcCode::parse_error},
             Case{R"({"jsonrpc":"2.0","id":NaN,"method":"status"})", RpcCode::parse_error},
             Case{"{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"st\xff\"}", RpcCode::parse_error},
             Case{"[]", RpcCode::invalid_request},
             Case{R"([{"jsonrpc":"2.0","id":1,"method":"status"}])", RpcCode::invalid_request},
             Case{"1", RpcCode::invalid_request},
             Case{"{}", RpcCode::invalid_request},
             Case{R"({"id":1,"method":"status"})", RpcCode::invalid_request},
             Case{R"({"jsonrpc":"1.0","id":1,"method":"status"})", RpcCode::invalid_request},
             Case{R"({"jsonrpc":2.0,"id":1,"method":"status"})", RpcCode::invalid_request},
             Case{R"({"jsonrpc":"2.0","id":1})", RpcCode::invalid_request},
             Case{R"({"jsonrpc":"2.0","id":1,"method":""})", RpcCode::invalid_request},
             Case{R"({"jsonrpc":"2.0","id":1,"method":5})", RpcCode::invalid_request},
             Case{R"({"jsonrpc":"2.0","id":[1],"method":"status"})", RpcCode::invalid_request},
             Case{R"({"jsonrpc":"2.0","id":1,"method":"status","params":[1]})", RpcCode::invalid_params},
             Case{R"({"jsonrpc":"2.0","id":1,"method":"status","params":"a1"})", RpcCode::invalid_params},
         }) {
        const auto request = parse_request(wrong.line);
        ASSERT_FALSE(request) << wrong.line;
        EXPECT_EQ(request.error().code, wrong.code) << wrong.line;
        EXPECT_FALSE(request.error().message.empty());
    }
}

TEST(ParseRequest, an_error_carries_the_id_where_it_could_be_told) {
    EXPECT_EQ(parse_request(R"({"jsonrpc":"2.0","id":"x","method":5})").error().id, "x");
    EXPECT_TRUE(parse_request(R"({"jsonrpc":"2.0","id":{},"method":"a"})").error().id.is_null());
}

TEST(ParseRequest, nesting_is_bounded) {
    const std::string deep = R"({"jsonrpc":"2.0","id":1,"method":"a","params":{"a":)" + std::string(10'000, '[') +
                             std::string(10'000, ']') + "}}";
    const auto request = parse_request(deep);
    ASSERT_FALSE(request);
    EXPECT_EQ(request.error().code, RpcCode::parse_error);
}

TEST(RpcLines, each_is_one_line_of_strict_json) {
    const boost::json::object odd{{"text", "a\nb\xff"}, {"value", std::numeric_limits<double>::quiet_NaN()}};
    for (const std::string& line : {result_line(1, odd), error_line("id", Error{Failure::bad_data, "no\n\xff"}),
                                    error_line(RpcError{RpcCode::parse_error, "no\n", nullptr}),
                                    request_line(3, "status", odd), notification_line("event", odd)}) {
        EXPECT_EQ(line.find('\n'), line.size() - 1);
        EXPECT_TRUE(parse_json(line)) << line;
    }
}

TEST(RpcLines, our_failures_carry_their_exit_code) {
    const auto answer = parse_json(error_line(1, Error{Failure::try_again, "busy"}));
    EXPECT_EQ(answer->at("error").at("code"), 75);
    EXPECT_EQ(answer->at("error").at("message"), "busy");
}

}  // namespace
}  // namespace slowfilm::control
