#!/usr/bin/env bash
# Kills `day` (-9) at random moments, looks after each kill that nothing half-written lies in the results, and lets the last run
# go to its end: it must leave the bytes that a run without a kill leaves (run.json and manifest.json aside, which say how long it took).
# Usage: tests/studies/kills.sh SESSION [KILLS] [SEED] [MORE OPTIONS OF day...]     Prints kills, and files compared; fails at the first difference.
set -euo pipefail
cd "$(dirname "$0")/../.."
session=$(cd "$1" && pwd)
kills=${2:-50}
RANDOM=${3:-1}
shift $(($# < 3 ? $# : 3))
[ -n "${TIPWRIGHT_BUILT:-}" ] || cargo build --release --quiet
target=$(cargo metadata --format-version 1 --no-deps | sed -n 's/.*"target_directory":"\([^"]*\)".*/\1/p')
tipwright=${TIPWRIGHT:-$target/release/tipwright}
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
listed() { (cd "$1" && find . -type f ! -name '.*' ! -path '*/.*' ! -name run.json ! -name manifest.json | sort); }
same() { # every finished file of $1 is that of the run without a kill
  while read -r file; do
    cmp -s "$1/$file" "$work/whole/$file" || { echo "half-written or different: $file" >&2; exit 1; }
  done < <(listed "$1")
}
began=$(date +%s%N)
"$tipwright" -q day "$session" -o "$work/whole" "$@" >/dev/null 2>&1
whole_ms=$((($(date +%s%N) - began) / 1000000))
done=0 finished=0 busy=0
while [ "$done" -lt "$kills" ]; do
  "$tipwright" -q day "$session" -o "$work/killed" "$@" >/dev/null 2>&1 &
  run=$!
  sleep "$(awk -v r="$RANDOM" -v ms="$whole_ms" 'BEGIN { print ms * r / 32768 / 1000 }')"
  kill -9 "$run" 2>/dev/null || true
  status=0
  wait "$run" 2>/dev/null || status=$?
  if [ "$status" -eq 137 ]; then
    done=$((done + 1))
    [ ! -d "$work/killed" ] || same "$work/killed"
  else
    [ "$status" -eq 0 ] || busy=$((busy + 1))
    finished=$((finished + 1))
    same "$work/killed"
    rm -rf "$work/killed"
  fi
done
"$tipwright" -q day "$session" -o "$work/killed" "$@" >/dev/null 2>&1
same "$work/killed"
diff <(listed "$work/whole") <(listed "$work/killed") || { echo "the files are not the same" >&2; exit 1; }
left=$(find "$work/killed" -name '*.part' | wc -l)
[ "$left" -eq 0 ] || { echo "$left half-written files are left" >&2; exit 1; }
[ "$busy" -eq 0 ] || { echo "$busy runs ended with a failure" >&2; exit 1; }
echo "$done kills, $finished runs that came to their end before; $(listed "$work/killed" | wc -l) files the same as without a kill"
