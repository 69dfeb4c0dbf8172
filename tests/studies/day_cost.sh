#!/usr/bin/env bash
# What `day` costs against decoding the same clips by FFmpeg alone, and its memory at two clip lengths.
# Usage: tests/studies/day_cost.sh SESSION [RUNS]     Limits: 2.0 times the wall time, 1 GiB.
set -euo pipefail
cd "$(dirname "$0")/../.."
session=$(cd "$1" && pwd)
runs=${2:-3}
cargo build --release --quiet
target=$(cargo metadata --format-version 1 --no-deps | sed -n 's/.*"target_directory":"\([^"]*\)".*/\1/p')
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
mapfile -t clips < <(find "$session" -path "$session/truth" -prune -o \( -name '*.mp4' -o -name '*.mov' \) -size +0 -print | sort)
decode() { for clip in "${clips[@]}"; do ffmpeg -v quiet -nostdin -i "$clip" -map 0:v -f null - || true; done; }
now() { date +%s.%N; }
for run in $(seq "$runs"); do
  a=$(now); decode; b=$(now)
  rm -rf "$work/results"
  /usr/bin/time -f %M -o "$work/kib" "$target/release/tipwright" -q day "$session" -o "$work/results" >/dev/null 2>&1 || true
  c=$(now)
  awk -v a="$a" -v b="$b" -v c="$c" -v kib="$(tail -1 "$work/kib")" \
    'BEGIN { printf "decode %.1f s, day %.1f s, ratio %.2f, memory %.0f MiB\n", b - a, c - b, (c - b) / (b - a), kib / 1024 }'
done
