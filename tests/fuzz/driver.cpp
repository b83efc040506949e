// Runs one fuzz target under GoogleTest: each seed, then mutations of the seeds, the same ones in every run.
#include "tests/fuzz/fuzz.hpp"

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <random>
#include <string>
#include <vector>

#include <gtest/gtest.h>

namespace {

constexpr int mutations = 20'000;
constexpr std::size_t longest = 2'048;

std::vector<std::string> seeds() {
    std::vector<std::filesystem::path> paths;
    for (const auto& entry : std::filesystem::directory_iterator{SLOWFILM_SEEDS}) {
        paths.push_back(entry.path());
    }
    std::sort(paths.begin(), paths.end());
    std::vector<std::string> all;
    for (const auto& path : paths) {
        std::ifstream file{path, std::ios::binary};
        all.emplace_back(std::istreambuf_iterator<char>{file}, std::istreambuf_iterator<char>{});
    }
    return all;
}

void run(const std::string& bytes) {
    (void)LLVMFuzzerTestOneInput(reinterpret_cast<const std::uint8_t*>(bytes.data()), bytes.size());
}

class Mutator {
  public:
    explicit Mutator(const std::vector<std::string>& seeds) : seeds_{seeds} {}

    std::string next() {
        std::string bytes = seeds_[below(seeds_.size())];
        for (std::size_t change = below(6); change > 0; --change) {
            const std::size_t at = below(bytes.size() + 1);
            const std::string& other = seeds_[below(seeds_.size())];
            switch (below(5)) {
                case 0: bytes.insert(at, 1, static_cast<char>(below(256))); break;
                case 1: bytes.erase(at, below(8)); break;
                case 2:
                    if (at < bytes.size()) {
                        bytes[at] = static_cast<char>(static_cast<unsigned char>(bytes[at]) ^ (1U << below(8)));
                    }
                    break;
                case 3: bytes.insert(at, other, below(other.size() + 1), below(64)); break;
                default: bytes.insert(at, below(300), static_cast<char>(below(256))); break;
            }
        }
        return bytes.substr(0, longest);
    }

  private:
    std::size_t below(std::size_t most) { return random_() % most; }

    const std::vector<std::string>& seeds_;
    std::mt19937_64 random_{20'260'301};
};

TEST(Fuzz, takes_its_seeds_and_mutations_of_them) {
    const std::vector<std::string> all = seeds();
    ASSERT_GE(all.size(), 3U) << "a target without seeds sees nothing: " << SLOWFILM_SEEDS;
    for (const std::string& seed : all) {
        for (std::size_t size = 0; size <= seed.size(); ++size) {
            run(seed.substr(0, size));
        }
    }
    Mutator mutator{all};
    for (int round = 0; round < mutations; ++round) {
        run(mutator.next());
    }
}

}  // namespace
