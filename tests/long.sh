#!/usr/bin/env bash
# What is too slow for tests/run.sh: all checks of .clang-tidy, every test under the address and thread sanitizers, and
# then the properties with ever new seeds until the time is up.
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
