// Two Modbus units on one line, through the client's side of the codec.
#include "daemon/wire/modbus.hpp"

#include "daemon/wire/modbus_value.hpp"
#include "tests/sim/instrument/world.hpp"

#include <optional>
#include <vector>

namespace slowfilm::sim::instrument {
namespace {

namespace modbus = wire::modbus;

std::string bus() {
    return circuit_cell("c1", "chamber = \"oven\"\n") + circuit_cell("c2") +
           "[[instrument]]\nname = \"temps\"\nkind = \"temperature module\"\nport = \"bus\"\nunit = 7\n"
           "of = [\"c1\", \"c2\", \"oven\", \"room\"]\n"
           "[[instrument]]\nname = \"oven\"\nkind = \"chamber\"\nport = \"bus\"\nunit = 9\nramp = \"2 K/min\"\n";
}

class Client {
  public:
    std::optional<modbus::Reply> ask(const modbus::Request& request) {
        modbus::ReplyReader reader{request};
        return reader.push(world.exchange("bus", modbus::encode(request), 200_ms));
    }
    std::vector<std::uint16_t> read(std::uint8_t unit, std::uint16_t address, std::uint16_t count = 1) {
        const auto reply = ask({unit, modbus::Function::read_input, address, count, {}});
        EXPECT_TRUE(reply && !reply->exception);
        return reply ? reply->values : std::vector<std::uint16_t>(count);
    }
    std::optional<modbus::Exception> write(std::uint8_t unit, std::uint16_t address, std::uint16_t value) {
        const auto reply = ask({unit, modbus::Function::write_register, address, 1, {value}});
        EXPECT_TRUE(reply);
        return reply ? reply->exception : std::nullopt;
    }
    World world{bus()};
};

TEST(VirtualModbus, a_module_reads_its_cells_in_tenths_and_as_floats_in_both_orders) {
    Client client;
    EXPECT_EQ(client.read(7, 0, 4), (std::vector<std::uint16_t>{250, 250, 250, 250}));
    const modbus::RegisterFormat abcd{.type = modbus::RegisterType::f32, .least = -100, .most = 200};
    modbus::RegisterFormat cdab = abcd;
    cdab.order = modbus::WordOrder::cdab;
    EXPECT_NEAR(modbus::decode_value(client.read(7, 102, 2), abcd).value_or(0), 25.0, 0.05);
    EXPECT_NEAR(modbus::decode_value(client.read(7, 202, 2), cdab).value_or(0), 25.0, 0.05);
    EXPECT_FALSE(modbus::decode_value(client.read(7, 202, 2), abcd) == 25.0) << "the wrong order is not the same";
    EXPECT_EQ(client.read(7, 300), (std::vector<std::uint16_t>{250})) << "the known reading";
    EXPECT_EQ(modbus::decode_value(client.read(7, 302, 2), abcd), 25.0);
    EXPECT_EQ(modbus::decode_value(client.read(7, 304, 2), cdab), 25.0);
}

// MODBUS Application Protocol V1.1b3, 7: exception codes.
TEST(VirtualModbus, what_it_has_not_is_answered_with_an_exception) {
    Client client;
    const auto exception = [&](const modbus::Request& request) {
        const auto reply = client.ask(request);
        return reply ? reply->exception : std::nullopt;
    };
    EXPECT_EQ(exception({7, modbus::Function::read_input, 3, 2, {}}), modbus::Exception::illegal_address);
    EXPECT_EQ(exception({7, modbus::Function::read_input, 65'535, 1, {}}), modbus::Exception::illegal_address);
    EXPECT_EQ(exception({7, modbus::Function::write_register, 0, 1, {1}}), modbus::Exception::illegal_function);
    EXPECT_EQ(exception({9, modbus::Function::read_coils, 0, 1, {}}), modbus::Exception::illegal_function);
    EXPECT_EQ(exception({9, modbus::Function::write_register, 1, 1, {1}}), modbus::Exception::illegal_address);
    EXPECT_EQ(exception({9, modbus::Function::write_register, 2, 1, {2}}), modbus::Exception::illegal_value);
    EXPECT_EQ(exception({9, modbus::Function::write_register, 0, 1, {2000}}), modbus::Exception::illegal_value);
    EXPECT_FALSE(client.ask({8, modbus::Function::read_input, 0, 1, {}})) << "nobody is unit 8";
}

TEST(VirtualModbus, a_chamber_goes_where_it_is_set_at_its_own_pace_and_its_cells_with_it) {
    Client client;
    EXPECT_FALSE(client.write(9, 0, 450));
    EXPECT_EQ(client.read(9, 0, 3), (std::vector<std::uint16_t>{450, 250, 0})) << "set, and still off";
    EXPECT_FALSE(client.write(9, 2, 1));
    client.world.pass(5_min);
    EXPECT_NEAR(client.read(9, 1)[0], 350, 3);
    EXPECT_NEAR(client.read(7, 2)[0], 350, 3) << "the thermometer in its air";
    client.world.pass(3_h);
    EXPECT_EQ(client.read(9, 1)[0], 450);
    EXPECT_NEAR(client.read(7, 0)[0], 450, 1) << "the cell in it";
    EXPECT_EQ(client.read(7, 1)[0], 250) << "the cell outside";
    EXPECT_EQ(client.read(7, 3)[0], 250) << "the room";
    EXPECT_FALSE(client.write(9, 2, 0));
    client.world.pass(1_h);
    EXPECT_EQ(client.read(9, 1)[0], 250) << "off it goes back to the room";
}

TEST(VirtualModbus, a_broadcast_is_obeyed_and_not_answered) {
    Client client;
    modbus::Request request{9, modbus::Function::write_register, 0, 1, {300}};
    std::string frame = modbus::encode(request);
    frame[0] = 0;
    frame.resize(frame.size() - 2);
    const std::uint16_t crc = modbus::crc16(frame);
    frame += static_cast<char>(crc & 0xFFU);
    frame += static_cast<char>(crc >> 8U);
    EXPECT_EQ(client.world.exchange("bus", frame, 200_ms), "");
    EXPECT_EQ(client.read(9, 0)[0], 300);
}

TEST(VirtualModbus, a_silent_unit_leaves_the_other_as_it_was) {
    Client client;
    client.world.command("fault temps silent");
    EXPECT_FALSE(client.ask({7, modbus::Function::read_input, 0, 1, {}}));
    EXPECT_EQ(client.read(9, 1)[0], 250);
}

TEST(VirtualModbus, thermometers_may_be_swapped_broken_or_stale) {
    Client client;
    EXPECT_FALSE(client.write(9, 0, 400));
    EXPECT_FALSE(client.write(9, 2, 1));
    client.world.pass(4_h);
    EXPECT_EQ(client.read(7, 0, 2), (std::vector<std::uint16_t>{400, 250}));
    client.world.command("fault temps thermometers swapped");
    EXPECT_EQ(client.read(7, 0, 2), (std::vector<std::uint16_t>{250, 400}));
    client.world.command("clear temps");
    client.world.command("fault temps thermometer value 150");
    EXPECT_EQ(client.read(7, 0)[0], 1'500);
    client.world.command("clear temps");
    client.world.command("fault temps thermometer");
    EXPECT_EQ(client.read(7, 0)[0], 0x8000);
    EXPECT_FALSE(
        modbus::decode_value(client.read(7, 100, 2), {.type = modbus::RegisterType::f32, .least = -1e9, .most = 1e9}));
    client.world.command("clear temps");
    client.world.command("fault temps stale");
    EXPECT_EQ(client.read(7, 0)[0], 400);
    EXPECT_FALSE(client.write(9, 2, 0));
    client.world.pass(4_h);
    EXPECT_EQ(client.read(7, 0)[0], 400);
    client.world.command("clear temps");
    EXPECT_EQ(client.read(7, 0)[0], 250);
}

TEST(VirtualModbus, a_chamber_turned_by_hand_or_rebooted_is_seen) {
    Client client;
    EXPECT_FALSE(client.write(9, 2, 1));
    client.world.command("front oven temp 40");
    EXPECT_EQ(client.read(9, 0)[0], 400);
    client.world.command("fault oven rebooted");
    EXPECT_EQ(client.read(9, 0, 3), (std::vector<std::uint16_t>{250, 250, 0}));
    client.world.command("fault oven error queued");
    const auto reply = client.ask({9, modbus::Function::read_input, 0, 1, {}});
    ASSERT_TRUE(reply);
    EXPECT_EQ(reply->exception, modbus::Exception::busy);
    EXPECT_EQ(client.read(9, 0)[0], 250) << "once";
}

}  // namespace
}  // namespace slowfilm::sim::instrument
