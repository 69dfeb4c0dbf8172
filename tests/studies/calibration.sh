#!/usr/bin/env bash
# Do stated probabilities come true? People of every habit and between them (rod and line by mechanics), their marker paths
# with noise, strokes, the line model, evidence; nothing is filmed. Prints per rule, for kinds of stroke and for directions: bins of
# 30 strokes and more with the share that came true and whether it lies within the central 95 % of what was stated, the Brier
# score against the base rate's, what of the told was true; and the loop that each path makes against the simulated line's. Writes a
# reliability plot. Persons from 200 on fitted nothing; `--first-person 0` are those that constants are fitted on.
# Usage: tests/studies/calibration.sh [PERSONS] [more options of the example]   (90 persons, 540 strokes: some minutes of two cores)
set -euo pipefail
cd "$(dirname "$0")/../.."
exec cargo run --release --quiet -p tipwright-simulate --example calibration -- \
    --persons "${1:-90}" --plot "${TMPDIR:-/tmp}/calibration.svg" "${@:2}"
