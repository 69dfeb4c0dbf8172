#!/usr/bin/env bash
# A million damaged inputs to every reader of files (or as many as asked for): prints, format by format, the slowest input. It
# fails on a panic, on an input that takes over a second, and on more than 1 GiB of memory.
#   tests/studies/fuzz.sh [INPUTS]
set -euo pipefail
cd "$(dirname "$0")/../.."
export TIPWRIGHT_FUZZ=${1:-1000000}
cargo test --release -p tipwright-day --test fuzz --no-run
# address space: what a test program maps before it begins, and 1 GiB
ulimit -v $((2 * 1024 * 1024))
cargo test --release -p tipwright-day --test fuzz -- --nocapture --test-threads 1
