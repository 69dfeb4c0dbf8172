#!/usr/bin/env bash
# Can the stated standard deviations be bet on? At least 200 strokes of the mechanical rod, seen by two phones as detections,
# through scene, path and strokes. Prints per figure: median error, share of truths inside the 95 % interval, root mean
# square error over stated standard deviation; and the path's error against its Cramer-Rao bound.
# Usage: tests/studies/coverage.sh [SET-UPS]     (30 set-ups: about 230 strokes, 5 minutes of one core)
set -euo pipefail
cd "$(dirname "$0")/../.."
exec cargo run --release --quiet -p tipwright-simulate --example coverage -- --set-ups "${1:-30}"
