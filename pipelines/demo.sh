#!/usr/bin/env bash
# The main job on a simulated clinic day: films it, checks it, measures it, scores it, and says which page to open.
# Usage: pipelines/demo.sh [FOLDER]     (default: demo, below the project)
set -euo pipefail
cd "$(dirname "$0")/.."
pipelines/install.sh
cargo build --release --quiet
demo=${1:-demo}
target=$(cargo metadata --format-version 1 --no-deps | sed -n 's/.*"target_directory":"\([^"]*\)".*/\1/p')
tipwright=$target/release/tipwright
if [ ! -f "$demo/session/session.toml" ]; then
  mkdir -p "$demo"
  "$tipwright" simulate --days clinic --seed 1 -o "$demo/session"
fi
"$tipwright" check "$demo/session"
"$tipwright" day "$demo/session" -o "$demo/results" --film
"$tipwright" score "$demo/results" "$demo/session/truth" -o "$demo/score"
python3 tests/day_limits.py clinic < "$demo/score/score.json"
"$tipwright" compare "$demo/results" -o "$demo/comparison"
echo
echo "Open $demo/results/report/index.html (the day), $demo/comparison/index.html (before and after),"
echo "and $demo/score/score.html (how far the results are from the simulated truth)."
