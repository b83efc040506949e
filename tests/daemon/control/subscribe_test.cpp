#include "daemon/control/client.hpp"
#include "tests/daemon/control/house.hpp"

#include <gmock/gmock.h>

namespace slowfilm::control {
namespace {

using testing::HasSubstr;

TEST(Subscribe, streams_every_event_in_order_without_a_gap) {
    const Folder folder;
    House house{{.path = folder / "s"}};
    RawClient client{house.path};
    client.send(request(1, "subscribe"));
    const json::object subscribed = client.object();
    EXPECT_EQ(subscribed.at("result").at("kind"), "subscribed");
    house.publish(300);
    for (int i = 1; i <= 300; ++i) {
        const json::object event = client.object();
        EXPECT_EQ(event.at("method"), "event");
        EXPECT_FALSE(event.contains("id"));
        EXPECT_EQ(event.at("params").at("kind"), "event");
        EXPECT_EQ(event.at("params").at("sequence"), i);
        EXPECT_EQ(event.at("params").at("event"), "warned");
    }
}

TEST(Subscribe, since_brings_what_was_before) {
    const Folder folder;
    House house{{.path = folder / "s"}};
    house.publish(10);
    RawClient client{house.path};
    client.send(request(1, "subscribe", R"({"since":7})"));
    EXPECT_EQ(client.object().at("result").at("missed"), 0);
    house.publish(1);
    for (int i = 8; i <= 11; ++i) {
        EXPECT_EQ(client.object().at("params").at("sequence"), i);
    }
}

TEST(Subscribe, what_is_no_longer_kept_is_counted) {
    const Folder folder;
    House house{{.path = folder / "s", .events_kept_max = 4}};
    house.publish(10);
    RawClient client{house.path};
    client.send(request(1, "subscribe", R"({"since":0})"));
    EXPECT_EQ(client.object().at("result").at("missed"), 6);
    EXPECT_EQ(client.object().at("params").at("sequence"), 7);
}

TEST(Subscribe, an_event_that_has_not_happened_is_refused) {
    const Folder folder;
    House house{{.path = folder / "s"}};
    house.publish(3);
    RawClient client{house.path};
    client.send(request(1, "subscribe", R"({"since":900})"));
    const json::object answer = client.object();
    EXPECT_EQ(code_of(answer), 65);
    EXPECT_THAT(std::string{answer.at("error").at("message").as_string()}, HasSubstr("the last is 3"));
    for (const std::string_view wrong :
         {R"({"since":-1})", R"({"since":1.5})", R"({"since":"7"})", R"({"since":1e300})"}) {
        client.send(request(2, "subscribe", wrong));
        EXPECT_EQ(code_of(client.object()), 64) << wrong;
    }
}

TEST(Subscribe, one_who_may_not_is_refused_and_hears_nothing) {
    const Folder folder;
    House house{{.path = folder / "s", .may_subscribe = [](const Peer&) -> Result<void> {
                     return fail(Failure::not_allowed, "not on the list");
                 }}};
    RawClient client{house.path};
    client.send(request(1, "subscribe"));
    EXPECT_EQ(code_of(client.object()), 77);
    house.publish(1);
    client.send(request(2, "echo"));
    EXPECT_EQ(client.object().at("id"), 2);
}

TEST(Subscribe, a_slow_one_is_dropped_with_a_last_word_and_comes_back_without_a_gap) {
    const Folder folder;
    House house{{.path = folder / "s", .events_kept_max = 1000}};
    RawClient slow{house.path};
    slow.send(request(1, "subscribe"));
    slow.object();
    RawClient quick{house.path};
    quick.send(request(1, "subscribe"));
    quick.object();
    // 4 kB an event: the kernel's buffers are full long before a thousand events; then 500 more drop the one that
    // stands still.
    int published = 0;
    const std::string text(4000, 'x');
    for (int round = 0; round < 200; ++round) {
        house.publish(10, text);
        for (int i = 0; i < 10; ++i) {
            EXPECT_EQ(quick.object().at("params").at("sequence"), ++published);
        }
    }
    std::int64_t last = 0;
    json::object word;
    for (;;) {
        word = slow.object();
        if (word.at("method") != "event") {
            break;
        }
        EXPECT_EQ(word.at("params").at("sequence"), last + 1);
        last = word.at("params").at("sequence").as_int64();
    }
    EXPECT_EQ(word.at("method"), "dropped");
    EXPECT_EQ(word.at("params").at("sequence"), last);
    EXPECT_LT(last, 1500);
    EXPECT_FALSE(slow.line());

    RawClient back{house.path};
    back.send(request(1, "subscribe", R"({"since":)" + std::to_string(last) + "}"));
    const json::object answer = back.object();
    const std::int64_t missed = answer.at("result").at("missed").as_int64();
    EXPECT_EQ(back.object().at("params").at("sequence"), last + missed + 1);
    EXPECT_EQ(missed, std::max<std::int64_t>(0, 1000 - last));
}

TEST(Client, calls_and_gets_the_result_or_the_failure) {
    const Folder folder;
    House house{{.path = folder / "s"}};
    auto client = Client::connect(house.path);
    ASSERT_TRUE(client);
    EXPECT_EQ(*client->call("echo", {{"a", 1}}), (json::value{{"a", 1}}));
    const auto refused = client->call("refuse");
    ASSERT_FALSE(refused);
    EXPECT_EQ(refused.error().failure, Failure::try_again);
    EXPECT_EQ(refused.error().message, "channel 3 is busy");
    EXPECT_EQ(client->call("later").value(), "at last");
    EXPECT_EQ(client->call("nothing_like_it").error().failure, Failure::usage);
}

TEST(Client, a_request_too_long_is_refused_though_the_daemon_stopped_reading) {
    const Folder folder;
    House house{{.path = folder / "s", .request_bytes_max = 1000}};
    auto client = Client::connect(house.path);
    const auto refused = client->call("echo", {{"text", std::string(10U << 20U, 'x')}});
    ASSERT_FALSE(refused);
    EXPECT_THAT(refused.error().message, HasSubstr("longer than 1000 bytes"));
}

TEST(Client, one_let_go_for_another_is_told_why_when_it_asks_again) {
    const Folder folder;
    House house{{.path = folder / "s", .clients_max = 1}};
    auto first = Client::connect(house.path);
    ASSERT_TRUE(first->call("echo"));
    auto second = Client::connect(house.path);
    ASSERT_TRUE(second);
    EXPECT_TRUE(second->call("echo"));
    const auto refused = first->call("echo");
    ASSERT_FALSE(refused);
    EXPECT_EQ(refused.error().failure, Failure::try_again);
    EXPECT_THAT(refused.error().message, HasSubstr("too many clients"));
}

TEST(Client, without_a_daemon_names_the_socket) {
    const Folder folder;
    const auto absent = Client::connect(folder / "s");
    ASSERT_FALSE(absent);
    EXPECT_EQ(absent.error().failure, Failure::no_daemon);
    EXPECT_THAT(absent.error().message, HasSubstr(folder / "s"));
    EXPECT_EQ(Client::connect(std::string(108, 'a')).error().failure, Failure::bad_config);
}

TEST(Client, a_daemon_that_closes_is_no_daemon) {
    const Folder folder;
    House house{{.path = folder / "s"}};
    auto client = Client::connect(house.path);
    ASSERT_TRUE(client->call("echo"));
    house.on_thread([&] { house.server->close(); });
    EXPECT_EQ(client->call("echo").error().failure, Failure::no_daemon);
}

TEST(Client, loses_its_patience_with_a_daemon_that_does_not_answer) {
    const Folder folder;
    std::vector<Reply> kept;
    House house{{.path = folder / "s"}, Handler{[&kept](Request, Reply reply) { kept.push_back(std::move(reply)); }}};
    auto client = Client::connect(house.path);
    client->set_patience(std::chrono::milliseconds{1});
    EXPECT_EQ(client->call("echo").error().failure, Failure::try_again);
    house.on_thread([&] { kept.clear(); });
}

TEST(Client, follows_until_its_visitor_has_enough) {
    const Folder folder;
    House house{{.path = folder / "s"}};
    house.publish(20);
    auto client = Client::connect(house.path);
    std::vector<std::int64_t> seen;
    const auto followed = client->follow(5, {.event = [&](const json::object& event) {
                                             seen.push_back(event.at("sequence").as_int64());
                                             return seen.size() < 3;
                                         }});
    EXPECT_TRUE(followed);
    EXPECT_EQ(seen, (std::vector<std::int64_t>{6, 7, 8}));
}

TEST(Client, one_who_has_enough_once_subscribed_sees_no_event) {
    const Folder folder;
    House house{{.path = folder / "s"}};
    house.publish(3);
    auto client = Client::connect(house.path);
    bool seen = false;
    EXPECT_TRUE(client->follow(0, {.event = [&](const json::object&) { return seen = true; },
                                   .subscribed = [](std::uint64_t) { return false; }}));
    EXPECT_FALSE(seen);
}

TEST(Client, dropped_for_being_slow_it_comes_back_and_loses_nothing_silently) {
    const Folder folder;
    House house{{.path = folder / "s", .events_kept_max = 400}};
    auto client = Client::connect(house.path);
    std::int64_t last = 0;
    std::uint64_t missed_in_all = 0;
    std::int64_t expected = 1;
    const std::string text(4000, 'x');
    house.publish(1, text);
    const auto followed =
        client->follow(0, {.event =
                               [&](const json::object& event) {
                                   last = event.at("sequence").as_int64();
                                   EXPECT_EQ(last, expected);
                                   expected = last + 1;
                                   if (house.on_thread([&] { return house.server->last_event(); }) < 3000) {
                                       house.publish(50, text);  // far more than it reads
                                   }
                                   return last < 3000;
                               },
                           .missed =
                               [&](std::uint64_t count) {
                                   missed_in_all += count;
                                   expected += static_cast<std::int64_t>(count);
                               }});
    EXPECT_TRUE(followed) << followed.error().message;
    EXPECT_GE(last, 3000);
    EXPECT_GT(missed_in_all, 0U);
}

TEST(Client, every_failure_survives_the_way_through_its_code) {
    for (const Failure failure : {Failure::usage, Failure::bad_data, Failure::no_input, Failure::no_daemon,
                                  Failure::internal, Failure::cannot_create, Failure::cannot_write, Failure::try_again,
                                  Failure::not_allowed, Failure::bad_config}) {
        EXPECT_EQ(failure_of(exit_code(failure)), failure);
    }
    EXPECT_EQ(failure_of(12345), Failure::internal);
    EXPECT_EQ(failure_of(-32601), Failure::usage);
}

}  // namespace
}  // namespace slowfilm::control
