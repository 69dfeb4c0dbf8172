#!/usr/bin/env bash
# All Rust tests: units, physics, lenses against open data, decoding against FFmpeg's own tools.
# The checks against outside libraries are tests/reference/run.sh; the pages in a browser, tests/browser/run.sh DIR.
set -euo pipefail
cd "$(dirname "$0")/.."
pipelines/install.sh tests
cargo test --workspace --release
