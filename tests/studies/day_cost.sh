#!/usr/bin/env bash
# What `day` costs against decoding the same clips by FFmpeg alone: one table of processor time, wall time and memory, set-up clips and takes
# apart. The least of RUNS runs (3) of each; TIPWRIGHT names another build of the program to measure.
# Usage: tests/studies/day_cost.sh SESSION [RUNS]     Wanted of takes: 1.20 times the processor time, 1.25 times the wall time, 250 MiB.
set -euo pipefail
cd "$(dirname "$0")/../.."
program=${TIPWRIGHT:-}
if [ -z "$program" ]; then
  cargo build --release --quiet
  program=$(cargo metadata --format-version 1 --no-deps | sed -n 's/.*"target_directory":"\([^"]*\)".*/\1/p')/release/tipwright
fi
exec python3 tests/studies/day_cost.py "$program" "$@"
