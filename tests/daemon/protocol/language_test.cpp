// The language beyond charge, discharge, hold and rest: one test for each rule of what `check` refuses and for how each
// key is read.
#include "daemon/protocol/check.hpp"
#include "daemon/protocol/parse.hpp"

#include <boost/json/serialize.hpp>

namespace slowfilm::protocol {
namespace {

using namespace literals;
using ::testing::HasSubstr;
using ::testing::IsEmpty;

std::string head(std::string_view state = "formed", std::string_view more = "") {
    return "format = 1\n[cell]\nchemistry = \"NMC/graphite\"\ncapacity = \"2 Ah\"\nwindow = { min = \"2.8 V\", max = "
           "\"4.2 V\" }\nstate = \"" +
           std::string(state) +
           "\"\n[limits]\nvoltage_max = \"4.24 V\"\ncurrent_max = \"2.2 A\"\ntemperature_max = \"50 degC\"\n"
           "charge_temperature = { min = \"10 degC\", max = \"45 degC\" }\n" +
           std::string(more);
}

std::string step(std::string_view body) {
    return "[[step]]\n" + std::string(body) + "\n";
}

std::string inner(std::string_view body) {
    return "[[step.step]]\n" + std::string(body) + "\n";
}

const std::string fill = step(R"(do = "charge"
rate = "C/10"
ends = { voltage = "4.2 V" }
at_most = "14 h")");
const std::string empty = step(R"(do = "discharge"
rate = "C/10"
ends = { voltage = "2.8 V" }
at_most = "14 h")");
const std::string measure = step(R"(do = "discharge"
rate = "C/10"
measures = "capacity"
ends = { voltage = "2.8 V" }
at_most = "14 h")");
const std::string pulse = step(R"(do = "pulse"
levels = [ { discharge = "0.2C", for = "10 s" }, { discharge = "1C", for = "1 s" } ]
at_most = "1 min")");
const std::string hour = step("do = \"rest\"\nends = { time = \"1 h\" }");

// The sentences, each with its severity.
std::string said(const std::string& text) {
    std::string all;
    for (const Diagnostic& d : check_protocol("x.toml", text).diagnostics.items) {
        all += std::string(d.severity == Severity::error ? "error: " : "warning: ") + d.message + "\n";
    }
    return all;
}

Step only_step(const std::string& body) {
    const Checked checked = check_protocol("x.toml", head() + step(body));
    EXPECT_TRUE(checked.protocol) << said(head() + step(body));
    return checked.protocol ? checked.protocol->steps.front() : Step{};
}

// --- how it is read

TEST(Language, a_ramp_of_the_voltage_has_a_rate_and_a_limit_of_current) {
    const Step ramp = only_step(
        "do = \"ramp\"\nvoltage = { from = \"now\", to = \"4.1 V\", rate = \"100 mV/h\" }\n"
        "rate_max = \"C/10\"\nat_most = \"20 h\"");
    // 100 mV/h is 2.4 V a day, in nanovolts
    EXPECT_EQ(ramp.voltage_ramp, (VoltageRamp{std::nullopt, 4100_mV, VoltageSlope{2'400'000'000}}));
    EXPECT_EQ(ramp.current, StepCurrent(CurrentOrRate{Rate{1, 10}}));
    EXPECT_EQ(ramp.at_most.time, 20_h);
}

TEST(Language, a_ramp_of_the_current_is_signed_and_positive_charges) {
    const Step ramp = only_step(
        "do = \"ramp\"\ncurrent = { from = \"-C/10\", to = \"50 mA\", over = \"1 h\" }\n"
        "at_most = \"2 h\"");
    EXPECT_EQ(ramp.current_ramp, (CurrentRamp{CurrentOrRate{Rate{-1, 10}}, CurrentOrRate{50_mA}, 1_h}));
}

// IEC 61960-3 (from memory): 0.2 It for 10 s, then 1 It for 1 s.
TEST(Language, a_pulse_is_a_list_of_levels) {
    const Checked checked = check_protocol("x.toml", head() + hour + pulse);
    ASSERT_TRUE(checked.protocol) << said(head() + hour + pulse);
    const std::vector<PulseLevel> levels{{false, CurrentOrRate{Rate{1, 5}}, 10_s},
                                         {false, CurrentOrRate{Rate{1, 1}}, 1_s}};
    EXPECT_EQ(checked.protocol->steps[1].levels, levels);
}

TEST(Language, an_ask_reads_what_a_person_enters) {
    const Step ask = only_step(
        "do = \"ask\"\nprompt = \"weigh it\"\nenter = [ { name = \"mass\", unit = \"g\", min = 1, max "
        "= 80.5 } ]\nsame_cell = false\ndelay = \"60 s\"\nat_most = \"1 d\"");
    EXPECT_EQ(ask.enter, (std::vector<EnterField>{{"mass", "g", 1.0, 80.5}}));
    EXPECT_FALSE(ask.same_cell);
    EXPECT_EQ(ask.delay, 60_s);
}

TEST(Language, every_condition_of_a_rest_is_read) {
    const Step rest = only_step(
        "do = \"rest\"\nends = { voltage = { below = \"3.9 V\" }, temperature = { min = \"40 degC\", "
        "for = \"5 min\" }, settle = { below = \"0.5 mV/h\", over = \"30 min\" } }\ngood_end = "
        "\"settle\"\nnot_before = \"1 h\"\nat_most = \"2 d\"\non_overrun = \"wait\"");
    EXPECT_EQ(rest.ends.below, 3900_mV);
    EXPECT_EQ(rest.ends.temperature, (TemperatureEnd{40_degC, std::nullopt, 5_min}));
    EXPECT_EQ(rest.ends.settle, (Settle{VoltageSlope{12'000'000}, 30_min}));  // 0.5 mV/h is 12 mV a day
    EXPECT_EQ(rest.good_end, GoodEnd::settle);
    EXPECT_EQ(rest.not_before, 1_h);
}

TEST(Language, a_share_of_the_measured_capacity_may_stand_wherever_a_step_has_a_rate_or_a_percentage) {
    const Step charge = only_step(
        "do = \"charge\"\nrate = \"C/10 of measured\"\nends = { amount = \"30 % of measured\" }\n"
        "at_most = { time = \"8 h\", amount = \"40 % of measured\" }");
    EXPECT_EQ(charge.current, (StepCurrent{CurrentOrRate{Rate{1, 10}}, true}));
    EXPECT_EQ(charge.ends.amount, (StepCharge{ChargeOrRatio{30_percent}, true}));
    EXPECT_EQ(charge.at_most.amount, (StepCharge{ChargeOrRatio{40_percent}, true}));
}

TEST(Language, a_share_of_the_measured_capacity_is_never_compared_with_one_of_the_rated) {
    // A cell that measured 40 % above its rating moves 112 % of the rated capacity in these 8 h.
    only_step(
        "do = \"charge\"\nrate = \"C/10 of measured\"\nends = { amount = \"85 %\" }\n"
        "at_most = { time = \"8 h\", amount = \"60 % of measured\" }");
    only_step("do = \"charge\"\nrate = \"C/10\"\nends = { amount = \"85 % of measured\" }\nat_most = \"8 h\"");
    // With the same basis on both sides the arithmetic is certain.
    EXPECT_THAT(said(head("formed") + step("do = \"charge\"\nrate = \"C/10 of measured\"\nends = { amount = \"85 % of "
                                           "measured\" }\nat_most = \"8 h\"")),
                HasSubstr("moves at most"));
}

// --- what is refused, and the sentence

struct Refused {
    std::string text, sentence;
};

class Language : public ::testing::TestWithParam<Refused> {};

TEST_P(Language, is_refused_with_its_sentence) {
    const std::string all = said(GetParam().text);
    EXPECT_THAT(all, HasSubstr("error: "));
    EXPECT_THAT(all, HasSubstr(GetParam().sentence)) << GetParam().text;
}

std::string charge_with(std::string_view more) {
    return step("do = \"charge\"\nrate = \"C/10\"\nends = { voltage = \"4.2 V\" }\nat_most = \"14 h\"\n" +
                std::string(more));
}
std::string rest_with(std::string_view ends, std::string_view more = "at_most = \"1 d\"") {
    return step("do = \"rest\"\nends = { " + std::string(ends) + " }\n" + std::string(more));
}
std::string ramp_with(std::string_view sweep, std::string_view more = "at_most = \"20 h\"") {
    return step("do = \"ramp\"\n" + std::string(sweep) + "\n" + std::string(more));
}
std::string voltage_ramp(std::string_view from, std::string_view to, std::string_view more = "at_most = \"20 h\"") {
    return ramp_with("voltage = { from = \"" + std::string(from) + "\", to = \"" + std::string(to) +
                         "\", rate = \"100 mV/h\" }\nrate_max = \"C/10\"",
                     more);
}
std::string current_ramp(std::string_view from, std::string_view to, std::string_view more = "at_most = \"2 h\"") {
    return ramp_with(
        "current = { from = \"" + std::string(from) + "\", to = \"" + std::string(to) + "\", over = \"1 h\" }", more);
}
std::string ask_with(std::string_view more) {
    return step("do = \"ask\"\nprompt = \"look\"\nat_most = \"1 d\"\n" + std::string(more));
}
std::string pulse_with(std::string_view levels, std::string_view more = "at_most = \"1 min\"") {
    return step("do = \"pulse\"\nlevels = " + std::string(levels) + "\n" + std::string(more));
}
std::string repeat_with(std::string_view more, std::string_view inside) {
    return step("do = \"repeat\"\ntimes = 3\n" + std::string(more)) + std::string(inside);
}
const std::string inner_fill =
    inner("do = \"charge\"\nrate = \"C/10\"\nends = { voltage = \"4.2 V\" }\nat_most = \"14 h\"");
const std::string inner_empty =
    inner("do = \"discharge\"\nrate = \"C/10\"\nends = { voltage = \"2.8 V\" }\nat_most = \"14 h\"");

INSTANTIATE_TEST_SUITE_P(
    Form, Language,
    ::testing::Values(
        // an end that physics may never meet needs a cap
        Refused{head() + rest_with("settle = { below = \"1 mV/h\", over = \"1 h\" }", ""), "has no at_most"},
        Refused{head() + rest_with("temperature = { min = \"40 degC\" }", ""), "has no at_most"},
        Refused{head() + rest_with("voltage = { below = \"4 V\" }", ""), "has no at_most"},
        Refused{head() + voltage_ramp("now", "4.1 V", ""), "this ramp has no at_most"},
        Refused{head() + pulse_with("[ { discharge = \"1C\", for = \"1 s\" } ]", ""), "this pulse has no at_most"},
        // values without units, of other units, and no values
        Refused{head() + rest_with("temperature = { min = 40 }"), "needs a unit: write \"40 degC\""},
        Refused{head() + rest_with("settle = { below = 0.5, over = \"1 h\" }"), "needs a unit: write \"0.5 mV/h\""},
        Refused{head() + rest_with("settle = { below = \"1 mV\", over = \"1 h\" }"),
                "is a voltage; a voltage slope is needed"},
        Refused{head() + rest_with("voltage = { below = inf }"), "'below' is inf, which is no value"},
        Refused{head() + charge_with("not_before = nan"), "'not_before' is nan, which is no value"},
        Refused{head() + charge_with("ambient = \"25 K\""), "a temperature is needed"},
        Refused{head() + charge_with("together = \"yes\""), "write true or false, without quotes"},
        Refused{head() + charge_with("keep = { at = [ 3600 ] }"), "needs a unit: write \"3600 s\""},
        Refused{head() + charge_with("keep = { at = \"1 h\" }"), "write a list of times"},
        Refused{head() + pulse_with("[ { discharge = 0.2, for = \"1 s\" } ]"), "is a bare number and needs a unit"},
        Refused{head() + pulse_with("[ { discharge = \"1C\", for = 1 } ]"), "needs a unit: write \"1 s\""},
        Refused{head() + ask_with("enter = [ { name = \"mass\", unit = \"g\", min = \"1\" } ]"),
                "write a finite number"},
        Refused{head() + ask_with("enter = [ { name = \"mass\", unit = \"g\", max = inf } ]"), "write a finite number"},
        Refused{head() + ask_with("delay = 60"), "needs a unit: write \"60 s\""},
        Refused{
            head() + ramp_with("voltage = { from = \"soon\", to = \"4 V\", rate = \"1 mV/h\" }\nrate_max = \"C/10\""),
            "'from' = \"soon\""},
        Refused{
            head() + ramp_with("voltage = { from = \"now\", to = \"4 V\", rate = \"0 mV/h\" }\nrate_max = \"C/10\""),
            "'rate' must be above zero"},
        Refused{head() + ramp_with("current = { from = \"now\", to = 5, over = \"1 h\" }"),
                "needs a unit: write \"5 A\""},
        Refused{head("formed", "stuck = 2\n") + fill, "'stuck' is a bare number"},
        Refused{head("formed", "above_ambient = \"15 degC\"\n") + fill, "a temperature difference is needed"},
        Refused{head("formed", "voltage_fall = \"off\"\n") + fill, "'voltage_fall' is a hard guard and is never off"},
        Refused{head("formed", "voltage_fall = { trip = \"50 mV\", for = \"2 min\" }\n") + fill,
                "at most 1 min, not 2 min"},
        // one of two
        Refused{head() + ramp_with(""), "this ramp sweeps nothing"},
        Refused{
            head() +
                ramp_with("voltage = { from = \"now\", to = \"4 V\", rate = \"1 mV/h\" }\ncurrent = { from = \"now\", "
                          "to = \"0 A\", over = \"1 h\" }\nrate_max = \"C/10\""),
            "both are written; keep one"},
        Refused{head() + ramp_with("current = { from = \"now\", to = \"0 A\", over = \"1 h\" }\nrate_max = \"C/10\""),
                "'rate_max' belongs to a ramp of the voltage"},
        Refused{head() + ramp_with("voltage = { from = \"now\", to = \"4 V\", rate = \"1 mV/h\" }"),
                "this ramp has neither rate_max nor current_max"},
        Refused{head() + pulse_with("[ { for = \"1 s\" } ]"), "this level has no current"},
        Refused{head() + pulse_with("[ { charge = \"1C\", discharge = \"1C\", for = \"1 s\" } ]"),
                "a level has one direction"},
        Refused{head() + pulse_with("[]"), "this pulse has no level"},
        Refused{head() + rest_with("voltage = { above = \"3 V\", below = \"4 V\" }"), "'voltage' takes one side"},
        Refused{head() + rest_with("voltage = \"3 V\""), "is a table with above, below, not one value"},
        Refused{head() + charge_with("keep = { at = [ \"2 h\", \"1 h\" ] }"), "the times of 'at' grow"},
        Refused{head() + charge_with("keep = { mean_of = \"60 s\" }"), "there is no 'at'"},
        Refused{head() + charge_with("keep = { at = [ \"30 s\" ], mean_of = \"60 s\" }"),
                "would begin before the first"},
        Refused{head() + ask_with("enter = [ { name = \"a\", unit = \"g\" }, { name = \"a\", unit = \"g\" } ]"),
                "two values are entered under this name"},
        Refused{head() + ask_with("on_overrun = \"next\""), "though nobody has confirmed"},
        Refused{head() + pulse_with("[ { discharge = \"1C\", for = \"1 s\" } ]",
                                    "at_most = { time = \"1 min\", amount = \"1 %\" }\non_overrun = \"next\""),
                "is for a cap of time only"},
        // grades and within_mad
        Refused{head() + fill + empty + "[accept]\ngrades = [ { discharge_capacity = { min = \"4 Ah\" } } ]\n",
                "'name' is missing"},
        Refused{head() + fill + empty + "[accept]\ngrades = [ { name = \"A\" } ]\n", "this grade asks for no figure"},
        Refused{head() + fill + empty + "[accept]\ngrades = []\n", "'grades' is empty"},
        Refused{head() + fill + empty +
                    "[accept]\ngrades = [ { name = \"reject\", discharge_capacity = { min = \"4 Ah\" } } ]\n",
                "another name, such as"},
        Refused{head() + fill + empty +
                    "[accept]\ngrades = [ { name = \"A\", discharge_capacity = { min = \"4 Ah\" } }, { name = \"A\", "
                    "discharge_capacity = { min = \"3 Ah\" } } ]\n",
                "two grades are called"},
        Refused{head() + fill + empty +
                    "[accept]\ngrades = [ { name = \"A\", discharge_capacity = { min = \"4 Ah\", cycle = 9 } } ]\n",
                "asks for cycle 9, but the steps make only 1"},
        Refused{head() + fill + empty + "[accept]\ndischarge_capacity = { within_mad = 0 }\n",
                "above 0 and at most 100"},
        Refused{head() + fill + empty + "[accept]\ndischarge_capacity = { within_mad = \"5\" }\n", "within_mad"},
        Refused{head() + fill + empty + "[accept]\ndischarge_capacity = { within_mad = inf }\n", "within_mad"},
        // of measured: steps alone
        Refused{head("formed", "net_max = \"110 % of measured\"\n") + fill, "here the rated capacity counts"},
        Refused{head("formed", "current_error = \"C/10 of measured\"\n") + fill, "here the rated capacity counts"},
        Refused{head() + fill + empty + "[accept]\ncoulombic_efficiency = { min = \"90 % of measured\" }\n",
                "here the rated capacity counts"},
        Refused{
            head() +
                step("do = \"charge\"\nrate = \"C/10\"\nends = { amount = \"1 Ah of measured\" }\nat_most = \"14 h\""),
            "is no share of a capacity"}));

INSTANTIATE_TEST_SUITE_P(
    Meaning, Language,
    ::testing::Values(
        // never met, or so already
        Refused{head() + voltage_ramp("3 V", "4.1 V", "at_most = \"10 h\""),
                "sweeps for \"11 h\" but may last at most"},
        Refused{head() + voltage_ramp("3 V", "3 V"), "sweeps from \"3 V\" to the same voltage"},
        Refused{head() + voltage_ramp("3 V", "4.3 V"), "above window.max"},
        Refused{head() + voltage_ramp("3 V", "2.5 V"), "below window.min"},
        Refused{head() + voltage_ramp("3 V", "4 V", "ends = { voltage = \"4.1 V\" }\nat_most = \"20 h\""),
                "lies outside its sweep"},
        Refused{head() + current_ramp("0 A", "C/10", "at_most = \"30 min\""),
                "sweeps for \"1 h\" but may last at most"},
        Refused{head() + current_ramp("C/10", "200 mA"), "to the same current"},
        Refused{head() + current_ramp("0 A", "2C"), "above current_max"},
        Refused{head() + current_ramp("-C/10", "C/10", "ends = { voltage = \"4 V\" }\nat_most = \"2 h\""),
                "goes both ways"},
        Refused{head() + hour + pulse_with("[ { discharge = \"2C\", for = \"1 s\" } ]"), "above current_max"},
        Refused{head() + hour + pulse_with("[ { discharge = \"1C\", for = \"2 min\" } ]"),
                "so it can never come to its end"},
        Refused{head() + rest_with("temperature = { min = \"55 degC\" }"), "trips before this end can be met"},
        Refused{head() + rest_with("temperature = { max = \"-20 degC\" }"), "trips before this end can be met"},
        Refused{head() + rest_with("temperature = { min = \"40 degC\", for = \"2 d\" }"), "this can never be met"},
        Refused{head() + rest_with("settle = { below = \"1 mV/h\", over = \"2 d\" }"), "this can never be met"},
        Refused{head() + rest_with("voltage = { above = \"4.3 V\" }"), "voltage_max trips at"},
        Refused{
            head() +
                step("do = \"hold\"\nvoltage = \"4 V\"\nrate_max = \"C/10\"\nends = { voltage = { above = \"4.1 V\" } "
                     "}\nat_most = \"1 h\""),
            "can never pass"},
        Refused{head() + charge_with("good_end = \"net\""), "counts only \"net\" as a good end"},
        Refused{head() + charge_with("not_before = \"15 h\""), "so it can never end as written"},
        Refused{
            head() + step("do = \"discharge\"\nrate = \"C/10\"\nmeasures = \"capacity\"\nends = { amount = \"50 %\" "
                          "}\nat_most = \"14 h\""),
            "measures the capacity but does not end by voltage"},
        // a step's limits: narrower, never wider, never off
        Refused{head() + charge_with("limits = { voltage_max = \"4.25 V\" }"),
                "widens voltage_max to \"4.25 V\" from the \"4.24 V\" of [limits] (line 8)"},
        Refused{head() + charge_with("limits = { current_max = \"3 A\" }"), "widens current_max"},
        Refused{head() + charge_with("limits = { charge_temperature = { max = \"46 degC\" } }"), "never wider"},
        Refused{head() + charge_with("limits = { discharge_floor = \"2.65 V\" }"), "of [limits], its default"},
        Refused{head() + charge_with("limits = { voltage_jump = \"off\" }"), "is never off in one step"},
        Refused{head() + charge_with("limits = { stuck = { warn = \"1 %\" } }"), "of one step has no trip"},
        Refused{head() + charge_with("limits = { voltage_max = { trip = \"4.24 V\", for = \"3 s\" } }"), "hard guard"},
        Refused{head() + charge_with("limits = { net_max = \"110 %\" }"), "unknown key 'net_max'"},
        Refused{head() + charge_with("limits = { current_max = \"100 mA\" }"), "above current_max \"100 mA\""},
        Refused{head() + charge_with("limits = { voltage_max = \"4.205 V\" }"),
                "leaves no room for the stage's ceiling"},
        // guards that would guard nothing
        Refused{head("formed", "voltage_fall = \"1.4 V\"\n") + fill,
                "voltage_fall \"1.4 V\" is the cell's whole window"},
        Refused{head("formed", "lead_drop = \"2 V\"\n") + fill, "guards nothing; its default is 0.3 V"},
        Refused{head("formed", "stuck = \"100 %\"\n") + fill, "is all that the cell holds"},
        // figures that this protocol never defines
        Refused{head() + fill + charge_with("only_if = { figure = \"dc_resistance\", above = \"40 mohm\" }"),
                "there is no pulse up to there"},
        Refused{head() + fill +
                    step("do = \"rest\"\nends = { time = \"1 h\" }\nonly_if = { figure = \"coulombic_efficiency\", "
                         "below = \"98 %\" }"),
                "no step ends a cycle up to there"},
        Refused{head() + hour +
                    step("do = \"rest\"\nends = { time = \"1 h\" }\nonly_if = { figure = \"k_value\", above = \"1 "
                         "mV/d\", from = \"1 h\", to = \"2 h\" }"),
                "has both times in its keep.at"},
        Refused{
            head() + repeat_with("ends = { figure = \"dc_resistance\", below = \"2 %\" }\n", inner_fill + inner_empty),
            "no pass defines it"},
        Refused{head() + hour +
                    step("do = \"rest\"\nends = { time = \"1 h\" }\nonly_if = { figure = \"k_value\", above = \"1 "
                         "mV/d\" }"),
                "k_value is between two times"},
        Refused{head("pristine") +
                    step("do = \"charge\"\nrate = \"C/10 of measured\"\nends = { voltage = \"4.2 V\" }\nat_most "
                         "= \"14 h\""),
                "no step before it measures one and a pristine cell has none"},
        Refused{head() + hour +
                    step("do = \"rest\"\nends = { time = \"2 d\" }\nkeep = { at = [ \"1 h\" ] }\nname = \"age\"") +
                    "[accept]\nk_value = { max = \"2 mV/d\", step = \"age\", from = \"1 h\", to = \"2 h\" }\n",
                "which keeps no reading at that time"},
        Refused{head() + hour + "[accept]\ndc_resistance = { max = \"40 mohm\", step = \"1\" }\n", "name a pulse"},
        // company and surroundings
        Refused{head() + fill + empty +
                    charge_with("together = true\nonly_if = { figure = \"coulombic_efficiency\", below = "
                                "\"98 %\" }"),
                "the others would wait for ever"},
        Refused{head() + charge_with("ambient = \"60 degC\""), "trips every cell"},
        Refused{head() + charge_with("ambient = \"46 degC\""), "charges at an ambient of \"46 degC\""},
        Refused{head("pristine") + pulse, "before any step has charged it"}));

TEST(LanguageHabits, each_is_a_warning_that_says_it_is_common_practice_and_leaves_the_protocol) {
    const std::string climb = "climb = [ { by = \"8 %\", above = \"3.0 V\" } ]\n";
    const auto warns = [](const std::string& text, std::string_view sentence) {
        const Checked checked = check_protocol("x.toml", text);
        EXPECT_TRUE(checked.protocol) << said(text);
        EXPECT_THAT(said(text), HasSubstr(std::string(sentence))) << text;
        EXPECT_THAT(said(text), HasSubstr("(common practice)"));
    };
    warns(head() + fill + pulse, "without a rest right before it");
    warns(head("pristine") + fill, "without a 'climb' gate");
    warns(head("pristine", climb) +
              step("do = \"charge\"\nrate = \"C/4\"\nends = { voltage = \"4.2 V\" }\nat_most = \"6 h\""),
          "above C/5, with no slower stage before it");
    std::string pouch = head("pristine", climb) + fill;
    pouch.insert(pouch.find("capacity"), "format = \"pouch\"\n");
    warns(pouch, "no step asks a person to let the gas out");
    warns(head() + step("do = \"hold\"\nvoltage = \"4.2 V\"\nrate_max = \"C/10\"\nends = { time = \"1 h\" }\nat_most = "
                        "\"2 h\""),
          "ends by time alone");
    warns(head("pristine", climb + "charge_leg_max = { first = \"114 %\", later = \"106 %\" }\n") + fill,
          "is less than a first charge of NMC/graphite needs");
    std::string hot =
        head() + step("do = \"charge\"\nrate = \"C/5\"\nends = { voltage = \"4.2 V\" }\nat_most = \"6 h\"");
    hot.replace(hot.find("max = \"45 degC\""), 15, "max = \"48 degC\"");
    warns(hot, "above 45 degC a charge is C/10 at most");
    const std::string marks = "[keep]\nat = [\"1 h\", \"2 h\"]\nmean_of = \"60 s\"\n";
    warns(head() + marks + fill + "[accept]\nk_value = { max = \"2 mV/d\", step = \"1\" }\n", "names no rest");
    warns(head() + marks + fill + "[accept]\nk_value = { max = \"2 mV/d\", step = \"1\" }\n", "does not name them");
    warns(head() + fill + "[after]\nship = \"air\"\n", "at 30 % of rated or less");
    warns(head() + fill + measure +
              step("do = \"charge\"\nrate = \"C/10\"\nends = { amount = \"30 % of measured\" }\nat_most = \"5 h\"") +
              "[after]\nship = \"air\"\n",
          "or \"27 % of measured\"");
    warns(head("pristine", climb) + fill + "[after]\nship = \"air\"\n", "competent authority's approval");
}

TEST(LanguageHabits, pulses_and_sweeps_are_no_way_round_them) {
    std::string hot = head() + fill + hour +
                      step(
                          "do = \"pulse\"\nlevels = [ { charge = \"1C\", for = \"10 s\" } ]\n"
                          "at_most = \"1 min\"");
    hot.replace(hot.find("max = \"45 degC\""), 15, "max = \"48 degC\"");
    EXPECT_THAT(said(hot), HasSubstr("may charge at \"1C\""));
    const std::string climb = "climb = [ { by = \"8 %\", above = \"3.0 V\" } ]\n";
    EXPECT_THAT(
        said(head("pristine", climb) + step("do = \"ramp\"\ncurrent = { from = \"1C\", to = \"C/2\", over = \"1 h\" }"
                                            "\nat_most = \"2 h\"")),
        HasSubstr("begins the first charge at \"1C\""));
    EXPECT_THAT(said(head() + fill + step("do = \"ask\"\nprompt = \"Look.\"\nat_most = \"1 d\"") + pulse),
                HasSubstr("comes without a rest right before it"));
}

// --- what can never be

TEST(LanguageNever, what_no_run_can_define_or_keep_is_refused) {
    const auto refused = [](const std::string& text, std::string_view why) {
        EXPECT_FALSE(check_protocol("x.toml", text).protocol) << text;
        EXPECT_THAT(said(text), HasSubstr(std::string(why)));
    };
    refused(head() + fill + "[accept]\ndc_resistance = { max = \"40 mohm\" }\n",
            "dc_resistance is never defined: there is no pulse");
    refused(head() + fill + "[accept]\nk_value = { max = \"2 mV/d\" }\n",
            "k_value is never defined: no step has times in its keep.at");
    const std::string ageing = step(
        "do = \"rest\"\nends = { time = \"1 h\" }\nkeep = { at = [\"30 min\", \"3 h\"], mean_of = "
        "\"60 s\" }");
    refused(head() + fill + ageing, "keeps a reading after \"3 h\" but lasts \"1 h\" at most");
    const std::string single = step("do = \"rest\"\nends = { time = \"4 h\" }\nkeep = { at = [\"30 min\", \"3 h\"] }");
    refused(head() + fill + single +
                "[accept]\nk_value = { max = \"2 mV/d\", step = \"2\", from = \"30 min\", to = \"3 h\" }\n",
            "which keeps single readings at its times");
    refused(
        head() +
            step("do = \"rest\"\nambient = \"40 degC\"\nends = { temperature = { min = \"45 degC\" } }\nat_most = \"4 "
                 "h\""),
        "waits for a temperature above the ambient");
    refused(head() + step("do = \"rest\"\nambient = \"48 degC\"\nends = { time = \"1 h\" }") +
                step("do = \"hold\"\nvoltage = \"4.1 V\"\nrate_max = \"C/10\"\nends = { current = \"C/50\" }\nat_most "
                     "= \"3 h\""),
            "charges at an ambient of \"48 degC\"");
}

TEST(LanguageNever, a_limit_of_current_that_the_connection_checks_cannot_work_with_is_refused) {
    std::string small =
        head() + step("do = \"charge\"\nrate = \"C/200\"\nends = { amount = \"1 %\" }\nat_most = \"5 h\"");
    small.replace(small.find("current_max = \"2.2 A\""), 21, "current_max = \"20 mA\"");
    EXPECT_THAT(said(small), HasSubstr("leaves the connection checks too little current"));
    EXPECT_FALSE(check_protocol("x.toml", small).protocol);
}

TEST(LanguageNever, a_share_of_measured_that_current_max_would_hold_back_is_warned_of) {
    std::string tight =
        head() + fill + measure +
        step("do = \"charge\"\nrate = \"1C of measured\"\nends = { voltage = \"4.2 V\" }\nat_most = \"2 h\"");
    tight.replace(tight.find("current_max = \"2.2 A\""), 21, "current_max = \"2.1 A\"");
    EXPECT_THAT(said(tight), HasSubstr("is held to current_max \"2.1 A\"; at least \"2.2 A\" would be right"));
}

TEST(LanguageHabits, what_keeps_to_them_is_not_warned_of) {
    EXPECT_EQ(said(head() + fill + hour + pulse), "");
    EXPECT_EQ(
        said(head() + fill + measure +
             step("do = \"charge\"\nrate = \"C/10\"\nends = { amount = \"27 % of measured\" }\nat_most = \"5 h\"") +
             "[after]\nship = \"air\"\n"),
        "");
    EXPECT_EQ(said(head() + fill + "[after]\nship = \"sea\"\n"), "");
}

TEST(Language, the_resistance_of_a_pristine_cell_is_never_judged_and_a_line_about_it_is_warned_of) {
    const std::string start = "[start]\nresistance = { max = \"60 mohm\" }\n";
    EXPECT_THAT(said(head("pristine") + start + fill), HasSubstr("the resistance of a pristine cell is never judged"));
    EXPECT_EQ(said(head() + start + fill), "");
}

TEST(Language, a_figure_that_a_later_pass_can_have_is_not_refused) {
    EXPECT_EQ(said(head() + repeat_with("ends = { figure = \"discharge_capacity\", below = \"1 %\" }\n",
                                        inner_fill + inner_empty)),
              "");
    EXPECT_EQ(said(head() + fill + hour + pulse +
                   charge_with("only_if = { figure = \"dc_resistance\", above = \"40 mohm\" }").replace(0, 0, empty)),
              "");
}

// --- bounds

Bounds bounds_of(const std::string& text) {
    const Checked checked = check_protocol("x.toml", text);
    EXPECT_TRUE(checked.protocol) << said(text);
    return checked.bounds;
}

TEST(LanguageBounds, a_ramp_of_the_voltage_may_move_its_limit_both_ways_for_as_long_as_it_may_last) {
    const Bounds b = bounds_of(head() + voltage_ramp("3 V", "4.1 V"));
    EXPECT_EQ(b.run_time, 20_h);
    EXPECT_EQ(b.charge_current, 200_mA);
    EXPECT_EQ(b.discharge_current, 200_mA);
    EXPECT_EQ(b.voltage_highest, 4100_mV);
    EXPECT_EQ(b.voltage_lowest, 3000_mV);
    EXPECT_EQ(b.charge_leg, 2500_mAh) << "20 h of 200 mA are 4 Ah, and the guard stops at 125 %";
    EXPECT_EQ(b.discharge_leg, 4000_mAh);
}

TEST(LanguageBounds, a_ramp_of_the_current_moves_at_most_its_larger_end) {
    const Bounds b = bounds_of(head() + current_ramp("-C/10", "C/20"));
    EXPECT_EQ(b.charge_current, 100_mA);
    EXPECT_EQ(b.discharge_current, 200_mA);
    EXPECT_EQ(b.charge_leg, 200_mAh) << "C/20 for the two hours of at_most";
    EXPECT_EQ(b.discharge_leg, 400_mAh);
}

TEST(LanguageBounds, a_ramp_from_now_may_begin_with_whatever_the_steps_before_asked) {
    const Bounds b = bounds_of(head() + empty + current_ramp("now", "C/20"));
    EXPECT_EQ(b.discharge_current, 200_mA);
    EXPECT_EQ(b.discharge_leg, 2800_mAh + 400_mAh) << "14 h of 200 mA, then two hours that may begin with as much";
}

TEST(LanguageBounds, a_pulse_may_begin_again_and_is_bounded_by_its_cap) {
    const Bounds b = bounds_of(head() + hour + pulse);
    EXPECT_EQ(b.discharge_current, 2000_mA);
    EXPECT_EQ(b.charge_current, 0_mA);
    EXPECT_EQ(b.run_time, 1_h + 1_min);
    EXPECT_EQ(b.discharge_leg.count, (2000_mAh).count / 60) << "1C for the minute that it may last";
}

TEST(LanguageBounds, a_measured_capacity_is_at_most_half_as_much_again_as_the_rated) {
    const Bounds b =
        bounds_of(head() + fill + measure +
                  step("do = \"charge\"\nrate = \"C/2 of measured\"\nends = { amount = \"10 % of measured\" "
                       "}\nat_most = \"1 h\""));
    EXPECT_EQ(b.charge_current, 1500_mA) << "C/2 of 3 Ah";
}

TEST(LanguageBounds, an_amount_bounds_nothing_before_not_before) {
    const auto body = [](std::string_view more) {
        return head() + step("do = \"discharge\"\nrate = \"C/10\"\nends = { amount = \"10 %\" }\nat_most = \"5 h\"\n" +
                             std::string(more));
    };
    EXPECT_EQ(bounds_of(body("")).discharge_leg, 200_mAh);
    EXPECT_EQ(bounds_of(body("not_before = \"2 h\"")).discharge_leg, 1000_mAh) << "C/10 for 5 h";
}

TEST(LanguageBounds, a_charge_that_may_be_passed_over_ends_no_leg) {
    const std::string text = head() + fill + empty +
                             charge_with("only_if = { figure = \"coulombic_efficiency\", below = \"98 %\" }") + empty;
    EXPECT_EQ(bounds_of(text).discharge_leg, 5600_mAh) << "two discharges of 14 h at C/10";
}

}  // namespace
}  // namespace slowfilm::protocol
