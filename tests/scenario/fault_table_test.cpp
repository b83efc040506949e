// Every fault that a virtual instrument can have, in every kind of step, at its beginning, settling, middle and end, on
// every driver: no current within the stated time, or ridden out without harm; and a person is told what it was.
// SLOWFILM_FAULTS=all tries all of them; otherwise each fault once on each driver, in another step each time.
#include "tests/scenario/fault_table.hpp"

#include <cstdlib>
#include <iostream>

#include <gmock/gmock.h>

namespace slowfilm::scenario {
namespace {

constexpr std::size_t abreast = 64;

// Three periods of 2 s until a quantity is stale, a period in which it shows, the answers' deadlines, and the order
// itself; 15 s of a temperature out of range.
constexpr double usual = 30.0;  // s
// Settings are read back once a minute.
constexpr double till_read_back = 125.0;
// A reading that stands still shows when the demand changes, and a queued error when something is ordered: no step of
// the protocol is as long.
constexpr double till_next_step = 400.0;

const std::vector<FaultKindTried>& kinds() {
    static const std::vector<FaultKindTried> all = [] {
        std::vector<FaultKindTried> tried;
        const auto add = [&](std::string_view kind, const std::string& how = "", const std::string& lines = "",
                             double within = usual, bool stays = false) {
            tried.push_back({std::string(kind) + how, "kind = \"" + std::string(kind) + "\"\n" + lines, within, stays});
        };
        for (const std::string_view name : sim::instrument::fault_names()) {
            if (name == "panel turned") {
                add(name, ": volt", "setting = \"volt\"\nvalue = 4.1\n", till_read_back);
                add(name, ": curr", "setting = \"curr\"\nvalue = 2.5\n", till_read_back);
                add(name, ": output", "setting = \"output\"\nvalue = 0\n");
            } else if (name == "protection wrong") {
                add(name, "", "value = 6\n", till_read_back);
            } else if (name == "stale" || name == "last answer again" || name == "error queued" ||
                       name == "settings conflict" || name == "contactor welded") {
                add(name, "", "", till_next_step);
            } else {
                add(name, "", "", usual,
                    name == "frozen" || name == "unplugged" || name == "output stuck on" || name == "off ignored" ||
                        name == "off sinks" || name == "off to zero" || name == "crowbar");
            }
        }
        add("off ignored", " three times", "value = 3\n", till_next_step);
        add("thermometer", " at 150 degC", "value = 150\n");
        for (const char* name : {"silent", "late", "garbled", "over range", "stale", "unplugged"}) {
            add(name, " for 1 s", "for = \"1 s\"\n");
        }
        return tried;
    }();
    return all;
}

struct Moment {
    std::string step, moment;
    double after;
};

struct Plain {
    std::vector<Moment> moments;
    FaultOutcome outcome;
};

// A run without a fault: when its steps begin and end.
Plain plain_run(Driver driver) {
    FaultBench bench(driver, {FaultTried{.driver = driver}});
    Plain plain;
    plain.outcome = bench.run().at(0);
    EXPECT_EQ(plain.outcome.state, "stopped") << "nobody came to confirm; " << plain.outcome.trip;
    for (const boost::json::value& value : bench.summaries.at(0).at("steps").as_array()) {
        const std::string step(value.at("name").as_string());
        const double from = bench.began() + value.at("started_second").to_number<double>();
        const double to = from + value.at("duration_second").to_number<double>();
        for (const auto& [moment, at] : {std::pair{"start", from + 0.05},
                                         {"settling", from + 2.5},
                                         {"middle", (from + to) / 2},
                                         {"end", to - 1.0}}) {
            plain.moments.push_back({step, moment, at});
        }
    }
    return plain;
}

std::vector<FaultTried> all_of(Driver driver, const Plain& plain, bool whole) {
    std::vector<FaultTried> tried;
    std::size_t turn = static_cast<std::size_t>(driver);
    for (const FaultKindTried& kind : kinds()) {
        if (!can_have(driver, kind)) {
            continue;
        }
        for (std::size_t i = 0; i < plain.moments.size(); ++i) {
            if (whole || i == turn % plain.moments.size()) {
                const Moment& moment = plain.moments[i];
                tried.push_back({driver, &kind, moment.step, moment.moment, moment.after});
            }
        }
        turn += 5;
    }
    return tried;
}

// What became of one kind of fault on one driver.
struct Line {
    int ridden_out{0}, ended{0}, flows{0};
    double slowest{0.0};
    std::string where;  // the slowest
};

class FaultTable : public testing::TestWithParam<Driver> {};

void judge(const FaultTried& tried, const FaultOutcome& outcome, const FaultOutcome& plain, Line& line) {
    SCOPED_TRACE(std::string(name(tried.driver)) + ", " + tried.kind->name + " at " + std::to_string(tried.after) +
                 " s, " + tried.moment + " of " + tried.step + ": " + outcome.state + ", output " + outcome.output +
                 ", needs: " + outcome.needs + ", alarm: " + outcome.alarm + ", trip: " + outcome.trip +
                 ", last current at " + std::to_string(outcome.last_current));
    if (outcome.state == plain.state && outcome.steps == plain.steps) {
        ++line.ridden_out;
        EXPECT_NEAR(outcome.charge_in, plain.charge_in, 0.02 * plain.charge_in) << "ridden out, and falsified";
        EXPECT_NEAR(outcome.charge_out, plain.charge_out, 0.02 * plain.charge_out + 1e-4)
            << "ridden out, and falsified";
        line.flows += outcome.flows ? 1 : 0;
        EXPECT_TRUE(tried.kind->stays || !outcome.flows);
        return;
    }
    EXPECT_THAT(outcome.state, testing::AnyOf("tripped", "waiting", "stopped"));
    EXPECT_TRUE(!outcome.needs.empty() || outcome.state == "stopped") << "nobody is told what to do";
    ++line.ended;
    line.flows += outcome.flows ? 1 : 0;
    if (outcome.flows && tried.kind->stays) {
        // What flows while the output is off, unseen by the instrument's own meter, cannot be told.
        const bool unseen =
            tried.kind->name == "off sinks" || tried.kind->name == "off to zero" || tried.kind->name == "crowbar";
        EXPECT_TRUE(unseen || (outcome.needs + outcome.alarm).find("by hand") != std::string::npos);
        return;
    }
    EXPECT_FALSE(outcome.flows) << "it could have been switched off";
    if (tried.kind->stays) {
        return;
    }
    const double took = outcome.last_current - tried.after;
    EXPECT_LE(took, tried.kind->off_within);
    if (took > line.slowest) {
        line.slowest = took;
        line.where = tried.moment + " of " + tried.step;
    }
}

TEST_P(FaultTable, no_fault_leaves_current_on_a_cell_and_nobody_told) {
    const Driver driver = GetParam();
    const char* const asked = std::getenv("SLOWFILM_FAULTS");
    const Plain plain = plain_run(driver);
    const std::vector<FaultTried> tried = all_of(driver, plain, asked != nullptr && std::string_view(asked) == "all");
    std::map<std::string, Line> table;
    for (std::size_t from = 0; from < tried.size(); from += abreast) {
        const std::vector<FaultTried> some(
            tried.begin() + static_cast<std::ptrdiff_t>(from),
            tried.begin() + static_cast<std::ptrdiff_t>(std::min(from + abreast, tried.size())));
        FaultBench bench(driver, some);
        const std::vector<FaultOutcome> outcomes = bench.run();
        ASSERT_EQ(outcomes.size(), some.size());
        for (std::size_t i = 0; i < some.size(); ++i) {
            judge(some[i], outcomes[i], plain.outcome, table[some[i].kind->name]);
        }
    }
    std::cout << name(driver) << ": " << tried.size() << " faults\n"
              << "  fault                      ridden out  ended  flows  no current after\n";
    for (const auto& [kind, line] : table) {
        std::cout << "  " << std::left << std::setw(28) << kind << std::right << std::setw(9) << line.ridden_out
                  << std::setw(7) << line.ended << std::setw(7) << line.flows;
        if (line.ended > 0) {
            std::cout << "  " << std::fixed << std::setprecision(1) << line.slowest << " s at most  " << line.where;
        }
        std::cout << "\n";
    }
}

INSTANTIATE_TEST_SUITE_P(Drivers, FaultTable, testing::ValuesIn(drivers),
                         [](const testing::TestParamInfo<Driver>& one) {
                             std::string text(name(one.param));
                             std::replace(text.begin(), text.end(), ' ', '_');
                             return text;
                         });

}  // namespace
}  // namespace slowfilm::scenario
