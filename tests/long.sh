#!/usr/bin/env bash
# What is too slow for tests/run.sh: all checks of .clang-tidy, every test under the address and thread sanitizers, a
# minute of libFuzzer for each parser, all faults of instruments, and then the properties with ever new seeds until the time is up.
#
#   bash tests/long.sh [MINUTES]      60 when not given; the fixed part may take longer than that
#
# A property that fails prints its seed; RC_PARAMS="seed=..." with the named test shows it again. Exit code 0 only when
# nothing failed.
set -euo pipefail
cd "$(dirname "$0")/.."
minutes=${1:-60}
[[ $minutes =~ ^[0-9]+$ ]] || {
    echo "tests/long.sh takes whole minutes, such as: bash tests/long.sh 90" >&2
    exit 64
}
until_second=$((SECONDS + 60 * minutes))
jobs=$(nproc)
failed=0

bash tests/run.sh || failed=1
bash tests/tidy.sh .build || failed=1

launcher=()
if command -v ccache >/dev/null; then
    launcher=(-DCMAKE_CXX_COMPILER_LAUNCHER=ccache)
fi
for sanitizer in address thread; do
    build=.build-$sanitizer
    cmake -S . -B "$build" -G Ninja -DCMAKE_BUILD_TYPE=Release -DSANITIZE="$sanitizer" "${launcher[@]}"
    cmake --build "$build" --parallel "$jobs"
    ctest --test-dir "$build" --parallel "$jobs" --output-on-failure || failed=1
done

build=.build-fuzzer
cmake -S . -B "$build" -G Ninja -DCMAKE_BUILD_TYPE=Release -DCMAKE_CXX_COMPILER=clang++ -DSANITIZE=fuzzer "${launcher[@]}"
cmake --build "$build" --parallel "$jobs" --target fuzzers
for fuzzer in "$build"/tests/fuzz_*; do
    name=${fuzzer##*/fuzz_}
    corpus=$build/corpus/$name # kept from one time to the next
    mkdir -p "$corpus"
    "$fuzzer" -max_total_time=60 -max_len=1024 -print_final_stats=0 -artifact_prefix="$build/corpus/$name-" \
        "$corpus" "tests/fuzz/seeds/$name" || failed=1
done

# Every fault of virtual instruments in every step on every driver; the table says what became of it, and how soon.
SLOWFILM_FAULTS=all .build/tests/test_scenario --gtest_filter='*FaultTable*' || failed=1

SLOWFILM_PROTOCOLS=200 SLOWFILM_SEED=$RANDOM .build/tests/test_sim_cell --gtest_filter='AgainstCvode.random*' || failed=1

rounds=0
while ((SECONDS < until_second && failed == 0)); do
    seed=$(od -An -N8 -tu8 /dev/urandom | tr -d ' ')
    echo "properties with RC_PARAMS=\"seed=$seed max_success=500\""
    RC_PARAMS="seed=$seed max_success=500" ctest --test-dir .build --parallel "$jobs" --output-on-failure \
        -E '^(House|Instruments)\.' || failed=1
    rounds=$((rounds + 1))
done
echo "$rounds rounds of properties"
exit "$failed"
