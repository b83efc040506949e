#include "daemon/protocol/guard_table.hpp"

#include "daemon/protocol/grammar.hpp"

#include <set>

namespace slowfilm {
namespace {

using namespace literals;

TEST(GuardTable, every_guard_has_its_own_row_name_and_key) {
    std::set<std::string_view> names;
    std::set<std::string_view> keys;
    for (std::size_t i = 0; i < guard_count; ++i) {
        const GuardRow& row = guard_row(static_cast<GuardId>(i));
        EXPECT_EQ(static_cast<std::size_t>(row.id), i);
        EXPECT_TRUE(names.insert(row.name).second) << row.name;
        EXPECT_TRUE(row.key.empty() || keys.insert(row.key).second) << row.key;
        EXPECT_FALSE(row.by_default.empty()) << row.name;
        EXPECT_FALSE(row.fires_when.empty()) << row.name;
        EXPECT_FALSE(row.why.empty()) << row.name;
    }
    EXPECT_EQ(names.size(), guard_count);
}

TEST(GuardTable, a_hard_guard_of_voltage_or_current_lasts_two_seconds_at_most_and_one_of_temperature_ten) {
    for (const GuardRow& row : guard_table()) {
        if (row.hardness != Hardness::hard) {
            continue;
        }
        switch (row.dimension) {
            case Dimension::voltage:
                // A fall is judged against the voltage's own noise over a minute; an internal short lasts.
                EXPECT_LE(row.persistence_max, row.id == GuardId::voltage_fall ? 60_s : 2_s) << row.name;
                break;
            case Dimension::current: EXPECT_LE(row.persistence_max, 2_s) << row.name; break;
            case Dimension::temperature: EXPECT_LE(row.persistence_max, 10_s) << row.name; break;
            case Dimension::time:
            case Dimension::charge: EXPECT_EQ(row.persistence_max, Duration{}) << row.name; break;
            case Dimension::ratio: EXPECT_EQ(row.id, GuardId::not_plausible); break;
            case Dimension::temperature_difference:
            case Dimension::temperature_slope:
            case Dimension::voltage_slope:
            case Dimension::resistance:
            case Dimension::rate: ADD_FAILURE() << row.name; break;
        }
    }
}

TEST(GuardTable, no_default_persistence_is_longer_than_its_own_cap) {
    for (const GuardRow& row : guard_table()) {
        if (row.hardness != Hardness::soft) {
            EXPECT_LE(row.persistence, row.persistence_max) << row.name;
        }
    }
}

TEST(GuardTable, only_what_can_be_put_right_by_waiting_or_wiring_is_soft) {
    std::set<std::string_view> soft;
    for (const GuardRow& row : guard_table()) {
        if (row.hardness == Hardness::soft) {
            soft.insert(row.key);
        }
    }
    EXPECT_EQ(soft, (std::set<std::string_view>{"above_ambient", "current_error", "hold_error", "lead_drop", "stuck",
                                                "temperature_min", "voltage_jump"}));
}

TEST(GuardTable, what_hurts_the_cell_quarantines_it_and_what_is_the_channels_does_not) {
    for (const std::string_view key : {"voltage_max", "low_voltage", "discharge_floor", "current_max",
                                       "temperature_max", "temperature_rise", "climb", "charge_leg_max", "net_max"}) {
        const auto rows = guard_table();
        const auto row = std::find_if(rows.begin(), rows.end(), [&](const GuardRow& r) { return r.key == key; });
        ASSERT_NE(row, rows.end()) << key;
        EXPECT_EQ(row->trip_class, TripClass::cell) << key;
    }
    EXPECT_EQ(guard_row(GuardId::current_lost).trip_class, TripClass::channel);
    EXPECT_EQ(guard_row(GuardId::leakage).trip_class, TripClass::channel);
    EXPECT_EQ(guard_row(GuardId::stale).trip_class, TripClass::channel);
    EXPECT_EQ(guard_row(GuardId::run_time).trip_class, TripClass::channel);
}

TEST(GuardTable, every_key_of_limits_is_a_guards_and_every_guards_key_is_in_limits) {
    std::set<std::string_view> of_guards;
    for (const GuardRow& row : guard_table()) {
        if (!row.key.empty()) {
            of_guards.insert(row.key);
        }
    }
    std::set<std::string_view> of_limits;
    for (const protocol::Key& key : protocol::grammar_section("limits").keys) {
        of_limits.insert(key.name);
        EXPECT_EQ(key.required != 0, [&] {
            const auto rows = guard_table();
            return std::find_if(rows.begin(), rows.end(), [&](const GuardRow& r) {
                       return r.key == key.name;
                   })->by_default == "must be written";
        }()) << key.name;
    }
    EXPECT_EQ(of_guards, of_limits);
}

}  // namespace
}  // namespace slowfilm
