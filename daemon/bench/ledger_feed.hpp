// The bench's side of the ledger: records go in, commits come back on the bench's own thread, and the first loss is
// told once. Control never waits here.
#pragma once

#include "daemon/ledger/writer.hpp"

#include <boost/asio/io_context.hpp>
#include <functional>
#include <memory>
#include <string>

namespace slowfilm::bench {

class LedgerFeed {
  public:
    // Called once, when the first record could not be kept: no record after it is claimed.
    using Lost = std::function<void(const std::string& why)>;

    LedgerFeed(boost::asio::io_context& io, ledger::Writer& writer, Lost lost);
    ~LedgerFeed();
    LedgerFeed(const LedgerFeed&) = delete;
    LedgerFeed& operator=(const LedgerFeed&) = delete;

    [[nodiscard]] ledger::RunNumber next_run() { return writer_.next_run(); }
    void put(ledger::Record record);
    void commit();
    // `done(true)` on the bench's thread once all that was put is on disk; `done(false)` when it could not be.
    void commit_then(std::function<void(bool)> done);
    // Looks after the writer: a failure it had on its own, and how full its queue is.
    void look_after();

    [[nodiscard]] bool lost() const { return lost_now_; }
    [[nodiscard]] const std::string& why_lost() const { return why_lost_; }
    // The queue is more than half full: virtual time waits, real time is warned about.
    [[nodiscard]] bool behind() const;

  private:
    void lose(std::string why);

    boost::asio::io_context& io_;
    ledger::Writer& writer_;
    Lost lost_;
    bool lost_now_{false};
    std::string why_lost_;
    std::shared_ptr<bool> alive_{std::make_shared<bool>(true)};  // for answers that come after the end
};

}  // namespace slowfilm::bench
