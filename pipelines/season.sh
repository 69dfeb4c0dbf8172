#!/usr/bin/env bash
# Measures every session folder below SESSIONS into RESULTS/<session>, resumable, each with its own log.
# As a task of a job array (SLURM_ARRAY_TASK_ID or TASK, from 1) it does only the session of that number.
# Usage: pipelines/season.sh SESSIONS RESULTS
set -euo pipefail
[ $# -eq 2 ] || { echo "usage: $0 SESSIONS RESULTS" >&2; exit 2; }
sessions=$1 results=$2
tipwright=${TIPWRIGHT:-tipwright}
task=${SLURM_ARRAY_TASK_ID:-${TASK:-}}
mkdir -p "$results"
number=0 failed=0
for file in "$sessions"/*/session.toml; do
  [ -f "$file" ] || { echo "no session folders in $sessions" >&2; exit 2; }
  number=$((number + 1))
  [ -z "$task" ] || [ "$task" -eq "$number" ] || continue
  folder=$(dirname "$file") name=$(basename "$(dirname "$file")")
  status=0
  "$tipwright" --quiet day "$folder" -o "$results/$name" >"$results/$name.out" 2>"$results/$name.log" || status=$?
  case $status in
    0) echo "$name: done" ;;
    3) echo "$name: some takes failed, see $results/$name.log"; failed=3 ;;
    *) echo "$name: not measured (status $status), see $results/$name.log"; failed=3 ;;
  esac
done
[ -z "$task" ] || [ "$task" -le "$number" ] || { echo "no session number $task: there are $number in $sessions" >&2; exit 2; }
exit "$failed"
