#!/usr/bin/env bash
# Do stated probabilities come true? People of every habit and between them (rod and line by mechanics), their marker paths
# with noise, strokes, evidence; nothing is filmed. Prints per rule, for kinds of stroke and for directions: bins of stated
# probability with the share that came true and whether it lies within the binomial 95 % of what was stated, the Brier score
# against the base rate's, and what of the told was true. Writes a reliability plot.
# Usage: tests/studies/calibration.sh [PERSONS] [more options of the example]   (80 persons, 480 strokes: some minutes of two cores)
set -euo pipefail
cd "$(dirname "$0")/../.."
exec cargo run --release --quiet -p tipwright-simulate --example calibration -- \
    --persons "${1:-80}" --plot "${TMPDIR:-/tmp}/calibration.svg" "${@:2}"
