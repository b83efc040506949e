#!/usr/bin/env bash
# An archive that goes into a microcontroller calls nothing but itself and what a compiler puts in by itself.
#
#   tests/structure/freestanding.sh NM ARCHIVE
set -euo pipefail
nm=$1
archive=$2
defined=$("$nm" --defined-only --format=posix "$archive" | cut -d' ' -f1 | sort -u)
undefined=$("$nm" --undefined-only --format=posix "$archive" | grep ' U' | cut -d' ' -f1 | sort -u)
[[ -n $defined ]] || {
    echo "$archive defines nothing: this check would pass whatever it called" >&2
    exit 1
}
# Instrumented builds call their sanitizer.
allowed='^(mem(cpy|move|set|cmp)|__stack_chk_fail|__(asan|ubsan|tsan|sanitizer|sancov)_.*|_GLOBAL_OFFSET_TABLE_)$'
strange=$(comm -13 <(echo "$defined") <(echo "$undefined") | grep -vE "$allowed" || true)
[[ -z $strange ]] || {
    printf '%s calls what a microcontroller may not have:\n%s\n' "$archive" "$strange" >&2
    exit 1
}
