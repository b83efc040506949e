#include "daemon/bench/ledger_feed.hpp"

#include <boost/asio/post.hpp>
#include <utility>

namespace slowfilm::bench {

LedgerFeed::LedgerFeed(boost::asio::io_context& io, ledger::Writer& writer, Lost lost)
    : io_(io), writer_(writer), lost_(std::move(lost)) {}

LedgerFeed::~LedgerFeed() {
    *alive_ = false;
}

void LedgerFeed::put(ledger::Record record) {
    if (lost_now_) {
        return;  // a hole in a tape is worse than its end
    }
    if (!writer_.put(std::move(record))) {
        const ledger::WriterHealth health = writer_.health();
        lose(health.failed ? health.failure : "the queue to the ledger is full: its disk has not kept up");
    }
}

void LedgerFeed::commit() {
    if (!lost_now_) {
        writer_.commit({});
    }
}

void LedgerFeed::commit_then(std::function<void(bool)> done) {
    if (lost_now_) {
        boost::asio::post(io_, [done = std::move(done)] { done(false); });
        return;
    }
    writer_.commit([this, alive = alive_, done = std::move(done)](const Result<void>& result) {
        boost::asio::post(
            io_, [this, alive, done, why = result ? std::string{} : result.error().message, good = result.has_value()] {
                if (!*alive) {
                    return;
                }
                if (!good) {
                    lose(why);
                }
                done(good);
            });
    });
}

void LedgerFeed::look_after() {
    if (!lost_now_) {
        if (const ledger::WriterHealth health = writer_.health(); health.failed) {
            lose(health.failure);
        }
    }
}

bool LedgerFeed::behind() const {
    const ledger::WriterHealth health = writer_.health();
    return health.queued_bytes > health.queued_bytes_max / 2;
}

void LedgerFeed::lose(std::string why) {
    if (lost_now_) {
        return;
    }
    lost_now_ = true;
    why_lost_ = std::move(why);
    // Posted: whoever was putting a record is in the middle of a decision.
    boost::asio::post(io_, [this, alive = alive_] {
        if (*alive) {
            lost_(why_lost_);
        }
    });
}

}  // namespace slowfilm::bench
