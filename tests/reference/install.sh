#!/usr/bin/env bash
# Brings the libraries that results are held against into the project's Python environment .venv. Does nothing when they are there.
set -euo pipefail
cd "$(dirname "$0")/../.."
if ! .venv/bin/python -c 'import numpy, scipy, cv2, pyarrow, duckdb, pandas, polars, license_expression, blake3' 2>/dev/null; then
  [ -x .venv/bin/python ] || python3 -m venv .venv
  .venv/bin/pip install --quiet numpy scipy opencv-python-headless pyarrow duckdb pandas polars license-expression blake3
fi
