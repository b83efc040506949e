#include "sim/instrument/console.hpp"

#include "daemon/core/text.hpp"
#include "daemon/wire/scpi.hpp"

#include <optional>
#include <span>
#include <utility>
#include <vector>

namespace slowfilm::sim::instrument {

namespace {

constexpr double time_most = 1e9;  // s

using Words = std::vector<std::string_view>;
using Answer = Result<std::string, std::string>;

tl::unexpected<std::string> refuse(std::string why) {
    return tl::unexpected<std::string>(std::move(why));
}

Words split(std::string_view line) {
    Words words;
    while (true) {
        const std::size_t begin = line.find_first_not_of(" \t\r");
        if (begin == std::string_view::npos) {
            return words;
        }
        line.remove_prefix(begin);
        const std::string_view word = line.substr(0, line.find_first_of(" \t\r"));
        words.push_back(word);
        line.remove_prefix(word.size());
    }
}

std::optional<double> number(std::string_view word) {
    const auto value = wire::read_number(word);
    return value ? std::optional{*value} : std::nullopt;
}

Answer unknown_instrument(const VirtualBench& bench, std::string_view name) {
    const std::vector<std::string> names = bench.instruments();
    std::string all;
    for (const std::string& one : names) {
        all += (all.empty() ? "" : ", ") + one;
    }
    return refuse("no instrument is called \"" + escaped(name, 40) + "\"; there are " + all);
}

std::string all_faults() {
    std::string all;
    for (const std::string_view name : fault_names()) {
        all += (all.empty() ? "" : ", ") + std::string{name};
    }
    return all;
}

bool ends_kind(std::string_view word) {
    return word == "after" || word == "for" || word == "value" || word == "setting" || word == "as" || word == "output";
}

// "late after 10 for 5 value 3", without the instrument's name.
Result<PlannedFault, std::string> read_fault(std::span<const std::string_view> words) {
    std::string kind;
    std::size_t at = 0;
    for (; at < words.size() && (at == 0 || !ends_kind(words[at])); ++at) {  // a kind may begin with "output"
        kind += (kind.empty() ? "" : " ") + std::string{words[at]};
    }
    PlannedFault planned;
    const std::optional<FaultKind> known = fault_kind(kind);
    if (!known) {
        return refuse("no fault is called \"" + escaped(kind, 40) + "\"; there are " + all_faults());
    }
    planned.fault.kind = *known;
    for (; at < words.size(); at += 2) {
        const std::string_view key = words[at];
        if (!ends_kind(key) || at + 1 == words.size()) {
            return refuse(
                "after the fault come \"after SECONDS\", \"for SECONDS\", \"value NUMBER\", \"setting NAME\", "
                "\"as NAME\", not \"" +
                escaped(key, 40) + "\"");
        }
        if (key == "setting" || key == "as") {
            (key == "as" ? planned.fault.as : planned.fault.setting) = words[at + 1];
            continue;
        }
        const std::optional<double> value = number(words[at + 1]);
        const bool time = key == "after" || key == "for";
        if (key == "output") {
            const bool whole = value && *value >= 1.0 && *value <= 64.0;
            if (!whole || static_cast<double>(static_cast<std::size_t>(*value)) != *value) {
                return refuse("\"" + escaped(words[at + 1], 40) + "\" is no output: 1, 2, ...");
            }
            planned.fault.output = static_cast<std::size_t>(*value);
            continue;
        }
        if (!value || (time && !(*value >= 0.0 && *value < time_most)) || (key == "for" && !(*value > 0.0))) {
            return refuse("\"" + escaped(words[at + 1], 40) + "\" is no " + (time ? "time in seconds" : "number"));
        }
        if (key == "value") {
            planned.fault.value = value;
        } else {
            const Duration duration{static_cast<std::int64_t>(*value * 1e6)};
            key == "after" ? planned.after = duration : planned.for_.emplace(duration);
        }
    }
    return planned;
}

Answer begin_fault(VirtualBench& bench, const Words& words) {
    auto planned = read_fault(std::span{words}.subspan(2));
    if (!planned) {
        return refuse(planned.error());
    }
    planned->instrument = words[1];
    const std::string& as = planned->fault.as;
    if (const auto why = as.empty() ? std::nullopt : why_no_port_name(as)) {
        return refuse("\"" + escaped(as, 40) + "\" " + *why);
    }
    if (planned->after.count > 0) {
        bench.plan(*planned, bench.now());
        return std::string{};
    }
    const auto taken = bench.begin(planned->instrument, planned->fault);
    if (!taken) {
        return refuse(taken.error());
    }
    bench.plan_end(*planned, bench.now());
    return std::string{};
}

Answer turn_panel(VirtualBench& bench, const Words& words) {
    const std::optional<double> value = words.size() == 4 ? number(words[3]) : std::nullopt;
    if (!value) {
        return refuse("say which setting and to what: front " + escaped(words[1], 40) + " volt 4.1");
    }
    Fault fault{.kind = FaultKind::panel_turned, .value = value, .setting = std::string{words[2]}};
    const auto taken = bench.begin(std::string{words[1]}, fault);
    return taken ? Answer{std::string{}} : Answer{refuse(taken.error())};
}

Answer plug(VirtualBench& bench, const Words& words) {
    Line* const line = bench.line_of(words[1]);
    if (words[0] == "unplug" && words.size() == 2) {
        line->unplug();
        return std::string{};
    }
    if (words[0] != "plug" || (words.size() != 2 && !(words.size() == 4 && words[2] == "as"))) {
        return refuse("say \"unplug NAME\", \"plug NAME\" or \"plug NAME as OTHER\"");
    }
    const std::string as{words.size() == 4 ? words[3] : std::string_view{}};
    if (const auto why = as.empty() ? std::nullopt : why_no_port_name(as)) {
        return refuse("\"" + escaped(as, 40) + "\" " + *why);
    }
    for (std::size_t at = 0; at < bench.lines(); ++at) {
        if (&bench.line(at) != line && bench.line(at).name() == as) {
            return refuse("another port is called \"" + as + "\"");
        }
    }
    line->plug(as);
    return std::string{};
}

std::string cell_state(Fixture& cell, double now) {
    const CellReading reading = cell.at(now);
    const double last = cell.last_current();
    return print_fixed(reading.voltage, 4) + " V, " + print_fixed(reading.current, 4) + " A, " +
           print_fixed(reading.temperature, 2) + " degC; " +
           (last < 0.0 ? std::string("no current so far") : "current last at " + print_number(last) + " s") + "\n";
}

Answer at_cell(VirtualBench& bench, const Words& words) {
    Fixture* const cell = words.size() >= 2 ? bench.cell(std::string{words[1]}) : nullptr;
    if (cell == nullptr) {
        std::string all;
        for (const std::string& one : bench.cells()) {
            all += (all.empty() ? "" : ", ") + one;
        }
        return refuse("say which cell: cell NAME, cell NAME short OHM or cell NAME clear; there are " + all);
    }
    const double now = seconds(bench.now() - Time{});
    if (words.size() == 2) {
        return cell_state(*cell, now);
    }
    if (words[2] == "clear" && words.size() == 3) {
        cell->shorted(now, std::nullopt);
        return std::string{};
    }
    const std::optional<double> ohms = words.size() == 4 && words[2] == "short" ? number(words[3]) : std::nullopt;
    if (!ohms || !(*ohms >= 0.01 && *ohms <= 1e9)) {
        return refuse("a short across a cell has 0.01 ohm or more: cell NAME short 0.1");
    }
    cell->shorted(now, ohms);
    return std::string{};
}

Answer state(VirtualBench& bench, const Words& words) {
    std::string text;
    for (const std::string& name : bench.instruments()) {
        if (words.size() == 1 || words[1] == name) {
            text += name + ": " + bench.describe(name);
        }
    }
    return text;
}

constexpr std::string_view help =
    "fault NAME KIND [after SECONDS] [for SECONDS] [value NUMBER] [output NUMBER] [setting NAME] [as NAME]\n"
    "clear NAME                ends all its faults\n"
    "front NAME SETTING VALUE  somebody turns its front panel: volt, curr, sink, low, prot, curr-prot, output; temp\n"
    "unplug NAME, plug NAME [as OTHER]\n"
    "cell NAME                what is true of it; cell NAME short OHM, cell NAME clear\n"
    "state [NAME], time, faults, help\n";

Answer obey(VirtualBench& bench, const Words& words) {
    const std::string_view verb = words[0];
    if (verb == "help") {
        return std::string{help};
    }
    if (verb == "faults") {
        return all_faults() + "\n";
    }
    if (verb == "time") {
        return print_number(seconds(bench.now() - Time{})) + " s\n";
    }
    if (verb == "cell") {
        return at_cell(bench, words);
    }
    const bool known =
        verb == "fault" || verb == "clear" || verb == "front" || verb == "unplug" || verb == "plug" || verb == "state";
    if (!known) {
        return refuse("no command is called \"" + escaped(verb, 40) + "\"; help lists them");
    }
    if (verb == "state" && words.size() == 1) {
        return state(bench, words);
    }
    if (words.size() < 2 || bench.line_of(words[1]) == nullptr) {
        return unknown_instrument(bench, words.size() < 2 ? std::string_view{} : words[1]);
    }
    if (verb == "state") {
        return state(bench, words);
    }
    if (verb == "clear") {
        (void)bench.clear(words[1]);
        return std::string{};
    }
    return verb == "fault"   ? begin_fault(bench, words)
           : verb == "front" ? turn_panel(bench, words)
                             : plug(bench, words);
}

}  // namespace

std::string console(VirtualBench& bench, std::string_view line) {
    const Words words = split(line);
    if (words.empty()) {
        return "ok\n";
    }
    const Answer answer = obey(bench, words);
    return answer ? *answer + "ok\n" : "error: " + answer.error() + "\n";
}

}  // namespace slowfilm::sim::instrument
