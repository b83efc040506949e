// The inside of advance(): one input's worth of work on a run. Not for use outside engine/.
#pragma once

#include "daemon/engine/connection.hpp"
#include "daemon/engine/engine.hpp"

namespace slowfilm::engine {

// A condition on a figure, which may not be known.
enum class Truth : std::uint8_t { no, yes, unknown };

class Machine {
  public:
    Machine(const Plan& plan, Run& run, Decision& decision, const Input& input)
        : plan_{plan}, run_{run}, decision_{decision}, now_{input.time} {}

    void take(const Tick& tick);
    void take(const Sample& raw);
    void take(const Command& command);
    void take(const Applied& applied);
    void take(const ChannelFault& fault);
    void take(const GroupTrip& group);
    void take(const Gap& gap);
    void take(const RecordLost& lost);
    void take(const TestGrant& grant);
    void take(const Crossed& crossed);
    void take(const Gathered& gathered);
    void take_bad_order();
    void leave_test();
    // Time since the previous input, put where it belongs (account.cpp).
    void count_time(Duration span);

  private:
    // commands (commands.cpp)
    void start();
    void pause();
    void resume();
    void confirm();
    void acknowledge();
    void stop();
    void refuse(CommandKind kind);

    // steps (steps.cpp)
    void begin_first_step();
    void begin_next_step();
    void go_to(std::int32_t index);
    void pass_over(std::int32_t repeat, Truth so);
    void begin_step(std::int32_t index);
    void start_step();
    void gather();
    [[nodiscard]] bool resolve_goals(const PlanStep& step);
    [[nodiscard]] Current scaled_current(Current at_rated) const;
    void go_on_with_step(bool again);
    void set_ambient(const PlanStep& step);
    void set_ambient_of_repeats(const PlanStep& step);
    void end_visit(EndReason reason);
    void end_without_current(EndReason reason);
    void end_step(EndReason reason);
    void overrun(EndReason reason, protocol::OnOverrun what, std::int32_t repeat, WaitReason why);
    void finish(RunState state);
    [[nodiscard]] std::int32_t step_after(std::int32_t index);

    // ends (ends.cpp)
    [[nodiscard]] bool goes_up(const PlanStep& step) const;
    [[nodiscard]] bool goes_down(const PlanStep& step) const;
    [[nodiscard]] EndReason already_so(const PlanStep& step) const;
    [[nodiscard]] EndReason end_reason(const PlanStep& step, const Sample* sample);
    [[nodiscard]] bool voltage_reached(const PlanStep& step, const Sample& sample) const;
    void judge_ends(const Sample* sample);
    void judge_caps(const PlanStep& step, bool pending, bool live);
    void judge_taper(const Sample& sample, Duration span);
    void judge_reached(const Sample& sample, Duration span);
    void note_drift(const PlanStep& step, const Reading<Voltage>& voltage);
    [[nodiscard]] bool settled(const PlanStep& step);

    // ramps and pulses (shapes.cpp)
    void begin_shape(const PlanStep& step);
    [[nodiscard]] std::int64_t sweep_now(const SweepPlan& sweep) const;
    [[nodiscard]] bool arrived(const SweepPlan& sweep) const;
    [[nodiscard]] Demand sweep_demand(const PlanStep& step) const;
    void go_on_with_sweep(const PlanStep& step, bool again);
    void go_on_with_pulse(const PlanStep& step, bool again);
    void begin_levels(const PlanStep& step);
    void take_level(const PlanStep& step, std::uint8_t level);
    void follow(const Demand& wanted);
    [[nodiscard]] EndReason go_through_shape(const PlanStep& step, const Sample* sample);
    [[nodiscard]] EndReason end_level(const PlanStep& step, bool off_time);

    // figures and marks (figures.cpp, marks.cpp)
    void note_figures(const PlanStep& step);
    void end_cycle(const PlanStep& step, EndReason reason);
    [[nodiscard]] FigureValue k_value(const Maybe<Duration>& from, const Maybe<Duration>& to) const;
    [[nodiscard]] Truth judge_only_if(const PlanStep& step) const;
    [[nodiscard]] bool figure_settled(const PlanStep& repeat);
    void judge_marks(const Sample& sample);
    void judge_mark(const KeepPlan& keep, MarkSum& sum, Duration age, const Sample& sample, bool of_run);

    // accounts (account.cpp)
    void integrate(const Reading<Current>& current);
    void note_unseen(Current level, Duration span);
    void add_charge(Current first, Current second, Duration span, Voltage voltage);
    void note_cell(const Reading<Voltage>& voltage);
    void note_same_cell(const Sample& sample);
    void note_totals(const Sample& sample);
    void judge_keep(const Sample& sample);

    // safety (safety.cpp)
    void heed(const GuardFinding& finding);
    void note_idle(const GuardFinding& finding);
    void judge_copper();
    void trip(GuardId id, std::int64_t value, std::int64_t limit);
    void wait(WaitReason reason);
    void judge_checks(const ConnectionVerdict& verdict);
    void judge_opening();
    void demand(const Demand& wanted);
    void emit(EventKind kind, std::uint8_t code = 0, std::int64_t value = 0, std::int64_t limit = 0);

    const Plan& plan_;
    Run& run_;
    Decision& decision_;
    Time now_;
};

}  // namespace slowfilm::engine
