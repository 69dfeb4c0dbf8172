#!/usr/bin/env bash
# All tests: Rust, whole-program, and the checks against outside libraries and open data.
# Usage: tests/run.sh [rust|reference|browser]     (default: all)
set -euo pipefail
cd "$(dirname "$0")/.."
pipelines/install.sh tests
what=${1:-all}
began=$SECONDS
say() { printf '\n== %s (%d s)\n' "$*" $((SECONDS - began)); }

if [ "$what" = all ] || [ "$what" = rust ]; then
  say "Rust tests"
  cargo test --workspace --release --quiet
fi
if [ "$what" = all ] || [ "$what" = reference ]; then
  say "checks against outside libraries and open data"
  cargo build --release --quiet
  tests/reference/run.sh
fi
if [ "$what" = all ] || [ "$what" = browser ]; then
  say "pages in a browser"
  tests/browser/run.sh
fi
say "all tests passed"
