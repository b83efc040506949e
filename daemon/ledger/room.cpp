#include "daemon/ledger/schema.hpp"
#include "daemon/ledger/writer.hpp"

#include <cerrno>
#include <filesystem>
#include <system_error>

#include <sys/statvfs.h>

namespace slowfilm::ledger {

Result<void> room_for(const std::string& path, std::uint64_t bytes) {
    const std::string directory = std::filesystem::path(resolved(path)).parent_path().string();
    struct statvfs facts {};
    if (::statvfs(directory.c_str(), &facts) != 0) {
        return fail(Failure::cannot_write, "cannot tell how much room the ledger's directory " + directory +
                                               " has: " + std::generic_category().message(errno));
    }
    const std::uint64_t free_bytes = std::uint64_t{facts.f_bavail} * facts.f_frsize;
    if (free_bytes >= bytes)
        return {};
    constexpr std::uint64_t mebibyte = 1U << 20U;
    return fail(Failure::cannot_write, "no room for the record: it can take " +
                                           std::to_string(bytes / mebibyte + (bytes % mebibyte != 0 ? 1 : 0)) +
                                           " MiB, and " + directory + " has " + std::to_string(free_bytes / mebibyte) +
                                           " MiB free; make room on that disk or put the ledger on another");
}

}  // namespace slowfilm::ledger
