// Lines that are sent one after the other over a link, each answer judged before the next goes out.
#pragma once

#include "daemon/channel/link.hpp"
#include "daemon/core/input.hpp"
#include "daemon/core/result.hpp"

#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace slowfilm::channel {

// Why something was not done: what the run is told, and what a person is.
struct Trouble {
    FaultKind kind{FaultKind::refused};
    std::string text;
};
// Nothing: it was done.
using Outcome = std::optional<Trouble>;

struct Heard {
    std::string_view line;  // without its end
    Time asked;             // steady
};

// `again`: the same question once more, such as the next entry of an error queue; not without end.
enum class Verdict : std::uint8_t { good, again };
using Judge = std::function<Result<Verdict, Trouble>(const Heard&)>;

struct Step {
    std::string line;
    Judge judge;  // of the answer; empty: a command, to which none comes
    // What no answer means; empty: trouble, and nothing more is sent.
    std::function<void(LinkFault)> unanswered;
};

struct ScriptRules {
    Urgency urgency{Urgency::apply};
    Duration deadline;  // of each line
    std::string line_end{"\n"};
    char answer_end{'\n'};
};

class Script : public std::enable_shared_from_this<Script> {
  public:
    using Done = std::function<void(const Outcome&)>;
    // Begins at once. `done` is called exactly once, unless it is stopped first.
    static std::shared_ptr<Script> run(Link& link, ScriptRules rules, std::vector<Step> steps, Done done);

    // Nothing more of it goes out: what waits is taken back, what is under way ends by itself.
    void stop();
    [[nodiscard]] bool over() const { return over_; }

    static constexpr int again_most = 64;

  private:
    Script(Link& link, ScriptRules rules, std::vector<Step> steps, Done done);
    void next();
    void heard(const Result<Answer, LinkFault>& answer);
    void finish(const Outcome& outcome);

    Link& link_;
    ScriptRules rules_;
    std::vector<Step> steps_;
    Done done_;
    std::size_t at_{0};
    int again_{0};
    Link::Ticket ticket_{0};
    bool over_{false};
};

}  // namespace slowfilm::channel
