#!/usr/bin/env bash
# Installs those packages of config/debian-packages.txt that are missing, and touches nothing when none is.
# tests/run.sh and sim/demo.sh begin with it. Needs root or sudo only when something is missing.
set -euo pipefail
cd "$(dirname "$0")"

# A tool that is there counts, wherever it came from.
command_of() {
    case $1 in
        ninja-build) echo ninja ;;
        g++ | cmake | ccache | pkg-config | clang-format | clang-tidy | python3 | sqlite3) echo "$1" ;;
        locales) echo localedef ;;
    esac
}

is_there() {
    local command
    command=$(command_of "$1")
    [[ -n $command ]] && command -v "$command" >/dev/null && [[ $1 != locales || -d /usr/share/i18n/locales ]] && return 0
    [[ $(dpkg-query -W -f '${db:Status-Abbrev}' "$1" 2>/dev/null) == ii* ]]
}

missing=()
while read -r package; do
    [[ -z $package || $package == \#* ]] || is_there "$package" || missing+=("$package")
done <debian-packages.txt
[[ ${#missing[@]} -eq 0 ]] && exit 0

give_up() {
    echo "$1; install by hand and try again: apt-get install ${missing[*]}" >&2
    exit 1
}

command -v apt-get >/dev/null || give_up "packages are missing and there is no apt-get here (this is made for Debian 12)"
as_root=()
if [[ $(id -u) -ne 0 ]]; then
    command -v sudo >/dev/null || give_up "packages are missing, and installing them needs root or sudo"
    as_root=(sudo)
    [[ -t 0 ]] || as_root+=(-n)
fi

echo "installing ${missing[*]}"
log=$(mktemp)
trap 'rm -f "$log"' EXIT
apt() { "${as_root[@]}" env DEBIAN_FRONTEND=noninteractive apt-get -q "$@" </dev/null >"$log" 2>&1; }
if ! apt update || ! apt install -y --no-install-recommends "${missing[@]}"; then
    tail -n 15 "$log" >&2
    give_up "apt-get failed"
fi
