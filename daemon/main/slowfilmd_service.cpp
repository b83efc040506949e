#include "daemon/main/slowfilmd_service.hpp"

#include "daemon/core/ensure.hpp"
#include "daemon/core/text.hpp"
#include "daemon/main/slowfilmd_notify.hpp"

#include <csignal>
#include <string_view>
#include <utility>

#include <spdlog/spdlog.h>
#include <unistd.h>

namespace slowfilm::daemon {
namespace {

// Under the supervisor's own patience, and under the five seconds that are promised.
constexpr std::chrono::milliseconds end_patience{4500};

// Simulated outputs live in this process and open with it; those of instruments are the guardian's once it has ended.
void make_outputs_safe() noexcept {
    constexpr std::string_view line =
        "slowfilmd: simulated outputs end with the process, the guardian opens the others\n";
    const ssize_t written = ::write(STDERR_FILENO, line.data(), line.size());
    static_cast<void>(written);
}

std::string listed(const std::vector<std::string>& names) {
    std::string text;
    for (const std::string& name : names) {
        text += (text.empty() ? "'" : ", '") + escaped(name) + "'";
    }
    return text;
}

std::string text_in(const boost::json::object& object, std::string_view key) {
    const boost::json::value* value = object.if_contains(key);
    return value != nullptr && value->is_string() ? std::string(value->get_string()) : std::string{};
}

spdlog::level::level_enum level_of(std::string_view event) {
    if (event == "tripped" || event == "output_stuck" || event == "idle_alarm" || event == "copper") {
        return spdlog::level::err;
    }
    if (event == "warned" || event == "waiting" || event == "connection_failed" || event == "gap" ||
        event == "bad_input" || event == "open_resent") {
        return spdlog::level::warn;
    }
    return spdlog::level::info;
}

}  // namespace

Service::Service(bench::BenchConfig config, std::optional<double> time_scale, channel::Guardian* guardian)
    : config_(std::move(config)), time_scale_(time_scale), guardian_(guardian), end_signals_(io_), hangup_(io_) {
    on_broken_invariant(make_outputs_safe);
    std::signal(SIGPIPE, SIG_IGN);
}

Service::~Service() {
    if (server_) {
        server_->close();
    }
}

Result<void> Service::open_server() {
    control::ServerOptions options;
    options.path = config_.socket;
    options.methods = bench::Bench::methods();
    options.hello = [this] { return bench_->hello(); };
    options.may_subscribe = [this](const control::Peer& peer) { return bench_->may_watch(peer); };
    Result<std::unique_ptr<control::Server>> server =
        control::Server::open(io_, std::move(options), [this](control::Request request, control::Reply reply) {
            bench_->handle(std::move(request), std::move(reply));
        });
    if (!server) {
        return tl::unexpected(server.error());
    }
    server_ = std::move(*server);
    return {};
}

Result<void> Service::open_serial() {
    if (!time_scale_ || !has_serial(config_)) {
        serial_ = std::make_unique<SerialBench>(io_, guardian_);
        return {};
    }
    Result<std::unique_ptr<channel::Lockstep>> lockstep = take_clock(config_);
    if (!lockstep) {
        return tl::unexpected(lockstep.error());
    }
    serial_ = std::make_unique<SerialBench>(io_, std::move(*lockstep), guardian_);
    return {};
}

Result<void> Service::open() {
    // The socket first: a second daemon is turned away before it has touched a ledger.
    if (Result<void> listening = open_server(); !listening) {
        return listening;
    }
    if (Result<void> serial = open_serial(); !serial) {
        return serial;
    }
    bench::BenchOptions options;
    options.config = config_;
    options.time_scale = time_scale_;
    options.lockstep = serial_->lockstep();
    if (guardian_ != nullptr) {
        options.guardian_alive = [this] { return guardian_->alive(); };
    }
    Result<std::unique_ptr<bench::Bench>> opened = bench::Bench::open(
        io_, std::move(options), [this](const bench::ChannelConfig& config, const bench::ChamberConfig* chamber) {
            return config.serial() ? serial_->make(config_, config, chamber) : simulated_.make(config, chamber);
        });
    if (!opened) {
        return tl::unexpected(opened.error());
    }
    bench_ = std::move(*opened);
    bench_->on_event([this](boost::json::object event) { tell(std::move(event)); });
    bench_->on_trouble([](const std::string& trouble) { spdlog::critical("{}", escaped(trouble, 1024)); });
    for (const std::string& finding : bench_->findings()) {
        spdlog::warn("{}", escaped(finding, 1024));
    }
    return {};
}

int Service::run() {
    await_end();
    await_hangup();
    bench_->open_outputs([this](const std::vector<std::string>& not_open) { ready(not_open); });
    io_.run();
    if (!recorded_) {
        // A disk that has not answered by now would hold the way out for ever.
        spdlog::shutdown();
        ::_exit(exit_code_);
    }
    if (guardian_ != nullptr && !all_open_) {
        // The guardian tries once more what did not open, as soon as this process has gone; nobody waits for that.
        bench_.reset();
        spdlog::shutdown();
        ::_exit(exit_code_);
    }
    return exit_code_;
}

void Service::ready(const std::vector<std::string>& not_open) {
    if (!not_open.empty()) {
        spdlog::critical("these outputs are not seen open, open them by hand: {}", listed(not_open));
    }
    spdlog::info("bench '{}' is ready: {} channels, ledger {}, socket {}", escaped(config_.name),
                 config_.channels.size(), escaped(config_.ledger, 4096), escaped(config_.socket));
    notify_supervisor("READY=1\nSTATUS=" + std::to_string(config_.channels.size()) + " channels");
}

void Service::tell(boost::json::object event) {
    const std::string_view word = "event";
    const std::string name = text_in(event, word);
    const boost::json::value* run = event.if_contains("run");
    const std::int64_t number = run != nullptr && run->is_number() ? run->to_number<std::int64_t>() : 0;
    spdlog::log(level_of(name), "run {} on channel '{}': {}", number, escaped(text_in(event, "channel")),
                escaped(text_in(event, "text"), 1024));
    server_->publish(std::move(event));
}

void Service::await_end() {
    for (const int signal : {SIGTERM, SIGINT, SIGQUIT}) {
        boost::system::error_code ignored;
        end_signals_.add(signal, ignored);
    }
    end_signals_.async_wait([this](const boost::system::error_code& error, int signal) {
        if (!error) {
            end(signal);
        }
    });
}

void Service::await_hangup() {
    boost::system::error_code ignored;
    hangup_.add(SIGHUP, ignored);
    hangup_.async_wait([this](const boost::system::error_code& error, int) {
        if (!error) {
            spdlog::info("a hang-up signal changes nothing: this daemon reads its bench file only when it starts");
            await_hangup();
        }
    });
}

void Service::end(int signal) {
    const std::string why = "signal " + std::to_string(signal);
    if (std::exchange(ending_, true)) {
        spdlog::info("{} again: outputs are being opened already", why);
        await_end();
        return;
    }
    spdlog::info("{}: every output is being opened", why);
    notify_supervisor("STOPPING=1");
    await_end();
    bench_->shut_down(why, end_patience, [this](const bench::Bench::Ending& ending) {
        if (!ending.not_open.empty()) {
            spdlog::critical("these outputs are not seen open, open them by hand: {}", listed(ending.not_open));
        }
        if (!ending.recorded) {
            spdlog::critical("the last of the record is not on the disk");
        }
        recorded_ = ending.recorded;
        all_open_ = ending.not_open.empty();
        if (guardian_ != nullptr && all_open_) {
            guardian_->release();
        }
        exit_code_ = ending.good() ? 0 : exit_code(Failure::cannot_write);
        spdlog::info("ended");
        server_->close();
        io_.stop();
    });
}

}  // namespace slowfilm::daemon
