// What makes a file a ledger of ours: its marks, its tables, how it is made, how it is told from other files.
#pragma once

#include "daemon/core/result.hpp"
#include "daemon/ledger/sqlite.hpp"

#include <cstdint>
#include <string>

namespace slowfilm::ledger {

inline constexpr std::int64_t application_id = 0x534C464D;  // "SLFM"
inline constexpr std::int64_t schema_version = 1;

// The absolute path with symbolic links resolved: the -wal and the lock file stand beside the file itself.
[[nodiscard]] std::string resolved(const std::string& path);

enum class Found : std::uint8_t { missing, ours };
// Looks without writing a byte. An empty file counts as missing. bad_data: something else, or from the future.
[[nodiscard]] Result<Found> examine(const std::string& path);

// Makes a new ledger under a passing name and renames it, so that at no instant half a ledger stands at `path`.
[[nodiscard]] Result<void> create_file(const std::string& path);

// WAL, synchronous FULL, foreign keys, all read back; marked as being written; its log is kept
// on closing unless keep_log says otherwise. pages_max 0: as far as the disk goes.
[[nodiscard]] Result<Connection> open_for_writing(const std::string& path, std::int64_t pages_max);

struct ReadOnly {
    Connection connection;
    bool immutable{false};  // no log stood beside the file
};
// Reads a live ledger through its log. A file without a -wal is read as it lies there: nothing is made beside it, and a
// directory that cannot be written is no hindrance.
[[nodiscard]] Result<ReadOnly> open_for_reading(const std::string& path);

}  // namespace slowfilm::ledger
