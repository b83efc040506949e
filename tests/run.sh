#!/usr/bin/env bash
# Installs what is missing, builds, and runs every test; ctest's closing lines are the last thing printed.
#
#   bash tests/run.sh [CTEST_OPTION...]      for instance: bash tests/run.sh -R Quantity
#
# The build lies in .build/ (CMake, Ninja, Release, with the compiler cache when there is one).
# The exit code is 0 only when everything was built, is formatted and tidy, and every test passed.
set -euo pipefail
cd "$(dirname "$0")/.."
build=.build
jobs=$(nproc)

# The short list fits in the time a person waits; tests/long.sh runs all of .clang-tidy.
short_checks='-*,bugprone-use-after-move,bugprone-dangling-handle,bugprone-infinite-loop,bugprone-unused-raii,'
short_checks+='cppcoreguidelines-slicing,modernize-use-override,readability-function-size'

bash config/install-missing.sh

# The tests run under locales that write numbers with a comma and capitals without a dot.
make_locale() {
    local name=$1
    locale -a 2>/dev/null | grep -qix "${name/UTF-8/utf8}" && return 0
    local as_root=()
    [[ $(id -u) -eq 0 ]] || as_root=(sudo)
    "${as_root[@]}" localedef -i "${name%%.*}" -f UTF-8 "$name" || {
        echo "the locale $name is missing and could not be made; as root: localedef -i ${name%%.*} -f UTF-8 $name" >&2
        return 1
    }
}
make_locale de_DE.UTF-8
make_locale tr_TR.UTF-8

log=$(mktemp)
trap 'rm -f "$log"' EXIT
launcher=()
if command -v ccache >/dev/null; then
    launcher=(-DCMAKE_CXX_COMPILER_LAUNCHER=ccache)
fi
cmake -S . -B "$build" -G Ninja -DCMAKE_BUILD_TYPE=Release "${launcher[@]}" >"$log" 2>&1 || {
    cat "$log" >&2
    exit 1
}
cmake --build "$build" --parallel "$jobs"

failed=0
format=$(command -v clang-format-14 || command -v clang-format)
find daemon sim tests \( -name '*.cpp' -o -name '*.hpp' \) -print0 |
    xargs -0 -P "$jobs" -n 16 "$format" --dry-run -Werror || {
    echo "clang-format: not formatted as .clang-format asks; clang-format -i FILE mends it" >&2
    failed=1
}
bash tests/tidy.sh "$build" "$short_checks" || failed=1

ctest --test-dir "$build" --parallel "$jobs" --output-on-failure "$@" || failed=1
exit "$failed"
