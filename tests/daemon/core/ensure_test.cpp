#include "daemon/core/ensure.hpp"

#include "daemon/core/result.hpp"

#include <csignal>

#include <gtest/gtest.h>
#include <unistd.h>

namespace slowfilm {
namespace {

void say_safe() noexcept {
    const ssize_t written = ::write(STDERR_FILENO, "outputs open\n", 13);
    static_cast<void>(written);
}

void fail_again() noexcept {
    ENSURE(1 == 2);
}

void outer() {
    ENSURE(2 + 2 == 5);
}

TEST(EnsureDeathTest, a_broken_invariant_says_where_and_dies) {
    EXPECT_EXIT(outer(), ::testing::KilledBySignal(SIGABRT),
                "slowfilm: broken invariant: 2 \\+ 2 == 5 at .*ensure_test.cpp:[0-9]+\n");
}

TEST(EnsureDeathTest, outputs_are_made_safe_before_anything_is_said) {
    EXPECT_EXIT(
        {
            on_broken_invariant(say_safe);
            outer();
        },
        ::testing::KilledBySignal(SIGABRT), "^outputs open\nslowfilm: broken invariant");
}

TEST(EnsureDeathTest, a_fault_while_making_safe_ends_too) {
    EXPECT_EXIT(
        {
            on_broken_invariant(fail_again);
            outer();
        },
        ::testing::KilledBySignal(SIGABRT), "broken invariant: 1 == 2");
}

TEST(Ensure, a_condition_that_holds_does_nothing) {
    ENSURE(2 + 2 == 4);
    SUCCEED();
}

// sysexits.h of 4.3BSD, as glibc ships it.
TEST(Result, failures_have_the_exit_codes_of_sysexits) {
    EXPECT_EQ(exit_code(Failure::usage), 64);
    EXPECT_EQ(exit_code(Failure::bad_data), 65);
    EXPECT_EQ(exit_code(Failure::no_input), 66);
    EXPECT_EQ(exit_code(Failure::no_daemon), 69);
    EXPECT_EQ(exit_code(Failure::internal), 70);
    EXPECT_EQ(exit_code(Failure::cannot_create), 73);
    EXPECT_EQ(exit_code(Failure::cannot_write), 74);
    EXPECT_EQ(exit_code(Failure::try_again), 75);
    EXPECT_EQ(exit_code(Failure::not_allowed), 77);
    EXPECT_EQ(exit_code(Failure::bad_config), 78);
}

TEST(Result, a_failure_carries_its_sentence) {
    const Result<int> result = fail(Failure::no_input, "there is no run 7");
    ASSERT_FALSE(result);
    EXPECT_EQ(result.error().message, "there is no run 7");
}

}  // namespace
}  // namespace slowfilm
