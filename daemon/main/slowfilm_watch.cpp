// The verbs that watch a bench: what every channel does now, and a live stream of what happens.
#include "daemon/core/json.hpp"
#include "daemon/core/text.hpp"
#include "daemon/main/slowfilm_output.hpp"
#include "daemon/main/slowfilm_program.hpp"
#include "daemon/main/slowfilm_table.hpp"

#include <CLI/CLI.hpp>
#include <algorithm>
#include <array>
#include <boost/json/array.hpp>
#include <cmath>
#include <map>

namespace slowfilm::command {

namespace json = boost::json;

namespace {

struct StatusWords {
    Common common;
    std::string channel;
};

std::string fixed(const json::object& object, std::string_view key, int decimals) {
    const auto value = number_in(object, key);
    return value ? print_fixed(*value, decimals) : "-";
}

std::string step_text(const json::object& channel) {
    const json::value* const step = channel.if_contains("step");
    if (step == nullptr || !step->is_object()) {
        return "";
    }
    std::string text = text_in(step->get_object(), "path") + " " + text_in(step->get_object(), "do");
    if (const std::string name = text_in(step->get_object(), "name"); !name.empty()) {
        text += " \"" + escaped(name, 40) + "\"";
    }
    if (const std::string pass = text_in(channel, "pass"); !pass.empty()) {
        text += ", pass " + pass;
    }
    return text;
}

Colour colour_of(std::string_view state) {
    if (state == "tripped") {
        return Colour::alarm;
    }
    return state == "asking" || state == "waiting" || state == "paused" ? Colour::attention : Colour::none;
}

TableRow status_row(const json::object& channel) {
    const std::string state = text_in(channel, "state");
    const std::string run = whole_in(channel, "run");
    const bool empty = run.empty();
    const double lasted = number_in(channel, "run_second").value_or(0.0);
    return {.cells = {escaped(text_in(channel, "channel"), 64), escaped(state, 20), run,
                      escaped(text_in(channel, "cell"), 40), step_text(channel), fixed(channel, "voltage_volt", 4),
                      fixed(channel, "current_ampere", 4), fixed(channel, "temperature_celsius", 1),
                      empty ? "" : fixed(channel, "charge_in_ah", 4), empty ? "" : fixed(channel, "charge_out_ah", 4),
                      empty ? "" : print_span(Duration{std::llround(lasted) * 1'000'000})},
            .colour = colour_of(state)};
}

// "; enter mass (g, 10 to 20)", where the step asks for values.
std::string asked_text(const json::object& channel) {
    const json::value* const asked = channel.if_contains("asked");
    std::string text;
    if (asked != nullptr && asked->is_array()) {
        for (const json::value& field : asked->get_array()) {
            if (field.is_object()) {
                text += (text.empty() ? "; enter " : ", ") + escaped(text_in(field.get_object(), "text"), 100);
            }
        }
    }
    return text;
}

// Those that were ridden out; of a channel that tripped by them it is said instead whether they still come: a broken
// sensor and a dead cable are looked for in different places.
std::string bad_readings_text(const json::object& channel, const std::string& count) {
    const json::value* const trip = channel.if_contains("trip");
    const std::string guard = trip != nullptr && trip->is_object() ? text_in(trip->get_object(), "guard") : "";
    if (guard != "stale" && guard != "not_plausible") {
        return " rode out " + count + " bad readings\n";
    }
    std::string bad_now;
    for (const auto& [quantity, reason] : {std::pair{"voltage", "voltage_reason"},
                                           {"current", "current_reason"},
                                           {"temperature", "temperature_reason"},
                                           {"ambient temperature", "ambient_temperature_reason"}}) {
        if (text_in(channel, reason) == "the last reading was not a value") {
            bad_now += std::string(bad_now.empty() ? "" : ", ") + quantity;
        }
    }
    return " has had " + count + " bad readings" +
           (bad_now.empty()
                ? "\n"
                : ", and its last of " + bad_now + " was bad too: readings come, so look at the sensor and " +
                      "its wiring before the instrument's cable\n");
}

bool is_ready(const json::object& channel) {
    const json::value* const ready = channel.if_contains("ready");
    return ready != nullptr && ready->is_bool() && ready->get_bool();
}

std::string status_text(const json::object& answer) {
    std::string text = "bench " + escaped(text_in(answer, "bench"), 64);
    if (const auto scale = number_in(answer, "time_scale"); scale && *scale != 1.0) {
        text += ", its time goes " + print_number(*scale) + " times as fast";
    }
    text += "\n\n";
    std::vector<TableRow> rows{
        {{"channel", "state", "run", "cell", "step", "V", "A", "degC", "in Ah", "out Ah", "for"}}};
    std::string stuck;  // what to open by hand comes before all else
    std::string needs;
    const json::value* const channels = answer.if_contains("channels");
    if (channels != nullptr && channels->is_array()) {
        for (const json::value& value : channels->get_array()) {
            if (!value.is_object()) {
                continue;
            }
            const json::object& channel = value.get_object();
            rows.push_back(status_row(channel));
            const std::string named = escaped(text_in(channel, "channel"), 64);
            if (const std::string why = text_in(channel, "trouble"); !why.empty()) {
                needs += "  " + named + (is_ready(channel) ? " has had trouble: " : " is not ready: ") +
                         escaped(why, 400) + "\n";
            }
            if (const std::string why = text_in(channel, "latch"); !why.empty()) {
                needs += "  " + named + " is latched, and wants to be acknowledged: " + escaped(why, 400) + "\n";
            }
            if (const std::string alarm = text_in(channel, "alarm"); !alarm.empty()) {
                std::string& said = text_in(channel, "output") == "stuck" ? stuck : needs;
                said += "  " + named + " ALARM: " + escaped(alarm, 400) + "\n";
            }
            if (const std::string bad = whole_in(channel, "bad_readings"); !bad.empty() && bad != "0") {
                needs += "  " + named + bad_readings_text(channel, bad);
            }
            const json::value* const trip = channel.if_contains("trip");
            if (trip != nullptr && trip->is_object()) {
                needs += "  " + named + " tripped by " + escaped(text_in(trip->get_object(), "text"), 400) + "  (" +
                         escaped(text_in(trip->get_object(), "alarm_state"), 60) + ")\n";
            }
            if (const std::string what = text_in(channel, "needs"); !what.empty()) {
                needs += "  " + named + " needs a person: " + escaped(what, 400) + asked_text(channel) + "\n";
            }
        }
    }
    text += table(rows, {2, 5, 6, 7, 8, 9});
    needs = stuck + needs;
    return needs.empty() ? text : text + "\n" + paint(needs.substr(0, needs.size() - 1), Colour::attention) + "\n";
}

Result<json::object> status_of(const Common& common, const std::string& channel) {
    auto client = daemon_of(common);
    if (!client) {
        return tl::unexpected{client.error()};
    }
    json::object params;
    if (!channel.empty()) {
        params["channel"] = channel;
    }
    auto answer = client->call("status", params);
    if (!answer) {
        return tl::unexpected{answer.error()};
    }
    if (!answer->is_object()) {
        return fail(Failure::internal, "the daemon's answer to status is no object");
    }
    return std::move(answer->get_object());
}

Result<int> status(const StatusWords& words) {
    auto answer = status_of(words.common, words.channel);
    if (!answer) {
        return tl::unexpected{answer.error()};
    }
    if (auto put = put_answer(words.common, with_version(*answer), [&] { return status_text(*answer); }); !put) {
        return tl::unexpected{put.error()};
    }
    return done;
}

// --- follow

struct FollowWords {
    Common common;
    std::string since;
    bool until_done{false};
};

// Which channels have a run that is not over yet.
class Unfinished {
  public:
    // An event: whether it leaves its channel with a run under way.
    void note(const json::object& event) { channels_[text_in(event, "channel")] = is_under_way(event); }
    // A status, which also tells whether the output of a run that is over has been seen open: that is its last event.
    void note_all(const json::object& answer) {
        channels_.clear();
        const json::value* const channels = answer.if_contains("channels");
        if (channels != nullptr && channels->is_array()) {
            for (const json::value& channel : channels->get_array()) {
                if (channel.is_object()) {
                    const json::object& object = channel.get_object();
                    channels_[text_in(object, "channel")] =
                        is_under_way(object) || text_in(object, "output") == "opening";
                }
            }
        }
    }
    [[nodiscard]] bool any() const {
        return std::any_of(channels_.begin(), channels_.end(), [](const auto& channel) { return channel.second; });
    }

  private:
    static bool is_under_way(const json::object& object) {
        return std::find(states.begin(), states.end(), text_in(object, "state")) != states.end();
    }

    static constexpr std::array<std::string_view, 7> states{"planned", "checking", "forming", "resting",
                                                            "asking",  "paused",   "waiting"};
    std::map<std::string, bool> channels_;
};

std::string event_line(const json::object& event, bool as_json) {
    if (as_json) {
        return to_json_text(with_version(event)) + "\n";
    }
    const std::string kind = text_in(event, "event");
    const std::string line = escaped(text_in(event, "utc"), 40) + "  " + escaped(text_in(event, "channel"), 64) +
                             "  run " + whole_in(event, "run") + "  " + escaped(text_in(event, "cell"), 40) + "  " +
                             escaped(text_in(event, "text"), 400);
    const bool alarm = kind == "tripped" || kind == "output_stuck";
    return paint(line, alarm ? Colour::alarm : colour_of(text_in(event, "state"))) + "\n";
}

// The number of the last event, once no run is under way and every output has been seen open; nothing before.
Result<std::optional<std::uint64_t>> all_over(const Common& common, Unfinished& unfinished) {
    auto answer = status_of(common, "");
    if (!answer) {
        return tl::unexpected{answer.error()};
    }
    unfinished.note_all(*answer);
    if (unfinished.any()) {
        return std::optional<std::uint64_t>{};
    }
    auto client = daemon_of(common);
    if (!client) {
        return tl::unexpected{client.error()};
    }
    const auto subscribed = client->call("subscribe");
    if (!subscribed) {
        return tl::unexpected{subscribed.error()};
    }
    const double last = subscribed->is_object() ? number_in(subscribed->get_object(), "last").value_or(0.0) : 0.0;
    return std::optional{static_cast<std::uint64_t>(last)};
}

Result<int> follow(const FollowWords& words) {
    std::optional<std::uint64_t> since;
    if (!words.since.empty()) {
        auto number = whole_number(words.since, "--since", 0);
        if (!number) {
            return tl::unexpected{number.error()};
        }
        since = *number;
    }
    auto client = daemon_of(words.common);
    if (!client) {
        return tl::unexpected{client.error()};
    }
    auto output = Output::open(words.common.output);
    if (!output) {
        return tl::unexpected{output.error()};
    }
    Unfinished unfinished;
    Result<void> went_well;
    std::optional<std::uint64_t> last;  // once all is over: the last event there was then
    const auto goes_on = [&](std::uint64_t seen) {
        if (!last && !unfinished.any()) {
            auto over = all_over(words.common, unfinished);
            if (!over) {
                went_well = tl::unexpected{over.error()};
                return false;
            }
            last = *over;
        }
        return !last || seen < *last;
    };
    control::Client::Follower follower{.event = [&](const json::object& event) {
        went_well = output->write(event_line(event, words.common.json()));
        unfinished.note(event);
        const auto sequence = static_cast<std::uint64_t>(number_in(event, "sequence").value_or(0.0));
        return went_well.has_value() && (!words.until_done || goes_on(sequence));
    }};
    follower.missed = [](std::uint64_t count) {
        complain(std::to_string(count) + " earlier events are no longer kept; the ledger has them all");
    };
    follower.subscribed = [&](std::uint64_t from) {
        if (!words.until_done) {
            return true;
        }
        auto answer = status_of(words.common, "");
        if (!answer) {
            went_well = tl::unexpected{answer.error()};
            return false;
        }
        unfinished.note_all(*answer);
        return goes_on(from);
    };
    auto followed = client->follow(since, follower);
    if (followed && went_well) {
        followed = output->finish();
    }
    if (!followed || !went_well) {
        return tl::unexpected{went_well ? followed.error() : went_well.error()};
    }
    return done;
}

}  // namespace

void add_watch_verbs(Program& program) {
    const auto status_words = std::make_shared<StatusWords>();
    CLI::App* const status_verb =
        add_verb(program, "status", "Says what every channel does now, and what needs a person.", "status a1",
                 status_words->common, Takes::socket);
    status_verb->add_option("CHANNEL", status_words->channel, "only this channel")->option_text("CHANNEL");
    status_verb->callback(
        [&program, status_words] { program.action = [status_words] { return status(*status_words); }; });

    const auto words = std::make_shared<FollowWords>();
    CLI::App* const verb =
        add_verb(program, "follow", "Prints every event as it happens, one line each (with json: one object a line).",
                 "follow --until-done --format json", words->common, Takes::socket);
    verb->add_option("--since", words->since, "begin after the event of this number; else from now on")
        ->option_text("N");
    verb->add_flag("--until-done", words->until_done, "end when every run is done, stopped or tripped");
    verb->callback([&program, words] { program.action = [words] { return follow(*words); }; });
}

}  // namespace slowfilm::command
