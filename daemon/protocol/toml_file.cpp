#include "daemon/core/text.hpp"
#include "daemon/protocol/toml_reader.hpp"

#include <algorithm>
#include <cerrno>
#include <cstring>

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

namespace slowfilm::protocol {
namespace {

// Closes what it holds on every way out.
class Descriptor {
  public:
    explicit Descriptor(int number) : number_(number) {}
    Descriptor(const Descriptor&) = delete;
    Descriptor& operator=(const Descriptor&) = delete;
    ~Descriptor() {
        if (number_ >= 0) {
            ::close(number_);
        }
    }
    [[nodiscard]] int number() const { return number_; }

  private:
    int number_;
};

tl::unexpected<Error> cannot_read(const std::string& path, int number) {
    const std::string named = "'" + escaped(path) + "'";
    switch (number) {
        case ENOENT: return fail(Failure::no_input, "there is no file " + named);
        case ENOTDIR:
            return fail(Failure::no_input, "there is no file " + named + ": a part of its path is no directory");
        case EACCES: return fail(Failure::not_allowed, "this user may not read the file " + named);
        case ENXIO: return fail(Failure::bad_data, named + " is a socket or a device; a TOML file is needed");
        case ELOOP: return fail(Failure::no_input, named + " leads through too many symbolic links");
        default: return fail(Failure::no_input, "the file " + named + " cannot be read: " + std::strerror(number));
    }
}

}  // namespace

Result<std::string> read_file_bounded(const std::string& path, std::size_t bytes_max) {
    // O_NONBLOCK: a FIFO without a writer must not hold us.
    const Descriptor file{::open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NONBLOCK | O_NOCTTY)};
    if (file.number() < 0) {
        return cannot_read(path, errno);
    }
    const std::string named = "'" + escaped(path) + "'";
    struct stat status {};
    if (::fstat(file.number(), &status) != 0) {
        return cannot_read(path, errno);
    }
    if (S_ISDIR(status.st_mode)) {
        return fail(Failure::bad_data, named + " is a directory; name a file in it");
    }
    if (!S_ISREG(status.st_mode)) {
        return fail(Failure::bad_data,
                    named + " is no regular file (a pipe, a device or a socket); a TOML file is needed");
    }
    std::string text;
    while (text.size() <= bytes_max) {
        const std::size_t before = text.size();
        text.resize(std::min(before + 65'536, bytes_max + 1));
        const ssize_t got = ::read(file.number(), text.data() + before, text.size() - before);
        if (got < 0 && errno != EINTR) {
            return cannot_read(path, errno);
        }
        text.resize(before + static_cast<std::size_t>(std::max<ssize_t>(got, 0)));
        if (got == 0) {
            return text;
        }
    }
    return text;  // cut: who reads it says that it is too long, and where
}

}  // namespace slowfilm::protocol
