// How often operator new has been called in this program; counted in circuit_allocation_test.cpp.
#pragma once

#include <cstddef>

namespace slowfilm::testing {

[[nodiscard]] std::size_t allocations();

}  // namespace slowfilm::testing
