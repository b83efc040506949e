// The virtual instruments under clients that are not ours, on the machine's own clock.
#include "tests/sim/instrument/clients/process.hpp"

#include <cmath>
#include <cstring>
#include <memory>

#include <modbus/modbus.h>
#include <sys/socket.h>
#include <sys/un.h>

namespace slowfilm::clients {
namespace {

TEST(ForeignClients, python_drives_a_source_through_a_small_charge) {
    const VirtualPorts ports{bench_with(source_at_it)};
    Program client{
        {"/usr/bin/python3", SLOWFILM_SOURCE_DIR "/tests/sim/instrument/clients/serial_client.py", ports.port("src")}};
    EXPECT_EQ(client.wait(), 0) << client.said();
    EXPECT_NE(client.said().find("charged"), std::string::npos) << client.said();
}

TEST(ForeignClients, python_reaches_a_source_through_a_second_pair_of_pseudo_terminals) {
    const VirtualPorts ports{bench_with(source_at_it)};
    const std::string between = ports.folder() + "/between";
    Program relay{{"/usr/bin/socat", "-d", "-d", "PTY,raw,echo=0,link=" + between, ports.port("src") + ",raw,echo=0"}};
    ASSERT_TRUE(relay.says("starting data transfer loop"));
    Program client{{"/usr/bin/python3", SLOWFILM_SOURCE_DIR "/tests/sim/instrument/clients/serial_client.py", between}};
    EXPECT_EQ(client.wait(), 0) << client.said();
}

TEST(ForeignClients, libmodbus_reads_the_temperature_module_and_sets_the_chamber) {
    const VirtualPorts ports{
        bench_with("[[instrument]]\nname = \"temps\"\nkind = \"temperature module\"\nport = \"bus\"\nunit = 3\n"
                   "of = [\"c1\", \"room\"]\nbaud = 19200\n"
                   "[[instrument]]\nname = \"oven\"\nkind = \"chamber\"\nport = \"bus\"\nunit = 4\n")};
    const std::unique_ptr<modbus_t, decltype(&modbus_free)> client{
        modbus_new_rtu(ports.port("bus").c_str(), 19200, 'N', 8, 1), &modbus_free};
    ASSERT_TRUE(client);
    ASSERT_EQ(modbus_set_response_timeout(client.get(), 10, 0), 0);
    ASSERT_EQ(modbus_set_slave(client.get(), 3), 0);
    ASSERT_EQ(modbus_connect(client.get()), 0) << modbus_strerror(errno);
    std::array<std::uint16_t, 4> words{};
    ASSERT_EQ(modbus_read_input_registers(client.get(), 0, 2, words.data()), 2) << modbus_strerror(errno);
    EXPECT_EQ(words[0], 250);
    EXPECT_EQ(words[1], 250);
    ASSERT_EQ(modbus_read_registers(client.get(), 100, 4, words.data()), 4) << modbus_strerror(errno);
    EXPECT_NEAR(modbus_get_float_abcd(words.data()), 25.0, 0.1);
    ASSERT_EQ(modbus_read_registers(client.get(), 200, 2, words.data()), 2) << modbus_strerror(errno);
    EXPECT_NEAR(modbus_get_float_cdab(words.data()), 25.0, 0.1);
    EXPECT_EQ(modbus_read_registers(client.get(), 50, 1, words.data()), -1);
    EXPECT_EQ(errno, EMBXILADD);
    ASSERT_EQ(modbus_set_slave(client.get(), 4), 0);
    ASSERT_EQ(modbus_write_register(client.get(), 0, 355), 1) << modbus_strerror(errno);
    const std::uint16_t on = 1;
    ASSERT_EQ(modbus_write_registers(client.get(), 2, 1, &on), 1) << modbus_strerror(errno);
    ASSERT_EQ(modbus_read_registers(client.get(), 0, 3, words.data()), 3) << modbus_strerror(errno);
    EXPECT_EQ(words[0], 355);
    EXPECT_EQ(words[2], 1);
    modbus_close(client.get());
}

TEST(ForeignClients, the_console_answers_socat) {
    const VirtualPorts ports{bench_with(source_at_it)};
    std::ofstream{ports.folder() + "/commands"} << "state src\nfault src late value 0.1\nnonsense\n";
    Program client{
        {"/bin/sh", "-c",
         "exec /usr/bin/socat -t 60 - UNIX-CONNECT:" + ports.port("console") + " < " + ports.folder() + "/commands"}};
    EXPECT_TRUE(client.says("two-quadrant source"));
    EXPECT_TRUE(client.says("ok\nok\nerror: no command is called \"nonsense\""));
}

TEST(VirtualProgram, its_links_and_sockets_go_when_it_ends) {
    VirtualPorts ports{bench_with(source_at_it)};
    EXPECT_TRUE(std::filesystem::is_symlink(ports.port("src")));
    EXPECT_EQ(ports.stop(), 0);
    EXPECT_TRUE(std::filesystem::is_empty(ports.folder() + "/ports"));
}

TEST(VirtualProgram, the_file_may_say_where_the_ports_stand) {
    const VirtualPorts other{bench_with(source_at_it)};
    std::ofstream{other.folder() + "/own.toml"} << "folder = \"beside/it\"\n" << bench_with(source_at_it);
    Program program{{SLOWFILM_BINARY_DIR "/bin/slowfilm-virtual", other.folder() + "/own.toml"}};
    EXPECT_TRUE(program.says("ready\n"));
    EXPECT_TRUE(std::filesystem::is_symlink(other.folder() + "/beside/it/src"));
    EXPECT_EQ(program.end(SIGTERM), 0);
}

TEST(VirtualProgram, says_what_is_wrong_with_its_file_and_its_folder) {
    VirtualPorts ports{bench_with(source_at_it)};
    const std::string program = SLOWFILM_BINARY_DIR "/bin/slowfilm-virtual";
    const auto run = [](std::vector<std::string> words, int code, const std::string& said) {
        Program one{std::move(words)};
        EXPECT_EQ(one.wait(), code) << one.said();
        EXPECT_NE(one.said().find(said), std::string::npos) << one.said();
    };
    run({program}, 64, "BENCH");
    run({program, ports.folder() + "/none.toml"}, 66, "none.toml");
    run({program, ports.folder() + "/bench.toml"}, 64, "--in FOLDER");
    run({program, ports.folder() + "/bench.toml", "--in", ports.folder() + "/ports"}, 75, "another program listens");
    std::ofstream{ports.folder() + "/bad.toml"} << "format = 1\n[[instrument]]\nname = \"x\"\nkind = \"suply\"\n";
    run({program, ports.folder() + "/bad.toml", "--in", ports.folder() + "/other"}, 78, "bad.toml:4:8: error");
    std::filesystem::create_directories(ports.folder() + "/taken");
    std::ofstream{ports.folder() + "/taken/src"} << "a file of somebody's";
    run({program, ports.folder() + "/bench.toml", "--in", ports.folder() + "/taken"}, 73, "is no link");
    EXPECT_TRUE(std::filesystem::is_regular_file(ports.folder() + "/taken/src"));
    run({program, ports.folder() + "/bench.toml", "--in", "/proc/none"}, 73, "cannot make the folder");
    run({program, ports.folder() + "/bench.toml", "--in", ports.folder() + "/" + std::string(120, 'x')}, 78,
        "107 bytes");
}

}  // namespace
}  // namespace slowfilm::clients
