// A disk under SQLite that fails on demand, and that remembers what was synced: so a power cut can be played at any
// write. While it stands it is SQLite's default; nothing of the code under test knows of it.
#pragma once

#include <cstdint>
#include <functional>
#include <map>
#include <mutex>
#include <random>
#include <string>
#include <vector>

#include <sqlite3.h>

namespace slowfilm::ledger {

class LyingDisk {
  public:
    LyingDisk();
    ~LyingDisk();
    LyingDisk(const LyingDisk&) = delete;
    LyingDisk& operator=(const LyingDisk&) = delete;

    // The n-th write, truncation or sync from now (from 1) fails with the code; with `for_good` all after it too.
    void fail_at(long n, int code, bool for_good);
    [[nodiscard]] bool has_failed();
    [[nodiscard]] long calls();
    // Bytes written to a file whose name ends so, and not synced since.
    [[nodiscard]] bool has_unsynced(const std::string& ending);

    // What a power cut now would leave: synced bytes, and of the others any sectors.
    struct Change {
        std::int64_t offset{0};
        std::string bytes;
        bool truncation{false};  // to `offset`
    };
    struct Image {
        std::string synced;
        std::vector<Change> unsynced;
    };
    using Images = std::map<std::string, Image>;
    [[nodiscard]] Images images();
    // Called before each write with how many calls there were; on the thread that writes.
    void on_write(std::function<void(long)> observer);

    // Used by SQLite's callbacks.
    int before_change();
    void note_open(const std::string& name, std::string content);
    void note_change(const std::string& name, Change change);
    void note_sync(const std::string& name);
    void note_delete(const std::string& name);

  private:
    std::mutex mutex_;
    long calls_{0}, fail_at_{0};
    int code_{0};
    bool for_good_{false}, failed_{false};
    Images images_;
    std::function<void(long)> observer_;
};

// One outcome of the cut for one file.
[[nodiscard]] std::string after_power_cut(const LyingDisk::Image& image, std::mt19937_64& chance);

}  // namespace slowfilm::ledger
