#!/usr/bin/env bash
# Can the stated standard deviations be bet on? At least 200 strokes of the mechanical rod, seen by two phones as detections,
# through scene, path and strokes. Prints per figure: median error, share of truths inside the 95 % interval, root mean
# square error over stated standard deviation; and the path's error against its Cramer-Rao bound.
# Usage: tests/studies/coverage.sh [SET-UPS]     (30 set-ups: about 230 strokes, 5 minutes of one core)
#        tests/studies/coverage.sh --smooth [SET-UPS [FIRST]]     the same with noise of 0.05, 0.15 and 0.5 px that is white and smooth
#                                                  over 5 and 15 frames: nine tables (15 set-ups from 500 on: half an hour of one core)
set -euo pipefail
cd "$(dirname "$0")/../.."
coverage() {
  cargo run --release --quiet -p tipwright-simulate --example coverage -- "$@"
}
if [[ ${1:-} != --smooth ]]; then
  coverage --set-ups "${1:-30}"
  exit
fi
for noise_px in 0.05 0.15 0.5; do
  for frames in 1 5 15; do
    echo "== $noise_px px, smooth over $frames frames"
    coverage --set-ups "${2:-15}" --first "${3:-500}" --noise-px "$noise_px" --smooth-over "$frames"
  done
done
