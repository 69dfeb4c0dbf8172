#!/usr/bin/env bash
# Rust tests of the measuring stages that have been run to the end so far.
# Not here yet, because nobody has run them to the end: tests of spots, of tipwright-simulate and tipwright-footage,
# and the checks in tests/reference and tests/browser. Run those by hand: cargo test --workspace; tests/browser/run.sh DIR.
set -euo pipefail
cd "$(dirname "$0")/.."
pipelines/install.sh
cargo test -p tipwright --release --lib -- --skip spots:: --skip strokes::
