#!/usr/bin/env bash
# One evening after a clinic: check, measure, compare. Usage: pipelines/clinic_day.sh SESSION RESULTS
# Run again after mending a clip: finished takes are not done again.
set -euo pipefail
[ $# -eq 2 ] || { echo "usage: $0 SESSION RESULTS" >&2; exit 2; }
session=$1 results=$2
tipwright=${TIPWRIGHT:-tipwright}
"$tipwright" check "$session" || echo "check has something to say (above); going on with what can be measured" >&2
status=0
"$tipwright" day "$session" -o "$results" || status=$?
case $status in
  0) ;;
  3) echo "some takes failed (above and in $results/run.json); the rest is complete" >&2 ;;
  *) exit "$status" ;;
esac
"$tipwright" compare "$results" -o "$results/comparison"
echo "Open $results/report/index.html, and $results/comparison/index.html for before and after."
exit "$status"
