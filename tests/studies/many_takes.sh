#!/usr/bin/env bash
# A day of many takes: size of the page, memory and time of `day` and `compare`. One take is measured and what was kept of it stands for
# the others (they share their clips), so the stages that hold all takes at once are measured, not the clips.
# Usage: tests/studies/many_takes.sh SESSION [TAKES]     Limits: page 12 MB; memory of `day` within 50 MB of one take's, of `compare` 400 MB;
# the second half of the takes costs the processor what the first does, within 10 %.
set -euo pipefail
cd "$(dirname "$0")/../.."
takes=${2:-200}
source=$(cd "$1" && pwd)
[ -n "${TIPWRIGHT_BUILT:-}" ] || cargo build --release --quiet
target=$(cargo metadata --format-version 1 --no-deps | sed -n 's/.*"target_directory":"\([^"]*\)".*/\1/p')
tipwright=${TIPWRIGHT:-$target/release/tipwright}
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
mkdir "$work/session" && cp -rl "$source/." "$work/session"
rm "$work/session/session.toml"
name=$(sed -n '/^\[\[take\]\]/,$ s/^name *= *"\([^"]*\)".*/\1/p' "$source/session.toml" | head -1)
awk '/^\[\[take\]\]/ { n++ } n < 2' "$source/session.toml" >"$work/session/session.toml"
measure() { # name, command...
  local what=$1 status=0
  shift
  /usr/bin/time -f '%M %e %U %S' -o "$work/cost" "$@" >/dev/null 2>"$work/err" || status=$?
  [ "$status" -eq 0 ] || { cat "$work/err" >&2; exit 1; }
  tail -1 "$work/cost" | awk -v what="$what" '{ printf "%-28s %5.0f MB %7.1f s, %.1f s of processor\n", what, $1 / 1000, $2, $3 + $4 }'
  cpu=$(tail -1 "$work/cost" | awk '{ print $3 + $4 }')
  mb=$(tail -1 "$work/cost" | awk '{ printf "%d", $1 / 1000 }')
  [ "$mb" -le "$most" ] || failed=1
}
failed=0 most=400
measure "1 take, measured" "$tipwright" -q day "$work/session" -o "$work/results"
most=$((mb + 50))
one=$(awk '/^\[\[take\]\]/ { n = 1 } n' "$work/session/session.toml")
tests/reference/install.sh
cp -r "$work/results" "$work/one"
measure "1 take, nothing to do" "$tipwright" -q day "$work/session" -o "$work/one"
costs=$cpu
made=1
for n in $((takes / 2)) "$takes"; do
  more=()
  for k in $(seq $((made + 1)) "$n"); do
    printf '\n%s\n' "${one/\"$name\"/\"$(printf 'take-%03d' "$k")\"}" >>"$work/session/session.toml"
  done
  for k in $(seq 2 "$n"); do more+=("$(printf 'take-%03d' "$k")"); done
  made=$n
  rm -rf "$work/results"
  cp -r "$work/one" "$work/results"
  .venv/bin/python tests/studies/kept_copies.py takes "$work/results" "${more[@]}"
  measure "$n takes, tables and page" "$tipwright" -q day "$work/session" -o "$work/results"
  costs="$costs $cpu"
done
measure "$takes takes, nothing to do" "$tipwright" -q day "$work/session" -o "$work/results"
echo "$costs" | awk '{ growth = ($3 - $1) / ($2 - $1); printf "twice the takes cost %.2f times as much over one\n", growth; exit growth > 2.2 }' || failed=1
most=400
measure "$takes takes compared" "$tipwright" -q compare "$work/results" --by caster -o "$work/comparison"
page=$(stat -c %s "$work/results/report/index.html")
awk -v b="$page" -v c="$(stat -c %s "$work/comparison/index.html")" 'BEGIN { printf "page %.1f MB, comparison %.1f MB\n", b / 1e6, c / 1e6 }'
[ "$page" -le 12000000 ] || failed=1
[ "$failed" -eq 0 ] || { echo "a limit is passed: page 12 MB, memory of day 50 MB over one take's, of compare 400 MB, twice the takes at 2.2 times the time" >&2; exit 1; }
