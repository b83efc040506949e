// A RapidCheck property as a GoogleTest assertion. rc::check alone only prints and returns false: a test that forgot to
// look at it could not fail.
#pragma once

#include <utility>

#include <gtest/gtest.h>
#include <rapidcheck.h>

namespace slowfilm::test {

template <class Property>
void holds(Property&& property) {
    ASSERT_TRUE(rc::check(std::forward<Property>(property)));
}

}  // namespace slowfilm::test
