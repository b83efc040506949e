#!/usr/bin/env bash
# A night in under a minute: builds slowfilm, checks and rehearses a shipped protocol, then runs it on four simulated
# cells through the real daemon, the real command and the real socket. One cell has an invented fault and trips.
#
#   bash sim/demo.sh
set -euo pipefail
cd "$(dirname "$0")/.."
repository=$PWD

bash config/install-missing.sh
launcher=()
if command -v ccache >/dev/null; then
    launcher=(-D CMAKE_CXX_COMPILER_LAUNCHER=ccache)
fi
cmake -S . -B .build -G Ninja "${launcher[@]}" >/dev/null
ninja -C .build slowfilm slowfilmd
bin=$repository/.build/bin
protocol=$repository/protocols/fast-by-stages.toml

desk=$(mktemp -d)
daemon=
clean_up() {
    if [[ -n $daemon ]] && kill -0 "$daemon" 2>/dev/null; then
        kill -TERM "$daemon"
        wait "$daemon" || true
    fi
    rm -rf "$desk"
}
trap clean_up EXIT

say() { printf '\n--- %s\n' "$*"; }
# Shows a command as a person would type it, then runs it.
try() {
    local word line=
    for word in "$@"; do
        [[ $word != *' '* ]] || word="\"$word\""
        line+=" $word"
    done
    printf '\n$%s\n' "$(sed "s|$bin/||g; s|$repository/||g; s|$desk/||g" <<<"$line")"
    "$@"
}
slowfilm() { "$bin/slowfilm" "$@"; }

say "First on paper: is the protocol sound, and what can it never exceed?"
try "$bin/slowfilm" check "$protocol"

say "Then on a model, before any cell is wired."
try "$bin/slowfilm" rehearse "$protocol"

say "Now the real daemon, on a bench of four simulated channels, its clock 3000 times as fast."
cp config/demo-bench.toml "$desk/"
export SLOWFILM_SOCKET=$desk/control/demo-bench.socket
"$bin/slowfilmd" --bench "$desk/demo-bench.toml" --time-scale 3000 2>"$desk/slowfilmd.log" &
daemon=$!
for _ in $(seq 100); do
    slowfilm status >/dev/null 2>&1 && break
    kill -0 "$daemon" 2>/dev/null || { cat "$desk/slowfilmd.log"; exit 1; }
    sleep 0.1
done

channels=(a1 a2 a3 b1)
cells=(K-01 K-02 K-03 K-04)
for i in 0 1 2 3; do
    try "$bin/slowfilm" start --channel "${channels[$i]}" --protocol "$protocol" --cell "${cells[$i]}"
done

# How many channels still have a run that goes on by itself.
still_running() {
    slowfilm status --format json |
        python3 -c 'import json, sys
states = [channel["state"] for channel in json.load(sys.stdin)["channels"]]
print(sum(state in ("planned", "checking", "forming", "resting") for state in states))'
}

say "The night."
for _ in $(seq 120); do
    printf '\n'
    slowfilm status
    [[ $(still_running) -gt 0 ]] || break
    sleep 4
done

say "One cell tripped. It is out for good; acknowledging says that a person has seen it, removing frees the channel."
try "$bin/slowfilm" status b1
try "$bin/slowfilm" acknowledge --reason "shorted inside: cell set aside in the fire box" b1
try "$bin/slowfilm" remove b1

say "The morning."
try "$bin/slowfilm" runs
for run in 1 2 3 4; do
    try "$bin/slowfilm" summary "$run"
done
try "$bin/slowfilm" cells
try "$bin/slowfilm" replay 4

say "Every output is opened before the daemon ends."
kill -TERM "$daemon"
wait "$daemon"
daemon=
tail -n 2 "$desk/slowfilmd.log"
