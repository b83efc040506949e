#!/usr/bin/env bash
# clang-tidy over our own sources (daemon/ and sim/, not tests/), with the compile database of a configured build.
#
#   bash tests/tidy.sh [BUILD_DIR [CHECKS]]
#
# BUILD_DIR is .build when not given; CHECKS replaces the list in .clang-tidy (tests/run.sh gives its short one). A file
# that was clean under the same checks, flags and contents of all that it includes is not looked at twice: its stamp lies
# in BUILD_DIR/tidy. Exit code 0 when all is clean, 1 when something is not.
set -euo pipefail
cd "$(dirname "$0")/.."
build=${1:-.build}
checks=${2:-}

tidy=$(command -v clang-tidy-14 || command -v clang-tidy) || {
    echo "clang-tidy is missing: run config/install-missing.sh first" >&2
    exit 1
}
[[ -f $build/compile_commands.json ]] || {
    echo "$build/compile_commands.json is missing: configure the build first, as tests/run.sh does" >&2
    exit 1
}
mkdir -p "$build/tidy"

# One line a source: its path and the hash of everything its verdict rests on.
python3 - "$build" "$checks" "$("$tidy" --version | tr -d '\n')" >"$build/tidy/list" <<'PYTHON'
import hashlib, json, pathlib, re, sys

build, checks, version = sys.argv[1:]
root = pathlib.Path.cwd()
include = re.compile(r'^\s*#include "([^"]+)"', re.M)
texts = {}


def text_of(path):
    if path not in texts:
        texts[path] = path.read_text(encoding="utf-8") if path.is_file() else ""
    return texts[path]


def reach(path):
    found, todo = set(), [path]
    while todo:
        here = todo.pop()
        if here not in found:
            found.add(here)
            todo += [root / name for name in include.findall(text_of(here)) if (root / name).is_file()]
    return sorted(found)


config = text_of(root / ".clang-tidy")
script = text_of(root / "tests/tidy.sh")
sources = {}
for entry in json.load(open(pathlib.Path(build) / "compile_commands.json")):
    path = pathlib.Path(entry["directory"], entry["file"]).resolve()
    name = path.relative_to(root).as_posix() if path.is_relative_to(root) else ""
    if name.startswith(("daemon/", "sim/")):
        sources[name] = re.sub(r" -o \S+", "", entry["command"])
for name, command in sorted(sources.items()):
    digest = hashlib.sha256("\0".join([version, config, script, checks, command]).encode())
    for path in reach(root / name):
        digest.update(text_of(path).encode())
    print(name, digest.hexdigest())
PYTHON

judge() {
    local tidy=$1 build=$2 checks=$3 name=$4 hash=$5
    local stamp=$build/tidy/$hash said
    [[ -e $stamp ]] && return 0
    local options=(-p "$build" --quiet --extra-arg=-Wno-unknown-warning-option --extra-arg=-Wno-string-conversion
        # GCC's way of saying it, in the compile commands of what is linked as a whole.
        --extra-arg=-Wno-ignored-optimization-argument)
    [[ -n $checks ]] && options+=("--checks=$checks")
    if said=$("$tidy" "${options[@]}" "$name" 2>&1); then
        : >"$stamp"
    else
        printf '%s\n' "$said" | grep -v 'warnings generated\.\|^Suppressed \|^Use -header-filter' || true
        return 1
    fi
}
export -f judge

if ! xargs -P "$(nproc)" -L 1 bash -c 'judge "$0" "$@"' "$tidy" "$build" "$checks" <"$build/tidy/list"; then
    echo "clang-tidy: not clean" >&2
    exit 1
fi
echo "clang-tidy: $(wc -l <"$build/tidy/list") sources are clean"
