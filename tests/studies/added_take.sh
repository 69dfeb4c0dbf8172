#!/usr/bin/env bash
# A take added to a finished day of TAKES takes: how long until the pages are new, against what the take itself costs.
#
# The takes of SESSION but its last are measured; what was kept of them stands for the other takes, under names and clips of their own, so
# everything that a run does with a finished take is done TAKES times. Then the last take is added.
# Usage: tests/studies/added_take.sh SESSION [TAKES]     Limit: twice the take's own time, set-up solved, alone.
set -euo pipefail
cd "$(dirname "$0")/../.."
takes=${2:-40}
source=$(cd "$1" && pwd)
[ -n "${TIPWRIGHT_BUILT:-}" ] || cargo build --workspace --release --quiet
target=$(cargo metadata --format-version 1 --no-deps | sed -n 's/.*"target_directory":"\([^"]*\)".*/\1/p')
tipwright=${TIPWRIGHT:-$target/release/tipwright}
work=${WORK:-$(mktemp -d)}
[ -n "${WORK:-}" ] || trap 'rm -rf "$work"' EXIT
mkdir -p "$work"
rm -rf "${work:?}/session" "$work/results" "$work/alone"
mkdir "$work/session"
cp -rl "$source/." "$work/session"
rm -rf "$work/session/session.toml" "$work/session/truth"
awk '/^\[\[take\]\]/ { exit } { print }' "$source/session.toml" >"$work/head.toml"
# every take as a block of its own
awk -v work="$work" '/^\[\[take\]\]/ { n++ } n { print > (work "/take." n) }' "$source/session.toml"
count=$(grep -c '^\[\[take\]\]' "$source/session.toml")
last="$work/take.$count"
name_of() { sed -n 's/^name *= *"\([^"]*\)".*/\1/p' "$1" | head -1; }
took() { # file, command...
  local file=$1 status=0
  shift
  /usr/bin/time -f '%e %U %S' -o "$file" "$@" >/dev/null 2>"$work/err" || status=$?
  [ "$status" -eq 0 ] || { tail -5 "$work/err" >&2; exit 1; }
}
# the last take alone, its set-up solved before
cat "$work/head.toml" "$last" >"$work/session/session.toml"
"$tipwright" -q scene "$work/session" -o "$work/alone" >/dev/null
took "$work/own" "$tipwright" -q day "$work/session" -o "$work/alone"
# the finished day
for n in $(seq 1 $((count - 1))); do cat "$work/take.$n"; done | cat "$work/head.toml" - >"$work/session/session.toml"
"$tipwright" -q day "$work/session" -o "$work/results" >/dev/null
# the take that kept_copies.py copies
first=$(basename "$(printf '%s\n' "$work"/results/kept/take_*.kept | LC_ALL=C sort | head -1)" .kept)
old=${first#take_}
from=$(grep -l "^name *= *\"$old\"" "$work"/take.* | head -1)
more=()
for k in $(seq "$count" "$takes"); do
  new=$(printf 'more-%03d' "$k")
  # clips of its own name and the same content
  sed "s/\"$old\"/\"$new\"/; s#= \"\([a-z]*\)/\([0-9]*\)\.#= \"\1/$k-\2.#" "$from" >"$work/block"
  { echo; cat "$work/block"; } >>"$work/session/session.toml"
  grep -o '"[a-z]*/[0-9]*-[0-9]*\.[a-z0-9]*"' "$work/block" | tr -d '"' | while read -r clip; do
    ln -f "$work/session/${clip/$k-/}" "$work/session/$clip"
  done
  more+=("$new")
done
tests/reference/install.sh
.venv/bin/python tests/studies/kept_copies.py takes "$work/results" "${more[@]}"
took "$work/finished" "$tipwright" -q day "$work/session" -o "$work/results"
took "$work/again" "$tipwright" -q day "$work/session" -o "$work/results"
{ echo; cat "$last"; } >>"$work/session/session.toml"
took "$work/added" "$tipwright" -q day "$work/session" -o "$work/results"
for what in own again added; do
  awk -v what="$what" '{ printf "%-8s %6.1f s, %6.1f s of processor\n", what, $1, $2 + $3 }' "$work/$what"
done
grep -c "$(name_of "$last")" "$work/results/strokes.csv" >/dev/null
awk 'NR == FNR { own = $1; next } { printf "pages new after %.2f times the take'"'"'s own time\n", $1 / own; exit !($1 < 2 * own) }' \
  "$work/own" "$work/added"
