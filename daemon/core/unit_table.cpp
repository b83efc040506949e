#include "daemon/core/unit_table.hpp"

#include "daemon/core/ensure.hpp"

#include <array>

namespace slowfilm {

namespace {

constexpr std::int64_t thousand = 1'000;
constexpr std::int64_t million = 1'000'000;
constexpr std::int64_t billion = 1'000'000'000;
constexpr std::int64_t ampere_second = million * million;  // pC

constexpr auto time_units = std::to_array<WrittenUnit>({{"d", 86'400 * million},
                                                        {"h", 3'600 * million},
                                                        {"min", 60 * million},
                                                        {"s", million},
                                                        {"ms", thousand},
                                                        {"us", 1}});
constexpr auto voltage_units =
    std::to_array<WrittenUnit>({{"V", billion}, {"mV", million}, {"uV", thousand}, {"nV", 1}});
constexpr auto current_units =
    std::to_array<WrittenUnit>({{"A", billion}, {"mA", million}, {"uA", thousand}, {"nA", 1}});
constexpr auto charge_units = std::to_array<WrittenUnit>({{"Ah", 3'600 * ampere_second},
                                                          {"mAh", 3'600 * billion},
                                                          {"uAh", 3'600 * million},
                                                          {"As", ampere_second},
                                                          {"mAs", billion},
                                                          {"uAs", million}});
constexpr auto temperature_units = std::to_array<WrittenUnit>({{"degC", thousand}});
constexpr auto difference_units = std::to_array<WrittenUnit>({{"K", thousand}});
constexpr auto temperature_slope_units =
    std::to_array<WrittenUnit>({{"K/s", 3'600 * thousand}, {"K/min", 60 * thousand}, {"K/h", thousand}});
constexpr auto voltage_slope_units = std::to_array<WrittenUnit>(
    {{"V/h", 24 * billion}, {"mV/h", 24 * million}, {"mV/d", million}, {"uV/h", 24 * thousand}, {"uV/d", thousand}});
constexpr auto resistance_units =
    std::to_array<WrittenUnit>({{"ohm", billion}, {"mohm", million}, {"uohm", thousand}, {"nohm", 1}});
constexpr auto ratio_units = std::to_array<WrittenUnit>({{"%", 10 * thousand}});

constexpr DimensionWords time_words{
    "time", "a time", "90 s", "1 us", "3650 d (ten years)", 3'650 * (86'400 * million), false, 0, time_units};
constexpr DimensionWords voltage_words{"voltage",        "a voltage", "4.20 V", "1 nV",       "1000000 V",
                                       billion* million, true,        0,        voltage_units};
constexpr DimensionWords current_words{"current",        "a current", "350 mA", "1 nA",       "1000000 A",
                                       billion* million, false,       0,        current_units};
constexpr DimensionWords charge_words{
    "charge", "a charge", "0.5 Ah", "0.000001 uAs", "1000 Ah", 3'600'000 * ampere_second, false, 0, charge_units};
constexpr DimensionWords temperature_words{"temperature", "a temperature", "45 degC",
                                           "0.001 degC",  "10000 degC",    10 * million,
                                           true,          273'150,         temperature_units};
constexpr DimensionWords difference_words{
    "temperature difference", "a temperature difference", "2 K", "0.001 K", "10000 K", 10 * million, true, 0,
    difference_units};
constexpr DimensionWords temperature_slope_words{
    "temperature slope",    "a temperature slope", "2 K/min", "0.001 K/h", "10000 K/s", 36 * billion, true, 0,
    temperature_slope_units};
constexpr DimensionWords voltage_slope_words{"voltage slope",    "a voltage slope",      "0.5 mV/h", "0.001 uV/d",
                                             "1000 V/h",         24 * thousand* billion, true,       0,
                                             voltage_slope_units};
constexpr DimensionWords resistance_words{"resistance",     "a resistance", "40 mohm", "1 nohm",        "1000000 ohm",
                                          billion* million, false,          0,         resistance_units};
constexpr DimensionWords ratio_words{"ratio",      "a ratio", "35 %", "0.0001 %", "1000000 %",
                                     10 * billion, false,     0,      ratio_units};
constexpr DimensionWords rate_words{"rate", "a rate", "C/20", "0.000001C", "1000C", billion, false, 0, {}};

}  // namespace

const DimensionWords& words_of(Dimension dimension) {
    switch (dimension) {
        case Dimension::time: return time_words;
        case Dimension::voltage: return voltage_words;
        case Dimension::current: return current_words;
        case Dimension::charge: return charge_words;
        case Dimension::temperature: return temperature_words;
        case Dimension::temperature_difference: return difference_words;
        case Dimension::temperature_slope: return temperature_slope_words;
        case Dimension::voltage_slope: return voltage_slope_words;
        case Dimension::resistance: return resistance_words;
        case Dimension::ratio: return ratio_words;
        case Dimension::rate: return rate_words;
    }
    broken_invariant("a dimension that is one", __FILE__, __LINE__);
}

std::string list_units(Dimension dimension) {
    const auto units = words_of(dimension).units;
    std::string list;
    for (std::size_t i = 0; i < units.size(); ++i) {
        if (i > 0) {
            list += i + 1 == units.size() ? " and " : ", ";
        }
        list += units[i].name;
    }
    return list;
}

}  // namespace slowfilm
