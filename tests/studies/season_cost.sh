#!/usr/bin/env bash
# What the season's workflow costs over `day`: one session both ways on two cores, in turns. Prints wall and processor time and their ratios.
# Usage: tests/studies/season_cost.sh SESSION [RUNS]     Limit: 1.15 times the wall time of `day`, the best of the runs each.
set -euo pipefail
cd "$(dirname "$0")/../.."
source=$(realpath "$1") runs=${2:-2}
pipelines/season/install.sh
[ -n "${TIPWRIGHT_BUILT:-}" ] || cargo build --release --quiet
target=$(cargo metadata --format-version 1 --no-deps | sed -n 's/.*"target_directory":"\([^"]*\)".*/\1/p')
export TIPWRIGHT=${TIPWRIGHT:-$target/release/tipwright} SNAKEMAKE=$PWD/.venv/bin/snakemake
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
mkdir "$work/sessions"
cp -rl "$source" "$work/sessions/one" 2>/dev/null || cp -r "$source" "$work/sessions/one"
cost() { # NAME COMMAND...
  local name=$1
  shift
  taskset -c 0,1 /usr/bin/time -a -f '%e %U %S' -o "$work/$name" "$@" >/dev/null 2>"$work/err" || { cat "$work/err" >&2; exit 1; }
}
for _ in $(seq "$runs"); do
  rm -rf "$work/day" "$work/season" "$work/season.work"
  cost by_day "$TIPWRIGHT" -q day "$work/sessions/one" -o "$work/day" --threads 2
  cost by_season pipelines/season.sh "$work/sessions" "$work/season" -- --cores 2
  python3 tests/same_results.py "$work/season/one" "$work/day"
done
paste "$work/by_day" "$work/by_season" | awk '
  { printf "day %.1f s wall, %.1f s processor; workflow %.1f s, %.1f s\n", $1, $2 + $3, $4, $5 + $6
    if (!day || $1 < day) day = $1; if (!season || $4 < season) season = $4
    if (!day_cpu || $2 + $3 < day_cpu) day_cpu = $2 + $3; if (!cpu || $5 + $6 < cpu) cpu = $5 + $6 }
  END { printf "workflow over day: %.2f of wall time, %.2f of processor time (limit 1.15)\n", season / day, cpu / day_cpu; exit season / day > 1.15 }'
