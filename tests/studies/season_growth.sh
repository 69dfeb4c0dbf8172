#!/usr/bin/env bash
# How a season grows: results folders made of one measured take (kept_copies.py) are compared, half of them and all. Prints time, memory,
# the page's size, and how much longer a browser takes to open it than an empty page.
# Usage: tests/studies/season_growth.sh RESULTS [SESSIONS] [TAKES]     (50 sessions of 25 takes; 5000 strokes where a take has four)
# Limits: compared in 20 s, opened in 1 s, twice the sessions in twice the time within 10 %.
set -euo pipefail
cd "$(dirname "$0")/../.."
results=$(realpath "$1") sessions=${2:-50} takes=${3:-25}
[ -n "${TIPWRIGHT_BUILT:-}" ] || cargo build --release --quiet
target=$(cargo metadata --format-version 1 --no-deps | sed -n 's/.*"target_directory":"\([^"]*\)".*/\1/p')
tipwright=${TIPWRIGHT:-$target/release/tipwright}
tests/reference/install.sh
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
.venv/bin/python tests/studies/kept_copies.py season "$results" "$work/season" "$sessions" "$takes"
folders=("$work"/season/*)
best() { # FILE COMMAND...: the best of three, seconds of wall, of the processor, and megabytes
  local file=$1
  shift
  for _ in 1 2 3; do
    /usr/bin/time -a -f '%e %U %S %M' -o "$file" "$@" >/dev/null 2>"$work/err" || { cat "$work/err" >&2; exit 1; }
  done
  sort -n "$file" | awk 'NR == 1 { wall = $1 } { cpu = !cpu || $2 + $3 < cpu ? $2 + $3 : cpu; mb = $4 / 1000 } END { print wall, cpu, mb }'
}
half=$(best "$work/half" "$tipwright" -q compare "${folders[@]:0:$((sessions / 2))}" -o "$work/of-half")
all=$(best "$work/all" "$tipwright" -q compare "${folders[@]}" -o "$work/of-all")
echo "<!doctype html><title>empty</title><p>empty" >"$work/empty.html"
browser=$(command -v chromium || command -v chromium-browser)
open() { best "$2" "$browser" --headless --no-sandbox --disable-gpu --user-data-dir="$work/browser" --dump-dom "file://$1"; }
empty=$(open "$work/empty.html" "$work/open-empty")
page=$(open "$work/of-all/index.html" "$work/open-page")
awk -v half="$half" -v all="$all" -v empty="$empty" -v page="$page" -v n="$sessions" -v bytes="$(stat -c %s "$work/of-all/index.html")" 'BEGIN {
  split(half, h); split(all, a); split(empty, e); split(page, p)
  printf "%d sessions compared: %.1f s, %.1f s of processor, %.0f MB; half of them %.1f s, %.1f s: growth %.2f (2 is linear)\n", n, a[1], a[2], a[3], h[1], h[2], a[2] / h[2]
  printf "page of %.1f MB opens in %.1f s, an empty one in %.1f s\n", bytes / 1e6, p[1], e[1]
  exit a[1] > 20 || p[1] - e[1] > 1 || a[2] / h[2] > 2.2 }'
