#!/usr/bin/env bash
# All tests: Rust (units, physics, lenses against open data, decoding against FFmpeg's own tools, the whole program on a
# small day and on every wrong file), then the checks against other people's libraries and surveyed flights, then the
# pages in a browser.
set -euo pipefail
cd "$(dirname "$0")/.."
pipelines/install.sh tests
cargo test --workspace --release
made=$(mktemp -d)
trap 'rm -rf "$made"' EXIT
# the tests above have built the program and the examples: no need to do it again without their features
export TIPWRIGHT_BUILT=1
tests/sample_results.sh "$made"
tests/studies/kills.sh "$made/session" 3
tests/hostile_disk.sh "$made/session"
tests/reference/run.sh "$made"/{day,feet,tip-only,sixty}
tests/season.sh "$made/session"
tests/release.sh
tests/browser/run.sh "$made"/{day,nameless,failed,nothing,plan,feet,tip-only/report,sixty/report,shifted,season}
