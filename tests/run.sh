#!/usr/bin/env bash
# All tests: Rust (units, physics, lenses against open data, decoding against FFmpeg's own tools, the whole program on a
# small day and on every wrong file), then the checks against other people's libraries and surveyed flights.
set -euo pipefail
cd "$(dirname "$0")/.."
pipelines/install.sh tests
cargo test --workspace --release
results=$(mktemp -d)
trap 'rm -rf "$results"' EXIT
target=$(cargo metadata --format-version 1 --no-deps | sed -n 's/.*"target_directory":"\([^"]*\)".*/\1/p')/release
"$target/tipwright" --quiet simulate --days minimal --seed 1 -o "$results/session"
"$target/tipwright" --quiet day "$results/session" -o "$results/day"
# the tests above have built the program and the examples: no need to do it again without their features
TIPWRIGHT_BUILT=1 tests/reference/run.sh "$results/day"
