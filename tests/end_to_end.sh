#!/usr/bin/env bash
# From clips to pages on the smallest simulated day.
set -euo pipefail
cd "$(dirname "$0")/.."
pipelines/install.sh
[ -n "${TIPWRIGHT_BUILT:-}" ] || cargo build --release --quiet
target=$(cargo metadata --format-version 1 --no-deps | sed -n 's/.*"target_directory":"\([^"]*\)".*/\1/p')
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
"$target/release/tipwright" simulate --days minimal --seed 1 -o "$work/session"
"$target/release/tipwright" check "$work/session"
"$target/release/tipwright" day "$work/session" -o "$work/results"
for file in run.json scene.toml strokes.csv strokes.parquet report/index.html takes/01-before/path.csv; do
  [ -s "$work/results/$file" ] || { echo "missing: $file"; exit 1; }
done
rows=$(($(wc -l < "$work/results/strokes.csv") - 1))
[ "$rows" -ge 2 ] || { echo "only $rows strokes measured"; exit 1; }
"$target/release/tipwright" score "$work/results" "$work/session/truth" -o "$work/score" >/dev/null
python3 tests/day_limits.py minimal < "$work/score/score.json"
echo "end to end: $rows strokes"
