#!/usr/bin/env bash
# Does the evidence speak for the fault that is there? Casters with known habits (rod and line by mechanics), their marker
# paths with noise, strokes, evidence. Prints the confusion table, then per habit the share of its strokes that raise its
# own evidence (at least 90 %) and the share of clean casts that do (at most 5 %); then the rod's figures against the truth: rod
# straight position, bend, its time, arc, ring-down, with the share of truths inside the 95 % interval.
# Usage: tests/studies/habits.sh [PERSONS] [more options of the example, as --tip-only]   (6: some minutes of one core)
set -euo pipefail
cd "$(dirname "$0")/../.."
exec cargo run --release --quiet -p tipwright-simulate --example habits -- --persons "${1:-6}" "${@:2}"
