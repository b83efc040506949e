#include "daemon/control/server.hpp"

#include "tests/daemon/control/house.hpp"

#include <fstream>

#include <gmock/gmock.h>
#include <sys/stat.h>

namespace slowfilm::control {
namespace {

using testing::HasSubstr;

TEST(Server, answers_whatever_way_a_request_is_cut) {
    const Folder folder;
    House house{{.path = folder / "s"}};
    const std::string bytes = request(1, "echo", R"({"text":"\u03bc \ud83d\ude00 µ"})");
    for (std::size_t split = 1; split < bytes.size(); ++split) {
        RawClient client{house.path};
        ASSERT_TRUE(client.send(bytes.substr(0, split)));
        // The server has read the first piece once it answers another client that came after it.
        RawClient other{house.path};
        ASSERT_TRUE(other.send(request(2, "echo")));
        EXPECT_EQ(other.object().at("id"), 2);
        ASSERT_TRUE(client.send(bytes.substr(split)));
        const json::object answer = client.object();
        EXPECT_EQ(answer.at("jsonrpc"), "2.0");
        EXPECT_EQ(answer.at("result").at("text"), "\xce\xbc \xf0\x9f\x98\x80 \xc2\xb5") << "split at " << split;
    }
}

TEST(Server, two_requests_in_one_write_get_two_answers) {
    const Folder folder;
    House house{{.path = folder / "s"}};
    RawClient client{house.path};
    client.send(request(1, "echo") + request(2, "refuse"));
    EXPECT_EQ(client.object().at("id"), 1);
    const json::object refused = client.object();
    EXPECT_EQ(refused.at("id"), 2);
    EXPECT_EQ(code_of(refused), 75);
    EXPECT_EQ(refused.at("error").at("message"), "channel 3 is busy");
}

TEST(Server, a_client_that_says_it_is_done_still_gets_its_answers_and_then_the_end) {
    const Folder folder;
    House house{{.path = folder / "s"}};
    RawClient client{house.path};
    client.send(request(1, "later") + request(2, "echo"));
    client.no_more();
    std::set<std::int64_t> ids{client.object().at("id").as_int64(), client.object().at("id").as_int64()};
    EXPECT_EQ(ids, (std::set<std::int64_t>{1, 2}));
    EXPECT_FALSE(client.line());
}

TEST(Server, a_notification_is_done_but_never_answered) {
    const Folder folder;
    std::atomic<int> asked{0};
    House house{{.path = folder / "s"}, Handler{[&asked](Request, Reply reply) {
                    ++asked;
                    reply(json::value(asked.load()));
                }}};
    RawClient client{house.path};
    client.send(R"({"jsonrpc":"2.0","method":"echo"})"
                "\n"
                R"({"jsonrpc":"2.0","method":"no_such_method"})"
                "\n"
                R"({"jsonrpc":"2.0","method":"hello"})"
                "\n" +
                request(5, "echo"));
    const json::object answer = client.object();
    EXPECT_EQ(answer.at("id"), 5);
    EXPECT_EQ(answer.at("result"), 2);
}

TEST(Server, an_unknown_method_is_named) {
    const Folder folder;
    House house{{.path = folder / "s"}};
    RawClient client{house.path};
    client.send(request(1, "no\\nsuch"));
    const json::object answer = client.object();
    EXPECT_EQ(code_of(answer), -32601);
    EXPECT_EQ(answer.at("error").at("message"), R"(there is no method "no\x0asuch")");
}

TEST(Server, garbage_is_answered_and_the_next_request_works) {
    const Folder folder;
    House house{{.path = folder / "s"}};
    RawClient client{house.path};
    const std::string nul(1, '\0');
    for (const std::string& garbage :
         {std::string{"\x01\x03\x11\x13"}, std::string{"{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"\xff\xfe\"}"},
          std::string{"GET / HTTP/1.1\r"}, nul + nul, std::string(100'000, '['), std::string{"\xed\xa0\x80"}}) {
        client.send(garbage + "\n");
        const json::object answer = client.object();
        EXPECT_EQ(code_of(answer), -32700);
        EXPECT_TRUE(answer.at("id").is_null());
    }
    client.send("\n \r\n" + request(9, "echo"));
    EXPECT_EQ(client.object().at("id"), 9);
}

TEST(Server, batches_are_refused_in_a_sentence) {
    const Folder folder;
    House house{{.path = folder / "s"}};
    RawClient client{house.path};
    client.send("[]\n[{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"echo\"}]\n");
    EXPECT_EQ(code_of(client.object()), -32600);
    EXPECT_EQ(code_of(client.object()), -32600);
}

TEST(Server, an_oversized_request_is_refused_before_it_ends_and_the_next_one_works) {
    const Folder folder;
    House house{{.path = folder / "s", .request_bytes_max = 1000}};
    RawClient client{house.path};
    client.send(std::string(1001, 'x'));
    const json::object answer = client.object();
    EXPECT_EQ(code_of(answer), -32600);
    EXPECT_THAT(std::string{answer.at("error").at("message").as_string()}, HasSubstr("1000 bytes"));
    client.send(std::string(5000, 'x') + "\n" + request(2, "echo"));
    EXPECT_EQ(client.object().at("id"), 2);
}

TEST(Server, a_stream_without_any_newline_is_cut_off) {
    const Folder folder;
    House house{{.path = folder / "s", .request_bytes_max = 1000}};
    RawClient client{house.path};
    bool taken = true;
    for (int megabyte = 0; taken && megabyte < 100; ++megabyte) {
        taken = client.send(std::string(1U << 20U, 'x'));
    }
    EXPECT_FALSE(taken);
    RawClient next{house.path};
    next.send(request(1, "echo"));
    EXPECT_EQ(next.object().at("id"), 1);
}

TEST(Server, a_handler_that_throws_or_forgets_to_answer_is_an_internal_failure) {
    const Folder folder;
    House house{{.path = folder / "s"}};
    RawClient client{house.path};
    client.send(request(1, "throw"));
    const json::object thrown = client.object();
    EXPECT_EQ(code_of(thrown), 70);
    EXPECT_THAT(std::string{thrown.at("error").at("message").as_string()}, HasSubstr("a wheel came off"));
    client.send(request(2, "never"));
    EXPECT_EQ(code_of(client.object()), 70);
}

TEST(Server, tells_the_handler_who_asks) {
    const Folder folder;
    House house{{.path = folder / "s"}};
    RawClient client{house.path};
    client.send(request(1, "who"));
    const json::value who = client.object().at("result");
    EXPECT_EQ(who.at("uid").to_number<uid_t>(), ::getuid());
    EXPECT_EQ(who.at("gid").to_number<gid_t>(), ::getgid());
    EXPECT_EQ(who.at("pid").to_number<pid_t>(), ::getpid());
}

TEST(Server, hello_is_its_owners_answer) {
    const Folder folder;
    House house{{.path = folder / "s", .hello = [] { return json::object{{"kind", "hello"}, {"bench", "four"}}; }}};
    RawClient client{house.path};
    client.send(request(1, "hello"));
    EXPECT_EQ(client.object().at("result").at("bench"), "four");
}

TEST(Server, a_thousand_clients_that_leave_in_the_middle_of_their_answer_leave_it_unmoved) {
    const Folder folder;
    House house{{.path = folder / "s"}};
    const std::string big = request(1, "echo", R"({"text":")" + std::string(200'000, 'x') + R"("})");
    for (int i = 0; i < 1000; ++i) {
        RawClient client{house.path};
        ASSERT_TRUE(client.connected());
        client.send(i % 2 == 0 ? big + request(2, "later") : big.substr(0, 100'000));
        client.close();
    }
    // Asked until the last of them is gone, which only the server's own turns bring about.
    RawClient client{house.path};
    std::size_t clients = 0;
    for (int asked = 0; asked < 100'000; ++asked) {
        client.send(request(asked, "echo"));
        ASSERT_EQ(client.object().at("id"), asked);
        clients = house.on_thread([&] { return house.server->clients(); });
        if (clients == 1) {
            break;
        }
    }
    EXPECT_EQ(clients, 1U);
}

TEST(Server, a_client_that_reads_nothing_is_no_longer_read_from) {
    const Folder folder;
    std::atomic<int> handled{0};
    House house{{.path = folder / "s", .client_bytes_max = 100'000}, Handler{[&handled](Request, Reply reply) {
                    ++handled;
                    reply(json::value(std::string(10'000, 'x')));
                }}};
    RawClient client{house.path};
    std::string many;
    for (int i = 0; i < 2000; ++i) {
        many += request(i, "echo");
    }
    std::thread sender{[&] { client.send(many); }};
    RawClient other{house.path};
    for (int i = 0; i < 200; ++i) {
        other.send(request(i, "who"));
        other.object();
    }
    // 2000 answers are 20 MB; the socket's own buffers and 100 kB of ours hold a fraction of that.
    EXPECT_LT(handled.load(), 1500);
    for (int i = 0; i < 2000; ++i) {
        EXPECT_EQ(client.object().at("id"), i);
    }
    sender.join();
}

// Whoever comes may be the one who says pause.
TEST(Server, a_new_client_is_served_though_idle_ones_fill_every_place) {
    const Folder folder;
    House house{{.path = folder / "s", .clients_max = 2}};
    RawClient one{house.path};
    RawClient two{house.path};
    for (RawClient* client : {&one, &two, &one}) {
        client->send(request(1, "echo"));
        client->object();
    }
    RawClient three{house.path};
    three.send(request(7, "echo"));
    EXPECT_EQ(three.object().at("id"), 7);
    EXPECT_EQ(code_of(two.object()), 75) << "the longest silent is let go, and told";
    EXPECT_FALSE(two.line());
    one.send(request(8, "echo"));
    EXPECT_EQ(one.object().at("id"), 8) << "the one heard of later stays";
}

TEST(Server, for_a_new_client_a_subscriber_is_let_go_only_after_those_who_wait_for_nothing) {
    const Folder folder;
    House house{{.path = folder / "s", .clients_max = 2}};
    RawClient follower{house.path};
    follower.send(request(1, "subscribe"));
    follower.object();
    RawClient idle{house.path};
    idle.send(request(1, "echo"));
    idle.object();
    RawClient third{house.path};
    third.send(request(1, "subscribe"));
    third.object();
    EXPECT_EQ(code_of(idle.object()), 75);
    RawClient fourth{house.path};
    fourth.send(request(2, "echo"));
    EXPECT_EQ(fourth.object().at("id"), 2);
    // It can come back from its last number, as one that was too slow can.
    EXPECT_EQ(follower.object().at("method"), "dropped");
    EXPECT_FALSE(follower.line());
}

TEST(Server, makes_its_directory_for_owner_and_group_alone) {
    const Folder folder;
    House house{{.path = folder / "deep/er/s"}};
    struct stat directory {};
    ASSERT_EQ(::stat((folder / "deep/er").c_str(), &directory), 0);
    EXPECT_EQ(directory.st_mode & 07777, 0750U);
    RawClient client{house.path};
    EXPECT_TRUE(client.connected());
}

TEST(Server, takes_a_stale_sockets_place) {
    const Folder folder;
    const std::string path = folder / "s";
    {
        const int old = ::socket(AF_UNIX, SOCK_STREAM, 0);
        sockaddr_un address{};
        address.sun_family = AF_UNIX;
        std::memcpy(address.sun_path, path.data(), path.size());
        ASSERT_EQ(::bind(old, reinterpret_cast<const sockaddr*>(&address), sizeof address), 0);
        ::close(old);
    }
    House house{{.path = path}};
    RawClient client{path};
    client.send(request(1, "echo"));
    EXPECT_EQ(client.object().at("id"), 1);
}

TEST(Server, a_second_one_on_the_same_socket_is_refused_and_the_first_goes_on) {
    const Folder folder;
    House house{{.path = folder / "s"}};
    boost::asio::io_context io;
    const auto second = Server::open(io, {.path = house.path}, House::answer);
    ASSERT_FALSE(second);
    EXPECT_EQ(second.error().failure, Failure::try_again);
    EXPECT_THAT(second.error().message, HasSubstr("another daemon listens on " + house.path));
    RawClient client{house.path};
    client.send(request(1, "echo"));
    EXPECT_EQ(client.object().at("id"), 1);
}

// One whose lock file was removed by hand is still noticed, by its answering the door.
TEST(Server, a_live_socket_without_its_lock_is_not_taken_for_stale) {
    const Folder folder;
    House house{{.path = folder / "s"}};
    std::filesystem::remove(house.path + ".lock");
    boost::asio::io_context io;
    const auto second = Server::open(io, {.path = house.path}, House::answer);
    ASSERT_FALSE(second);
    EXPECT_EQ(second.error().failure, Failure::try_again);
}

TEST(Server, what_is_no_socket_is_left_alone) {
    const Folder folder;
    const std::string path = folder / "s";
    std::ofstream{path} << "a person's notes";
    boost::asio::io_context io;
    const auto server = Server::open(io, {.path = path}, House::answer);
    ASSERT_FALSE(server);
    EXPECT_EQ(server.error().failure, Failure::bad_config);
    EXPECT_THAT(server.error().message, HasSubstr("is not a socket"));
    EXPECT_EQ(std::filesystem::file_size(path), 16U);
}

// sockaddr_un: sun_path has 108 bytes, the last for its end (unix(7)).
TEST(Server, a_path_of_107_bytes_is_taken_and_one_of_108_names_the_limit) {
    const Folder folder;
    const std::string base = folder / "";
    House house{{.path = base + std::string(107 - base.size(), 'a')}};
    EXPECT_TRUE(RawClient{house.path}.connected());
    boost::asio::io_context io;
    const auto server = Server::open(io, {.path = base + std::string(108 - base.size(), 'b')}, House::answer);
    ASSERT_FALSE(server);
    EXPECT_EQ(server.error().failure, Failure::bad_config);
    EXPECT_THAT(server.error().message, HasSubstr("at most 107"));
}

TEST(Server, a_directory_that_cannot_be_made_is_said) {
    const Folder folder;
    std::ofstream{folder / "file"} << "x";
    boost::asio::io_context io;
    const auto server = Server::open(io, {.path = folder / "file/s"}, House::answer);
    ASSERT_FALSE(server);
    EXPECT_EQ(server.error().failure, Failure::cannot_create);
    EXPECT_THAT(server.error().message, HasSubstr("directory"));
}

TEST(Server, closing_removes_the_socket_and_ends_every_client) {
    const Folder folder;
    House house{{.path = folder / "s"}};
    RawClient client{house.path};
    client.send(request(1, "echo"));
    client.object();
    house.on_thread([&] {
        house.server->close();
        house.server->close();
    });
    EXPECT_FALSE(client.line());
    EXPECT_FALSE(std::filesystem::exists(house.path));
    EXPECT_FALSE(RawClient{house.path}.connected());
}

TEST(Server, an_answer_that_comes_after_closing_hurts_nobody) {
    const Folder folder;
    std::promise<Reply> kept;
    House house{{.path = folder / "s"}, Handler{[&kept](Request, Reply reply) { kept.set_value(std::move(reply)); }}};
    RawClient client{house.path};
    client.send(request(1, "echo"));
    Reply reply = kept.get_future().get();
    house.on_thread([&] { house.server->close(); });
    reply(json::value(1));
    reply(json::value(2));
    EXPECT_FALSE(client.line());
}

}  // namespace
}  // namespace slowfilm::control
