#include "daemon/ledger/file_lock.hpp"

#include <array>
#include <cerrno>
#include <charconv>
#include <system_error>

#include <fcntl.h>
#include <sys/file.h>
#include <unistd.h>

namespace slowfilm::ledger {
namespace {

// The holder writes its number into the file; a file just made may not have it yet.
std::string holder(int fd) {
    std::array<char, 16> text{};
    const ssize_t got = ::pread(fd, text.data(), text.size(), 0);
    long process = 0;
    if (got > 0)
        std::from_chars(text.data(), text.data() + got, process);
    return process > 0 ? "another program (process " + std::to_string(process) + ")" : "another program";
}

}  // namespace

Result<FileLock> FileLock::take(const std::string& ledger) {
    const std::string path = ledger + ".lock";
    FileLock lock;
    lock.fd_ = ::open(path.c_str(), O_RDWR | O_CREAT | O_CLOEXEC | O_NOFOLLOW, 0644);
    if (lock.fd_ < 0) {
        return fail(Failure::cannot_create, "cannot make the lock file " + path + ": " +
                                                std::generic_category().message(errno) +
                                                "; see to it that this user may write the directory");
    }
    if (::flock(lock.fd_, LOCK_EX | LOCK_NB) != 0) {
        if (errno != EWOULDBLOCK) {
            return fail(Failure::cannot_write, "cannot lock " + path + ": " + std::generic_category().message(errno));
        }
        return fail(Failure::try_again,
                    holder(lock.fd_) + " is writing the ledger " + ledger + "; stop it first, or name another ledger");
    }
    const std::string process = std::to_string(::getpid()) + "\n";
    const bool noted = ::ftruncate(lock.fd_, 0) == 0 &&
                       ::pwrite(lock.fd_, process.data(), process.size(), 0) == static_cast<ssize_t>(process.size());
    if (noted)
        return lock;
    return fail(Failure::cannot_write, "cannot write the lock file " + path + ": " +
                                           std::generic_category().message(errno) + "; make room on the disk");
}

FileLock::~FileLock() {
    if (fd_ >= 0)
        ::close(fd_);
}

}  // namespace slowfilm::ledger
