#include "daemon/core/diagnostic.hpp"

#include "daemon/core/text.hpp"
#include "daemon/core/utf8.hpp"

#include <algorithm>

namespace slowfilm {

namespace {

constexpr std::size_t columns_shown = 100;  // of a line longer than this only the part around the caret is shown
constexpr std::size_t columns_before_caret = 60;
constexpr std::size_t message_most = 4'096;

// Where each line of the source begins and ends, without its line break.
class Lines {
  public:
    explicit Lines(std::string_view source) {
        constexpr std::string_view byte_order_mark = "\xEF\xBB\xBF";
        if (source.starts_with(byte_order_mark)) {
            source.remove_prefix(byte_order_mark.size());
        }
        for (std::size_t begin = 0; begin <= source.size();) {
            const std::size_t end = std::min(source.find('\n', begin), source.size());
            std::string_view line = source.substr(begin, end - begin);
            if (line.ends_with('\r')) {
                line.remove_suffix(1);
            }
            lines_.push_back(line);
            begin = end + 1;
        }
    }
    // From 1; what lies behind the end is empty.
    [[nodiscard]] std::string_view at(std::uint32_t number) const {
        return number >= 1 && number <= lines_.size() ? lines_[number - 1] : std::string_view{};
    }

  private:
    std::vector<std::string_view> lines_;
};

// A line as it is shown: each code point of the source with its cells on the screen.
struct Shown {
    std::string text;
    std::size_t caret{0};  // cells before it
};

// What stands for one code point, and how many cells it takes.
struct Piece {
    std::string text;
    std::size_t cells;
};

Piece piece_of(std::string_view bytes, const CodePoint& point) {
    if (point.valid && point.value == '\t') {
        return {" ", 1};
    }
    if (point.valid && !is_unprintable(point.value)) {
        return {std::string{bytes}, 1};
    }
    std::string text = escaped(bytes);
    const std::size_t cells = text.size();
    return {std::move(text), cells};
}

Shown show(std::string_view line, std::uint32_t column) {
    std::vector<Piece> pieces;
    const std::size_t caret = column > 0 ? column - 1 : 0;
    // Nothing far behind the caret is looked at: a line may be a megabyte long.
    for (std::size_t at = 0; at < line.size() && pieces.size() <= caret + columns_shown;) {
        const CodePoint point = code_point_at(line, at);
        pieces.push_back(piece_of(line.substr(at, point.length), point));
        at += point.length;
    }
    const std::size_t at = std::min(caret, pieces.size());  // behind the end: right after the last
    const bool is_long = pieces.size() > columns_shown;
    const std::size_t first = is_long && at > columns_before_caret ? at - columns_before_caret : 0;
    const std::size_t last = std::min(pieces.size(), first + columns_shown);
    Shown shown;
    if (first > 0) {
        shown.text = "...";
        shown.caret = 3;
    }
    for (std::size_t i = first; i < last; ++i) {
        shown.text += pieces[i].text;
        shown.caret += i < at ? pieces[i].cells : 0;
    }
    if (last < pieces.size()) {
        shown.text += "...";
    }
    return shown;
}

std::string_view word_for(Severity severity) {
    switch (severity) {
        case Severity::warning: return "warning";
        case Severity::error: return "error";
    }
    return "error";
}

std::string gutter(const std::string& number) {
    constexpr std::size_t width = 5;
    return std::string(number.size() < width ? width - number.size() : 0, ' ') + number + " |";
}

}  // namespace

void Diagnostics::error(Place place, std::string message) {
    items.push_back({Severity::error, place, std::move(message)});
}

void Diagnostics::warning(Place place, std::string message) {
    items.push_back({Severity::warning, place, std::move(message)});
}

bool Diagnostics::has_errors() const {
    return std::any_of(items.begin(), items.end(), [](const Diagnostic& d) { return d.severity == Severity::error; });
}

void Diagnostics::sort() {
    std::stable_sort(items.begin(), items.end(),
                     [](const Diagnostic& a, const Diagnostic& b) { return a.place < b.place; });
}

std::string render(const Diagnostics& diagnostics, std::string_view source) {
    const Lines lines{source};
    std::string out;
    for (const Diagnostic& item : diagnostics.items) {
        const std::string number = std::to_string(item.place.line);
        out += escaped(diagnostics.file, message_most) + ":" + number + ":" + std::to_string(item.place.column) + ": " +
               std::string{word_for(item.severity)} + ": " + escaped(item.message, message_most) + "\n";
        const Shown shown = show(lines.at(item.place.line), item.place.column);
        out += gutter(number) + (shown.text.empty() ? "" : " ") + shown.text + "\n";
        out += gutter(std::string(number.size(), ' ')) + " " + std::string(shown.caret, ' ') + "^\n";
    }
    return out;
}

}  // namespace slowfilm
