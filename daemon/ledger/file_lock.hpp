// One writer a ledger: an advisory lock (flock) on "<ledger>.lock", given back by the kernel when the process dies.
#pragma once

#include "daemon/core/result.hpp"

#include <string>
#include <utility>

namespace slowfilm::ledger {

class FileLock {
  public:
    // try_again when another holds it, naming its process.
    [[nodiscard]] static Result<FileLock> take(const std::string& ledger);
    FileLock() = default;
    ~FileLock();
    FileLock(FileLock&& other) noexcept : fd_(std::exchange(other.fd_, -1)) {}
    FileLock& operator=(FileLock&& other) noexcept {
        std::swap(fd_, other.fd_);
        return *this;
    }
    FileLock(const FileLock&) = delete;
    FileLock& operator=(const FileLock&) = delete;

  private:
    int fd_{-1};
};

}  // namespace slowfilm::ledger
