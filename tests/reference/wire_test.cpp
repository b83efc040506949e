// What instruments say on the line, against published frames, check values and tables. The source stands beside each.
#include "daemon/wire/board/frame.hpp"
#include "daemon/wire/modbus.hpp"
#include "daemon/wire/modbus_value.hpp"
#include "daemon/wire/scpi.hpp"
#include "daemon/wire/temperature.hpp"
#include "tests/daemon/wire/pieces.hpp"

#include <string>
#include <utility>
#include <vector>

#include <gtest/gtest.h>

namespace slowfilm::wire::test {
namespace {

using modbus::Function;
using modbus::Request;

// --- Check values of CRCs: the RevEng catalogue of parametrised CRC algorithms, reveng.sourceforge.io/crc-catalogue.

TEST(CrcReference, check_values_are_those_of_the_catalogue) {
    const std::string nine = "123456789";
    EXPECT_EQ(modbus::crc16(nine), 0x4B37) << "CRC-16/MODBUS";
    EXPECT_EQ(modbus::crc16(""), 0xFFFF);
    EXPECT_EQ(modbus::crc16(std::string(1, '\0')), 0x40BF) << "computed with the catalogue's parameters";
    EXPECT_EQ(board::crc16(nine.data(), nine.size()), 0x29B1) << "CRC-16/IBM-3740";
    EXPECT_EQ(board::crc16("", 0), 0xFFFF);
    EXPECT_EQ(board::crc16("", 1), 0xE1F0) << "a byte of zero; computed with the catalogue's parameters";
}

// --- Modbus frames: examples of "MODBUS over serial line, specification and implementation guide" V1.02 and of
// drivers' manuals that print them; each CRC was computed anew with the catalogue's parameters.

TEST(ModbusReference, requests_are_the_printed_frames) {
    const std::vector<std::pair<Request, std::string>> frames{
        {{0x11, Function::read_holding, 0x6B, 3, {}}, "11 03 00 6B 00 03 76 87"},
        {{1, Function::read_holding, 0, 10, {}}, "01 03 00 00 00 0A C5 CD"},
        {{1, Function::read_input, 0, 2, {}}, "01 04 00 00 00 02 71 CB"},
        {{1, Function::write_register, 1, 1, {3}}, "01 06 00 01 00 03 98 0B"},
        {{1, Function::write_registers, 0, 2, {0x4048, 0xF5C3}}, "01 10 00 00 00 02 04 40 48 F5 C3 61 78"},
    };
    for (const auto& [request, frame] : frames) {
        EXPECT_EQ(modbus::encode(request), hex(frame)) << frame;
        EXPECT_EQ(modbus::crc16(hex(frame)), 0) << "over a whole frame the CRC is zero";
        modbus::RequestReader server;
        const auto heard = server.push(hex(frame));
        ASSERT_EQ(heard.size(), 1U);
        EXPECT_EQ(heard.front().request, request);
    }
    EXPECT_EQ(modbus::crc16(hex("02 07")), 0x1241) << "the guide's appendix: 41 12 on the wire";
}

TEST(ModbusReference, replies_are_the_printed_frames) {
    const Request read{1, Function::read_holding, 0, 2, {}};
    EXPECT_EQ(modbus::encode_reply(read, {0x4048, 0xF5C3}), hex("01 03 04 40 48 F5 C3 68 E4"));
    EXPECT_EQ(modbus::encode_reply({1, Function::write_registers, 0, 2, {1, 2}}, {}), hex("01 10 00 00 00 02 41 C8"));
    EXPECT_EQ(modbus::encode_exception(1, 0x03, modbus::Exception::illegal_address), hex("01 83 02 C0 F1"));
    EXPECT_EQ(modbus::encode_exception(1, 0x06, modbus::Exception::server_failure), hex("01 86 04 43 A3"));
    modbus::ReplyReader reader{read};
    EXPECT_EQ(reader.push(hex("01 03 04 40 48 F5 C3 68 E4")).value().values,
              (std::vector<std::uint16_t>{0x4048, 0xF5C3}));
    modbus::ReplyReader refused{read};
    EXPECT_EQ(refused.push(hex("01 83 02 C0 F1")).value().exception, modbus::Exception::illegal_address);
}

TEST(ModbusReference, gaps_are_those_of_characters_of_eleven_bits) {
    // MODBUS over serial line V1.02, 2.5.1.1: 1.5 and 3.5 characters, above 19200 baud 750 us and 1.750 ms.
    const std::vector<std::tuple<int, int, int>> gaps{
        {1'200, 13'750, 32'084}, {2'400, 6'875, 16'042}, {4'800, 3'438, 8'021}, {9'600, 1'719, 4'011},
        {19'200, 860, 2'006},    {38'400, 750, 1'750},   {115'200, 750, 1'750}};
    for (const auto& [baud, within, between] : gaps) {  // computed, rounded up to a microsecond
        EXPECT_EQ(modbus::gap_within_frame(baud).count, within) << baud;
        EXPECT_EQ(modbus::gap_between_frames(baud).count, between) << baud;
    }
    // 8 + 9 characters at 9600 baud and two gaps: 19.479 ms + 8.022 ms (computed).
    EXPECT_EQ(modbus::exchange_time({1, Function::read_holding, 0, 2, {}}, 9'600).count, 19'480 + 2 * 4'011);
}

TEST(ModbusReference, orders_of_a_float_are_those_of_the_modbus_library_tests) {
    // 123456.0 as float32 is 47F1 2000; its four orders as in libmodbus, tests/unit-test.h.in.
    const std::vector<std::pair<modbus::WordOrder, std::vector<std::uint16_t>>> orders{
        {modbus::WordOrder::abcd, {0x47F1, 0x2000}},
        {modbus::WordOrder::cdab, {0x2000, 0x47F1}},
        {modbus::WordOrder::badc, {0xF147, 0x0020}},
        {modbus::WordOrder::dcba, {0x0020, 0xF147}},
    };
    for (const auto& [order, registers] : orders) {
        const modbus::RegisterFormat format{modbus::RegisterType::f32, order, 1.0, 0.0, 0.0, 1e6};
        EXPECT_EQ(modbus::decode_value(registers, format).value(), 123'456.0);
        EXPECT_EQ(modbus::encode_value(123'456.0, format).value(), registers);
    }
    // 4.2 V is 4086 6666; read in another order it is 2.718e23, -3.62e-35 and 2.722e23 (computed): far off, or hardly
    // distinguishable from nothing.
    const std::vector<std::uint16_t> cell{0x4086, 0x6666};
    const auto readings = modbus::readings_in_each_order(cell, modbus::RegisterType::f32);
    EXPECT_NEAR(readings[0], 4.2, 1e-6);
    EXPECT_NEAR(readings[1] / 2.718e23, 1.0, 1e-3);
    EXPECT_NEAR(readings[2] / -3.62e-35, 1.0, 1e-2);
    EXPECT_NEAR(readings[3] / 2.722e23, 1.0, 1e-3);
}

// --- SCPI-1999 vol. 2, 21.8: classes of error numbers, and the numbers a driver must know.

TEST(ScpiReference, error_numbers_have_the_classes_of_the_standard) {
    using enum ErrorClass;
    for (const auto& [number, expected] : std::vector<std::pair<int, ErrorClass>>{{0, none},
                                                                                  {-100, command},
                                                                                  {-113, command},
                                                                                  {-199, command},
                                                                                  {-200, execution},
                                                                                  {-222, execution},
                                                                                  {-299, execution},
                                                                                  {-300, device},
                                                                                  {-350, device},
                                                                                  {-399, device},
                                                                                  {1, device},
                                                                                  {32'767, device},
                                                                                  {-400, query},
                                                                                  {-410, query},
                                                                                  {-499, query},
                                                                                  {-500, power_on},
                                                                                  {-600, user_request},
                                                                                  {-700, request_control},
                                                                                  {-800, operation_complete},
                                                                                  {-899, operation_complete},
                                                                                  {-900, reserved},
                                                                                  {-99, reserved},
                                                                                  {-1, reserved},
                                                                                  {-32'768, reserved}}) {
        EXPECT_EQ(error_class(number), expected) << number;
    }
}

TEST(ScpiReference, error_numbers_oblige_a_driver) {
    using enum ErrorDuty;
    for (const auto& [number, duty] :
         std::vector<std::pair<int, ErrorDuty>>{{0, nothing},              // No error
                                                {-102, not_understood},    // Syntax error
                                                {-113, not_understood},    // Undefined header
                                                {-131, not_understood},    // Invalid suffix
                                                {-201, take_control},      // Invalid while in local
                                                {-200, not_taken},         // Execution error
                                                {-221, read_back_all},     // Settings conflict
                                                {-222, not_taken},         // Data out of range
                                                {-224, not_taken},         // Illegal parameter value
                                                {-240, instrument_fault},  // Hardware error
                                                {-300, instrument_fault},  // Device-specific error
                                                {-350, read_back_all},     // Queue overflow
                                                {-361, resynchronise},     // Parity error in program message
                                                {-363, resynchronise},     // Input buffer overrun
                                                {-410, resynchronise},     // Query INTERRUPTED
                                                {-420, resynchronise},     // Query UNTERMINATED
                                                {-500, rebooted},          // Power on
                                                {-800, nothing},           // Operation complete
                                                {17, instrument_fault}}) {
        EXPECT_EQ(error_duty(number), duty) << number;
        EXPECT_FALSE(describe(ErrorEntry{number, "x"}).empty());
    }
}

// --- IEC 60751, alpha = 0.003851: points of the table of a Pt100, in ohms (the 10 K points as printed by suppliers of
// sensors, the others computed from the standard's coefficients).

TEST(PlatinumReference, ohms_are_those_of_the_table) {
    for (const auto& [celsius, ohms] : std::vector<std::pair<double, double>>{{-200, 18.52008},
                                                                              {-40, 84.27065},
                                                                              {-20, 92.15990},
                                                                              {0, 100.00000},
                                                                              {10, 103.90252},
                                                                              {20, 107.79350},
                                                                              {25, 109.73466},
                                                                              {30, 111.67292},
                                                                              {40, 115.54080},
                                                                              {45, 117.47041},
                                                                              {50, 119.39713},
                                                                              {55, 121.32096},
                                                                              {60, 123.24190},
                                                                              {80, 130.89680},
                                                                              {100, 138.50550},
                                                                              {150, 157.32512}}) {
        EXPECT_NEAR(platinum_ohms(celsius, 100.0), ohms, 6e-6) << celsius;
        EXPECT_NEAR(platinum_ohms(celsius, 1'000.0), 10.0 * ohms, 6e-5) << celsius;
        EXPECT_NEAR(platinum_celsius(ohms, 100.0).value(), celsius, 1.5e-5) << celsius;
    }
    EXPECT_NEAR(platinum_ohms(-50.0, 100.0), 80.31, 0.005);
    // Below 0 degC the formula for above it is off: 84.2707 ohm would be -40.009 degC (computed).
    EXPECT_NEAR(platinum_celsius(84.2707, 100.0).value(), -40.0, 2e-4);
    // Half an ohm of leads is 1.29 K too warm on a Pt100 and 0.13 K on a Pt1000 (computed).
    EXPECT_NEAR(platinum_celsius(109.73466 + 0.5, 100.0).value() - 25.0, 1.29, 0.005);
    EXPECT_NEAR(platinum_celsius(1'097.3466 + 0.5, 1'000.0).value() - 25.0, 0.13, 0.005);
}

// --- NTC: computed from the definition of beta, 1/T = 1/298.15 K + ln(R/R25)/beta; points as data sheets print them.

TEST(NtcReference, ohms_are_those_of_beta) {
    const BetaNtc b3950{10'000.0, 3'950.0};
    for (const auto& [celsius, ohms] : std::vector<std::pair<double, double>>{{-40, 401'860},
                                                                              {-20, 105'385},
                                                                              {0, 33'620.6},
                                                                              {10, 20'174.6},
                                                                              {25, 10'000},
                                                                              {45, 4'348.1},
                                                                              {60, 2'486.2},
                                                                              {100, 697.5}}) {
        EXPECT_NEAR(ntc_ohms(celsius, b3950) / ohms, 1.0, 5e-5) << celsius;
        EXPECT_NEAR(ntc_celsius(ohms, b3950).value(), celsius, 2e-3) << celsius;
    }
    const BetaNtc b3435{10'000.0, 3'435.0};
    for (const auto& [celsius, ohms] :
         std::vector<std::pair<double, double>>{{0, 28'704.3}, {45, 4'846.9}, {60, 2'980.9}, {100, 987.0}}) {
        EXPECT_NEAR(ntc_ohms(celsius, b3435) / ohms, 1.0, 5e-5) << celsius;
    }
    EXPECT_NEAR(ntc_celsius(4'000.0, b3950).value(), 47.15, 0.01) << "with a wrong beta it would be 50.76";
    EXPECT_NEAR(ntc_celsius(4'000.0, b3435).value(), 50.76, 0.01);
}

TEST(NtcReference, steinhart_and_hart_are_read) {
    // Through (0 degC, 32650 ohm), (25, 10000), (60, 2488); and a widely printed set of coefficients.
    EXPECT_NEAR(ntc_celsius(4'367.0, SteinhartHartNtc{1.127598e-3, 2.343604e-4, 8.687815e-8}).value(), 45.004, 1e-3);
    EXPECT_NEAR(ntc_celsius(4'367.0, SteinhartHartNtc{1.129148e-3, 2.34125e-4, 8.76741e-8}).value(), 44.9999, 1e-3);
}

TEST(NtcReference, counts_of_a_divider_are_read) {
    // 10 kohm above, NTC below, 12 bits: 25 degC 2047.5, 45 degC 1241.0, 60 degC 815.4 counts (computed).
    const BetaNtc b3950{10'000.0, 3'950.0};
    for (const auto& [celsius, counts] :
         std::vector<std::pair<double, double>>{{25, 2'047.5}, {45, 1'241.0}, {60, 815.4}}) {
        const auto ohms = divider_ohms(counts / 4'095.0, {10'000.0, true});
        EXPECT_NEAR(ntc_celsius(ohms.value(), b3950).value(), celsius, 0.02) << celsius;
    }
}

// --- Thermocouple type K: NIST Monograph 175 / ITS-90 reference tables (its90.nist.gov), millivolts at 0 degC
// junction.

TEST(ThermocoupleReference, millivolts_are_those_of_the_table) {
    for (const auto& [celsius, millivolts] : std::vector<std::pair<double, double>>{{-270, -6.458},
                                                                                    {-200, -5.891},
                                                                                    {-100, -3.554},
                                                                                    {-40, -1.527},
                                                                                    {-20, -0.778},
                                                                                    {0, 0.000},
                                                                                    {10, 0.397},
                                                                                    {20, 0.798},
                                                                                    {25, 1.000},
                                                                                    {30, 1.203},
                                                                                    {40, 1.612},
                                                                                    {45, 1.817},
                                                                                    {55, 2.230},
                                                                                    {60, 2.436},
                                                                                    {80, 3.267},
                                                                                    {100, 4.096},
                                                                                    {500, 20.644},
                                                                                    {1'372, 54.886}}) {
        EXPECT_NEAR(type_k_millivolts(celsius), millivolts, 5.1e-4) << celsius;
    }
    EXPECT_NEAR(type_k_millivolts(100.0), 4.096230, 1e-6) << "computed from the coefficients";
}

TEST(ThermocoupleReference, the_junction_is_compensated_in_millivolts) {
    // 60 degC against terminals at 25 degC: 1.436229 mV (computed).
    const double measured = type_k_millivolts(60.0) - type_k_millivolts(25.0);
    EXPECT_NEAR(measured, 1.436229, 2e-6);
    EXPECT_NEAR(type_k_celsius(measured, 25.0).value(), 60.0, 1e-6);
    EXPECT_NEAR(type_k_celsius(measured, 0.0).value(), 35.7, 0.1) << "what it would be without compensation";
    EXPECT_NEAR(type_k_celsius(measured, 0.0).value() + 25.0, 60.7, 0.1) << "and with degrees added";
}

}  // namespace
}  // namespace slowfilm::wire::test
