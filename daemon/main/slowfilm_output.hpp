// Where answers and complaints go. Every write is checked: an answer that did not arrive is never reported as given.
#pragma once

#include "daemon/core/result.hpp"

#include <span>
#include <string>
#include <string_view>

namespace slowfilm::command {

// Open descriptors 0 to 2 and no death by SIGPIPE, whatever the caller left us: a socket or a ledger must never get the
// number of a closed stdout.
void prepare_streams();

// Progress and complaints, on stderr. One line, prefixed with the program's name.
void complain(std::string_view sentence);
// Several lines as they are, such as a protocol's diagnostics.
void complain_text(std::string_view text);

enum class Colour : unsigned char { none, alarm, attention };
// Only where standard output is a terminal and NO_COLOR is not set; else the text as it is.
[[nodiscard]] std::string paint(std::string_view text, Colour colour);

// Standard output, or the file that -o names. A regular file is written under another name beside it and takes its
// place only when all of it is on disk, so that no half of an answer ever stands there.
class Output {
  public:
    // `inputs`: files that the answer is made from and that it must not replace. cannot_create: the file cannot be
    // made.
    [[nodiscard]] static Result<Output> open(const std::string& path, std::span<const std::string> inputs = {});
    ~Output();
    Output(Output&& other) noexcept;
    Output& operator=(Output&&) = delete;
    Output(const Output&) = delete;
    Output& operator=(const Output&) = delete;

    // cannot_write. Its message is empty when the reader at the end of a pipe has left, which needs no words.
    [[nodiscard]] Result<void> write(std::string_view bytes);
    [[nodiscard]] Result<void> finish();

  private:
    Output(int descriptor, std::string path, std::string partial);
    int descriptor_;
    std::string path_;     // "" for standard output
    std::string partial_;  // the name it is written under, "" where it is written in place
};

// All of it, or the error.
[[nodiscard]] Result<void> put_answer(const std::string& path, std::string_view text,
                                      std::span<const std::string> inputs = {});

}  // namespace slowfilm::command
