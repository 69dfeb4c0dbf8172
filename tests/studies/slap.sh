#!/usr/bin/env bash
# How often the slap of the line on the rod is found and timed, and how often one is invented, at 0 to 20 dB over the background.
# Usage: tests/studies/slap.sh [FROM TO]     takes of these seeds: 0 to 59 set constants, 200 on check them; some minutes
set -euo pipefail
cd "$(dirname "$0")/../.."
cargo run --release --quiet --workspace --example slaps -- "${1:-200}" "${2:-260}"
