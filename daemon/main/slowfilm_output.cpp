#include "daemon/main/slowfilm_output.hpp"

#include "daemon/core/text.hpp"

#include <cerrno>
#include <csignal>
#include <cstdio>
#include <cstdlib>
#include <optional>
#include <system_error>
#include <utility>

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

namespace slowfilm::command {

namespace {

std::string reason(int error) {
    return std::generic_category().message(error);
}

Result<void> write_all(int descriptor, std::string_view bytes, std::string_view where) {
    while (!bytes.empty()) {
        const ssize_t count = ::write(descriptor, bytes.data(), bytes.size());
        if (count < 0 && errno == EINTR) {
            continue;
        }
        if (count < 0) {
            const int error = errno;
            return fail(Failure::cannot_write,
                        error == EPIPE ? "" : "cannot write to " + std::string{where} + ": " + reason(error));
        }
        bytes.remove_prefix(static_cast<std::size_t>(count));
    }
    return {};
}

bool is_same_file(const std::string& a, const std::string& b) {
    struct stat first {};
    struct stat second {};
    return ::stat(a.c_str(), &first) == 0 && ::stat(b.c_str(), &second) == 0 && first.st_dev == second.st_dev &&
           first.st_ino == second.st_ino;
}

std::string name_of(const std::string& path) {
    return path.empty() ? "standard output" : escaped(path);
}

}  // namespace

void prepare_streams() {
    std::signal(SIGPIPE, SIG_IGN);
    for (int descriptor = 0; descriptor <= 2; ++descriptor) {
        if (::fcntl(descriptor, F_GETFD) == -1 && errno == EBADF) {
            // A closed stdout stays one that cannot be written, for that is the caller's to know.
            const int mode = descriptor == 2 ? O_WRONLY : O_RDONLY;
            const int opened = ::open("/dev/null", mode | O_NOCTTY);
            if (opened != descriptor) {
                std::_Exit(exit_code(Failure::internal));
            }
        }
    }
}

void complain(std::string_view sentence) {
    complain_text("slowfilm: " + std::string{sentence} + "\n");
}

void complain_text(std::string_view text) {
    // Nothing can be said where complaints cannot be written; the exit code still tells.
    (void)write_all(STDERR_FILENO, text, "standard error");
}

std::string paint(std::string_view text, Colour colour) {
    static const bool coloured = [] {
        const char* const refused = std::getenv("NO_COLOR");
        return ::isatty(STDOUT_FILENO) == 1 && (refused == nullptr || *refused == '\0');
    }();
    std::string_view code;
    switch (colour) {
        case Colour::none: break;
        case Colour::alarm: code = "\x1b[1;31m"; break;
        case Colour::attention: code = "\x1b[1m"; break;
    }
    if (!coloured || code.empty()) {
        return std::string{text};
    }
    return std::string{code} + std::string{text} + "\x1b[0m";
}

Output::Output(int descriptor, std::string path, std::string partial)
    : descriptor_{descriptor}, path_{std::move(path)}, partial_{std::move(partial)} {}

Output::Output(Output&& other) noexcept
    : descriptor_{std::exchange(other.descriptor_, -1)},
      path_{std::move(other.path_)},
      partial_{std::exchange(other.partial_, {})} {}

Output::~Output() {
    if (descriptor_ > STDERR_FILENO) {
        ::close(descriptor_);
    }
    if (!partial_.empty()) {
        ::unlink(partial_.c_str());
    }
}

Result<Output> Output::open(const std::string& path, std::span<const std::string> inputs) {
    if (path.empty()) {
        return Output{STDOUT_FILENO, "", ""};
    }
    for (const std::string& input : inputs) {
        if (is_same_file(path, input)) {
            return fail(Failure::usage, "-o " + escaped(path) + " would replace the file that the answer is made from");
        }
    }
    struct stat found {};
    const bool exists = ::stat(path.c_str(), &found) == 0;
    const bool in_place = exists && !S_ISREG(found.st_mode);  // a pipe or a device keeps its place
    const std::string target = in_place ? path : path + ".part" + std::to_string(::getpid());
    const int flags = O_WRONLY | O_CLOEXEC | O_NOCTTY | (in_place ? 0 : O_CREAT | O_EXCL);
    const int descriptor = ::open(target.c_str(), flags, 0644);
    if (descriptor < 0) {
        return fail(Failure::cannot_create, "cannot make " + escaped(path) + ": " + reason(errno));
    }
    if (exists && !in_place) {
        ::fchmod(descriptor, found.st_mode & 07777);
    }
    return Output{descriptor, path, in_place ? "" : target};
}

Result<void> Output::write(std::string_view bytes) {
    return write_all(descriptor_, bytes, name_of(path_));
}

Result<void> Output::finish() {
    if (path_.empty()) {
        return {};
    }
    if (!partial_.empty() && ::fsync(descriptor_) != 0) {
        return fail(Failure::cannot_write, "cannot write to " + name_of(path_) + ": " + reason(errno));
    }
    if (::close(std::exchange(descriptor_, -1)) != 0) {
        return fail(Failure::cannot_write, "cannot write to " + name_of(path_) + ": " + reason(errno));
    }
    if (!partial_.empty() && std::rename(partial_.c_str(), path_.c_str()) != 0) {
        return fail(Failure::cannot_create, "cannot put " + name_of(path_) + " in its place: " + reason(errno));
    }
    partial_.clear();
    return {};
}

Result<void> put_answer(const std::string& path, std::string_view text, std::span<const std::string> inputs) {
    auto output = Output::open(path, inputs);
    if (!output) {
        return tl::unexpected{output.error()};
    }
    if (auto written = output->write(text); !written) {
        return written;
    }
    return output->finish();
}

}  // namespace slowfilm::command
