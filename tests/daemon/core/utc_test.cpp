#include "daemon/core/utc.hpp"

#include "daemon/core/text.hpp"
#include "tests/property.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <rapidcheck.h>

namespace slowfilm {
namespace {

using testing::HasSubstr;

// RFC 3339, section 5.8: its own examples. The second is the same instant in two zones.
TEST(Utc, reads_the_examples_of_its_standard) {
    EXPECT_EQ(parse_utc("1985-04-12T23:20:50.52Z"), 482'196'050'520'000);
    EXPECT_EQ(parse_utc("1996-12-19T16:39:57-08:00"), parse_utc("1996-12-20T00:39:57Z"));
    EXPECT_EQ(parse_utc("1970-01-01T00:00:00Z"), 0);
    EXPECT_EQ(parse_utc("2026-11-24T19:00:00+01:00"), parse_utc("2026-11-24t18:00:00z"));
}

TEST(Utc, refuses_what_is_no_point_in_time_and_says_what_would_be) {
    for (const char* text :
         {"", "yesterday", "2026-11-24", "2026-11-24T18:00Z", "2026-11-24 18:00:00Z", "2026-11-24T18:00:00",
          "2026-13-01T00:00:00Z", "2026-02-29T00:00:00Z", "2026-11-24T24:00:00Z", "2026-11-24T18:60:00Z",
          "2026-11-24T18:00:60Z", "2026-11-24T18:00:00.Z", "2026-11-24T18:00:00+0100", "2026-11-24T18:00:00+24:00",
          "2026-11-24T18:00:00Z ", " 2026-11-24T18:00:00Z", "26-11-24T18:00:00Z", "2026-11-24T18:00:00ZZ",
          "2026-11-24T18:00:-1Z"}) {
        const auto parsed = parse_utc(text);
        ASSERT_FALSE(parsed) << text;
        EXPECT_THAT(parsed.error(), HasSubstr("2026-11-24T18:00:00Z")) << text;
    }
    EXPECT_THAT(parse_utc("1969-12-31T23:59:59Z").error(), HasSubstr("before 1970"));
    EXPECT_THAT(parse_utc("3000-01-01T00:00:00Z").error(), HasSubstr("after 2999"));
}

TEST(Utc, reads_back_every_time_that_is_printed) {
    test::holds([] {
        const auto millisecond = *rc::gen::inRange<std::int64_t>(0, 32'503'679'999'999);
        RC_ASSERT(parse_utc(print_utc(millisecond * 1000)) == millisecond * 1000);
    });
}

}  // namespace
}  // namespace slowfilm
