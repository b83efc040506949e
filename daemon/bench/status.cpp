// What every channel does now, as an answer.
#include "daemon/bench/bench.hpp"
#include "daemon/bench/entering.hpp"
#include "daemon/core/text.hpp"
#include "daemon/engine/alarm.hpp"
#include "daemon/engine/describe.hpp"
#include "daemon/protocol/guard_table.hpp"

#include <unistd.h>

namespace slowfilm::bench {
namespace {

// A value that is not there is null, with the reason beside it.
template <class Q>
void put_reading(boost::json::object& object, std::string_view key, std::string_view reason_key,
                 const Reading<Q>& reading, double (*convert)(Q)) {
    if (reading.good()) {
        object[key] = convert(reading.value);
        return;
    }
    object[key] = nullptr;
    object[reason_key] = reading.quality == Quality::bad ? "the last reading was not a value" : "nothing was read yet";
}

void put_step(boost::json::object& object, const ActiveRun& run) {
    if (!run.run.in_visit) {
        object["step"] = nullptr;
        object["pass"] = "";
        return;
    }
    const engine::StepLabel& label = run.plan->labels[run.run.step];
    boost::json::object step;
    step["path"] = label.path;
    step["name"] = label.name;
    step["do"] = engine::name(run.plan->steps[run.run.step].kind);
    object["step"] = std::move(step);
    object["pass"] = record::pass_text(run.run.pass);
}

// Since the run began: the visits that have ended, and the one under way.
void put_charge(boost::json::object& object, const ActiveRun* run) {
    double in = 0.0;
    double out = 0.0;
    if (run != nullptr) {
        in = run->charge_in_ah;
        out = run->charge_out_ah;
        if (run->plan && run->run.in_visit) {
            in += ampere_hours(run->run.totals.charge_in.whole);
            out += ampere_hours(run->run.totals.charge_out.whole);
        }
    }
    object["charge_in_ah"] = in;
    object["charge_out_ah"] = out;
}

// Whether current may flow: "driven", "opening" until no current is seen, "open", or "stuck" once that takes too long
// or current is seen.
std::string_view output_word(const ChannelTask& task) {
    const ActiveRun* active = task.run();
    if (active == nullptr || !active->plan) {
        return task.output_open() ? "open" : task.opening_failed() ? "stuck" : "opening";
    }
    const engine::Run& run = active->run;
    if (!run.opening.wanted) {
        return run.state == RunState::planned ? "open" : "driven";
    }
    return run.opening.verified ? "open" : engine::is_stuck(run) ? "stuck" : "opening";
}

void put_trip(boost::json::object& object, const ActiveRun& run, engine::AlarmState alarm) {
    if (run.run.state != RunState::tripped) {
        object["trip"] = nullptr;
        return;
    }
    boost::json::object trip;
    trip["guard"] = guard_row(run.run.tripped_by).name;
    trip["class"] = run.run.trip_class == TripClass::cell ? "cell" : "channel";
    trip["text"] = run.trip_text;
    trip["alarm_state"] = engine::name(alarm);
    object["trip"] = std::move(trip);
}

// What the step under way asks a person to enter.
boost::json::array asked_of(const ActiveRun* run) {
    boost::json::array asked;
    if (run == nullptr || run->plan == nullptr || run->run.state != RunState::asking) {
        return asked;
    }
    for (const protocol::EnterField& field : run->plan->labels[run->run.step].enter) {
        boost::json::object one;
        one["name"] = field.name;
        one["unit"] = field.unit;
        if (field.min) {
            one["min"] = *field.min;
        }
        if (field.max) {
            one["max"] = *field.max;
        }
        one["text"] = describe_field(field);
        asked.push_back(std::move(one));
    }
    return asked;
}

}  // namespace

boost::json::object Bench::answer(std::string_view kind) const {
    boost::json::object object;
    object["slowfilm"] = SLOWFILM_VERSION;
    object["kind"] = kind;
    return object;
}

boost::json::object Bench::hello() const {
    boost::json::object object = answer("hello");
    object["bench"] = options_.config.name;
    object["ledger"] = options_.config.ledger;
    object["socket"] = options_.config.socket;
    object["time_scale"] = options_.time_scale.value_or(1.0);
    object["pid"] = static_cast<std::int64_t>(::getpid());
    return object;
}

boost::json::object Bench::channel_status(const ChannelTask& task) const {
    boost::json::object object;
    const ActiveRun* run = task.run();
    object["channel"] = task.config().name;
    object["state"] = state_word(task);
    object["run"] = run != nullptr ? boost::json::value(run->number) : boost::json::value(nullptr);
    object["cell"] = run != nullptr ? boost::json::value(run->cell) : boost::json::value(nullptr);
    object["protocol"] = run != nullptr ? boost::json::value(run->title) : boost::json::value(nullptr);
    const bool restored = run != nullptr && run->plan != nullptr;
    if (restored) {
        put_step(object, *run);
    } else {
        object["step"] = nullptr;
        object["pass"] = "";
    }
    const Sample& last = task.last_sample();
    put_reading(object, "voltage_volt", "voltage_reason", last.voltage, volts);
    put_reading(object, "current_ampere", "current_reason", last.current, amperes);
    put_reading(object, "temperature_celsius", "temperature_reason", last.temperature, celsius);
    put_reading(object, "ambient_temperature_celsius", "ambient_temperature_reason", last.ambient, celsius);
    put_charge(object, run);
    object["run_second"] = restored ? seconds(run->recorder->status(run->run).ended - run->run.started) : 0.0;
    object["output"] = output_word(task);
    object["needs"] = run != nullptr ? run->needs() : "";
    object["asked"] = asked_of(run);
    object["alarm"] = run != nullptr ? run->alarm() : empty_alarm(task);
    // In the words of ISA-18.2 / IEC 62682: of the trip that the run stands in, or of its idle watch.
    const engine::AlarmState alarm = restored ? engine::alarm_state(*run->plan, run->run, !trouble_beside(task).empty())
                                     : object["alarm"].as_string().empty() ? engine::AlarmState::normal
                                                                           : engine::AlarmState::unacknowledged;
    object["alarm_state"] = engine::name(alarm);
    object["bad_readings"] = restored ? run->run.guards.bad_readings : 0;  // that rode out since the run began
    const channel::Health health = task.channel().health();
    object["ready"] = health.ready;
    object["trouble"] = health.trouble;
    object["instrument"] = health.identity;
    object["settings"] = health.settings;
    const ledger::ChannelLatch* latch = latch_of(task);
    object["latch"] = latch != nullptr ? boost::json::value(latch->text) : boost::json::value(nullptr);
    object["tray"] = run != nullptr && run->tray != 0 ? boost::json::value(run->tray) : boost::json::value(nullptr);
    if (restored) {
        put_trip(object, *run, alarm);
    } else {
        object["trip"] = nullptr;
    }
    return object;
}

Bench::Answer Bench::status(const control::Request& request) {
    if (const Result<void> allowed = may_watch(request.peer); !allowed) {
        return tl::unexpected(allowed.error());
    }
    boost::json::object result = answer("status");
    result["bench"] = options_.config.name;
    result["time_scale"] = options_.time_scale.value_or(1.0);
    boost::json::array channels;
    if (request.params.contains("channel")) {
        const Result<ChannelTask*> task = channel_named(request.params);
        if (!task) {
            return tl::unexpected(task.error());
        }
        channels.push_back(channel_status(**task));
    } else {
        for (const auto& task : tasks_) {
            channels.push_back(channel_status(*task));
        }
    }
    result["channels"] = std::move(channels);
    return result;
}

// Who has been told of an event and reads the ledger next must find it there: answers once all that has happened so far
// is on disk, or is known not to be.
void Bench::commit(const control::Request& request, control::Reply reply) {
    if (const Result<void> allowed = may_watch(request.peer); !allowed) {
        reply(tl::unexpected(allowed.error()));
        return;
    }
    for (const auto& task : tasks_) {
        task->hand_over(false);
    }
    feed_.commit_then([this, reply = std::move(reply)](bool on_disk) {
        boost::json::object result = answer("committed");
        result["ledger"] = options_.config.ledger;
        result["on_disk"] = on_disk;
        reply(std::move(result));
    });
}

}  // namespace slowfilm::bench
