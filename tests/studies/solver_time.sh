#!/usr/bin/env bash
# Time of the path's solver: takes of 10, 20, 40 and 80 s of two cameras at 240 frames a second on one core. Fails when 10 s take
# longer than a second or time grows faster than length. Against SciPy on the identical problem: tests/reference/solver_scipy.py.
set -euo pipefail
cd "$(dirname "$0")/../.."
exec cargo run --release --quiet -p tipwright --example solver_growth
