#include "daemon/bench/gathering.hpp"

#include "tests/property.hpp"

#include <algorithm>

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <rapidcheck.h>

namespace slowfilm::bench {
namespace {

using testing::ElementsAre;
using testing::IsEmpty;

Member member(bool living, bool gathering, std::uint32_t step, std::uint32_t pass = 0) {
    Member one{living, gathering, {}};
    one.standing.at = {step, pass};
    return one;
}

TEST(Gathering, nobody_begins_while_one_that_lives_has_not_come) {
    EXPECT_THAT(who_begins(std::vector{member(true, true, 3), member(true, false, 2)}), IsEmpty());
}

TEST(Gathering, all_begin_once_all_are_here) {
    EXPECT_THAT(who_begins(std::vector{member(true, true, 3), member(true, true, 3)}), ElementsAre(0, 1));
}

TEST(Gathering, a_run_that_is_over_or_tripped_is_not_waited_for) {
    EXPECT_THAT(who_begins(std::vector{member(true, true, 3), member(false, false, 1), member(true, true, 3)}),
                ElementsAre(0, 2));
}

TEST(Gathering, of_two_steps_the_earlier_begins_so_that_none_waits_for_ever) {
    EXPECT_THAT(who_begins(std::vector{member(true, true, 7), member(true, true, 5, 3), member(true, true, 5, 2)}),
                ElementsAre(2));
}

TEST(Gathering, of_nobody_nobody_begins) {
    EXPECT_THAT(who_begins({}), IsEmpty());
    EXPECT_THAT(who_begins(std::vector{member(false, false, 1)}), IsEmpty());
}

// Steps 0: repeat { 1: rest, 2: repeat { 3: rest } }, 4: rest.
engine::Plan nested() {
    engine::Plan plan;
    plan.steps.resize(5);
    plan.steps[1].parent = plan.steps[2].parent = 0;
    plan.steps[1].depth = plan.steps[2].depth = 1;
    plan.steps[3].parent = 2;
    plan.steps[3].depth = 2;
    return plan;
}

TEST(Gathering, the_order_of_standings_is_the_order_in_which_a_run_comes_to_them) {
    const engine::Plan plan = nested();
    const auto at = [&](std::uint16_t step, std::uint32_t outer, std::uint32_t inner) {
        engine::Run run;
        run.step = step;
        run.pass = {outer, inner};
        return standing_of(plan, run);
    };
    const std::vector<Standing> in_order{at(1, 1, 0), at(3, 1, 1), at(3, 1, 2), at(1, 2, 0), at(3, 2, 1), at(4, 0, 0)};
    EXPECT_TRUE(std::is_sorted(in_order.begin(), in_order.end()));
    EXPECT_EQ(std::adjacent_find(in_order.begin(), in_order.end()), in_order.end());
}

TEST(Gathering, never_stands_still_once_all_that_live_are_here) {
    test::holds([] {
        std::vector<Member> members;
        for (int i = *rc::gen::inRange(1, 10); i > 0; --i) {
            const bool living = *rc::gen::arbitrary<bool>();
            members.push_back(member(living, living, *rc::gen::inRange(1U, 4U), *rc::gen::inRange(1U, 3U)));
        }
        const auto chosen = who_begins(members);
        const bool any = std::any_of(members.begin(), members.end(), [](const Member& one) { return one.living; });
        RC_ASSERT(chosen.empty() != any);
        for (const std::size_t i : chosen) {
            RC_ASSERT(members[i].living);
            for (const Member& other : members) {
                RC_ASSERT(!other.living || members[i].standing <= other.standing);
            }
        }
    });
}

}  // namespace
}  // namespace slowfilm::bench
