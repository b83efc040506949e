#include "daemon/main/slowfilmd_log.hpp"

#include <cstdlib>
#include <memory>

#include <spdlog/async.h>
#include <spdlog/pattern_formatter.h>
#include <spdlog/sinks/stdout_sinks.h>
#include <spdlog/spdlog.h>

namespace slowfilm::daemon {
namespace {

constexpr std::size_t lines_waiting_max = 8192;

// sd-daemon(3): "<3>" before a line is its syslog priority.
class PriorityPrefix final : public spdlog::custom_flag_formatter {
  public:
    void format(const spdlog::details::log_msg& message, const std::tm&, spdlog::memory_buf_t& into) override {
        const char priority = digit(message.level);
        into.push_back('<');
        into.push_back(priority);
        into.push_back('>');
    }
    [[nodiscard]] std::unique_ptr<custom_flag_formatter> clone() const override {
        return spdlog::details::make_unique<PriorityPrefix>();
    }

  private:
    static char digit(spdlog::level::level_enum level) {
        switch (level) {
            case spdlog::level::critical: return '2';
            case spdlog::level::err: return '3';
            case spdlog::level::warn: return '4';
            case spdlog::level::info: return '6';
            case spdlog::level::debug:
            case spdlog::level::trace:
            case spdlog::level::off:
            case spdlog::level::n_levels: return '7';
        }
        return '7';
    }
};

}  // namespace

Log::Log() {
    spdlog::init_thread_pool(lines_waiting_max, 1);
    const auto logger = spdlog::create_async_nb<spdlog::sinks::stderr_sink_mt>("slowfilmd");
    if (std::getenv("JOURNAL_STREAM") != nullptr) {
        auto formatter = std::make_unique<spdlog::pattern_formatter>();
        formatter->add_flag<PriorityPrefix>('J').set_pattern("%J%v");
        logger->set_formatter(std::move(formatter));
    } else {
        logger->set_formatter(
            std::make_unique<spdlog::pattern_formatter>("%Y-%m-%dT%H:%M:%S.%eZ %l %v", spdlog::pattern_time_type::utc));
    }
    spdlog::set_default_logger(logger);
}

Log::~Log() {
    spdlog::shutdown();
}

}  // namespace slowfilm::daemon
