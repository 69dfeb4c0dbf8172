#!/usr/bin/env bash
# Labels made smoother, and noisier, than they are: paths of the surveyed flights from labels smoothed over 5 frames, with white
# noise of 0, 0.1, 0.3 and 1 px added. Noise must never make a result better by more than chance: an estimate that gains by it
# takes smooth errors for knowledge. Prints RMSE, share inside the stated 95 % and z rms of four cameras and every pair.
# Minutes. Usage: tests/studies/label_noise.sh [SET ...]; needs the Python environment of tests/reference/run.sh.
set -euo pipefail
cd "$(dirname "$0")/../.."
cargo build --release --quiet -p tipwright-cli
data=${TIPWRIGHT_OPEN_DATA:-../shared/open-data}/flight
for smooth in 1 5; do
  for white in 0 0.1 0.3 1; do
    echo "== smoothed over $smooth frames, $white px of white noise added"
    .venv/bin/python tests/reference/flight.py --data "$data" --pairs --smooth "$smooth" --white "$white" ${1:+--sets "$@"}
  done
done
