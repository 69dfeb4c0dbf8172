#!/usr/bin/env bash
# The checks against other people's libraries (NumPy, SciPy, OpenCV, PyArrow, DuckDB, pandas, Polars) and open measurements.
# Makes a Python environment (.venv) when there is none. Usage: tests/reference/run.sh [RESULTS FOLDER]
set -euo pipefail
cd "$(dirname "$0")/../.."
tests/reference/install.sh
if [ -z "${TIPWRIGHT_BUILT:-}" ]; then
  cargo build --release --quiet --workspace --bins --example geometry_exchange --example solver_exchange
fi
target=$(cargo metadata --format-version 1 --no-deps | sed -n 's/.*"target_directory":"\([^"]*\)".*/\1/p')/release
python=.venv/bin/python
failed=()
check() {
  echo "== $*"
  "$python" "tests/reference/$@" || failed+=("$1")
}
check licences.py
check geometry_opencv.py --binary "$target/examples/geometry_exchange"
check boards_opencv.py --binary "$target/tipwright"
check solver_scipy.py --binary "$target/examples/solver_exchange"
check figures_numpy.py --binary "$target/tipwright"
open_data=${TIPWRIGHT_OPEN_DATA:-../shared/open-data}
if [ -d "$open_data/flight" ]; then
  check flight.py --binary "$target/tipwright" --data "$open_data/flight" --pairs --halves --check
else
  echo "SKIPPED: flight.py: no open data at $open_data/flight; set TIPWRIGHT_OPEN_DATA" >&2
fi
if [ $# -gt 0 ]; then
  check tables_pyarrow.py "$@"
  # of measured days: made-up results have no pictures
  for folder in "$@"; do
    if [ -f "$folder/run.json" ]; then check overlay_opencv.py "$folder"; fi
  done
fi
if [ ${#failed[@]} -gt 0 ]; then
  echo "failed: ${failed[*]}" >&2
  exit 1
fi
